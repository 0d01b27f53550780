"""The measurements as arrays of codes, and their groups: what the suspicion rules compute with.

All suspicions look at values that no error has set aside. Codes are whole numbers from 0, -1 where a cell is empty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Self

import numpy as np
import pandas as pd

from studykit.data.checks.rules.given import Given
from studykit.protocol import Measure
from studykit.vocabulary import MEASUREMENTS, SIDES

MOST_CODES = 2**62


def combined(codes: Sequence[np.ndarray]) -> np.ndarray:
    """One whole number per row that is equal exactly where all codes are equal; (n,) int64."""
    total, size = np.zeros(len(codes[0]), dtype=np.int64), 1
    for given_code in codes:
        code = given_code
        if int(code.max(initial=-1)) > 4 * len(code) + 64:
            code = pd.factorize(code)[0]
        width = int(code.max(initial=-1)) + 2
        if size * width >= MOST_CODES:
            total, names = pd.factorize(total)
            size = len(names)
        total = total * width + (code + 1)
        size *= width
    return total


@dataclass(frozen=True, slots=True)
class Readings:
    """n readings of known measures.

    Attributes:
        position: (n,) position in the gathered table.
        participant, visit, side, measure, rater: (n,) codes; visit and measure count in the protocol's order, side is
            0 left, 1 right, -1 none.
        trial: (n,) trial number.
        value: (n,) reading in the unit of its measure.
        day: (n,) days since 1970, nan when not recorded.
        measures: the measures in the order of their codes.
        visits: number of planned visits.
    """

    position: np.ndarray
    participant: np.ndarray
    visit: np.ndarray
    side: np.ndarray
    measure: np.ndarray
    rater: np.ndarray
    trial: np.ndarray
    value: np.ndarray
    day: np.ndarray
    measures: tuple[Measure, ...]
    visits: int

    def __len__(self) -> int:
        return len(self.position)

    def where(self, keep: np.ndarray) -> Self:
        """The readings that a mask keeps."""
        arrays = {name: getattr(self, name)[keep] for name in ARRAYS}
        return replace(self, **arrays)

    @property
    def plausible_span(self) -> np.ndarray:
        """(measures,) width of each measure's plausible range, in its unit."""
        return np.array([measure.plausible_high - measure.plausible_low for measure in self.measures])


ARRAYS = ("position", "participant", "visit", "side", "measure", "rater", "trial", "value", "day")


def readings_of(given: Given) -> Readings:
    """Accepted rows of the measurements as arrays."""
    protocol, rows = given.protocol, given.tables[MEASUREMENTS]
    visit, visit_names = given.words(MEASUREMENTS, "visit")
    visit_words = list(protocol.visit_keys) or [str(word) for word in visit_names]
    return Readings(
        position=rows.index.to_numpy(dtype=np.int64),
        participant=given.words(MEASUREMENTS, "participant_id")[0],
        visit=_numbered(visit, visit_names, visit_words),
        side=_numbered(*given.words(MEASUREMENTS, "side"), SIDES),
        measure=_numbered(*given.words(MEASUREMENTS, "measure"), list(protocol.measures)),
        rater=given.words(MEASUREMENTS, "rater_id")[0],
        trial=rows["trial"].to_numpy(dtype="int64"),
        value=rows["value"].to_numpy(dtype="float64"),
        day=given.days(MEASUREMENTS, "measured_on"),
        measures=tuple(protocol.measures.values()),
        visits=len(visit_words),
    )


def _numbered(codes: np.ndarray, names: pd.Index, words: Sequence[str]) -> np.ndarray:
    """Codes that count in the order of `words`."""
    place = np.append(pd.Index(words, dtype="str").get_indexer(pd.Index(names, dtype="str")), -1)
    return np.asarray(place[codes])


@dataclass(frozen=True, slots=True)
class Groups:
    """Readings that share a key.

    Attributes:
        of_reading: (n,) number of the group of each reading.
        first: (g,) index of the first reading of each group.
        count: (g,) readings in each group.
    """

    of_reading: np.ndarray
    first: np.ndarray
    count: np.ndarray

    def __len__(self) -> int:
        return len(self.first)

    def mean(self, value: np.ndarray) -> np.ndarray:
        """(g,) mean of each group."""
        return np.asarray(np.bincount(self.of_reading, weights=value, minlength=len(self)) / self.count)

    def sum_of_squares(self, value: np.ndarray) -> np.ndarray:
        """(g,) sum of squared deviations from each group's mean."""
        away = value - self.mean(value)[self.of_reading]
        return np.asarray(np.bincount(self.of_reading, weights=away * away, minlength=len(self)))

    def extremes(self, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(g,) smallest and (g,) largest value of each group."""
        low, high = np.full(len(self), np.inf), np.full(len(self), -np.inf)
        np.minimum.at(low, self.of_reading, value)
        np.maximum.at(high, self.of_reading, value)
        return low, high

    def span(self, value: np.ndarray) -> np.ndarray:
        """(g,) largest minus smallest value of each group."""
        low, high = self.extremes(value)
        return np.asarray(high - low)


def grouped(*codes: np.ndarray) -> Groups:
    """Groups of readings that are equal in every code, numbered in the order in which they first appear."""
    of_reading, names = pd.factorize(combined(codes))
    count = np.bincount(of_reading, minlength=len(names))
    first = np.full(len(names), len(of_reading), dtype=np.int64)
    np.minimum.at(first, of_reading, np.arange(len(of_reading)))
    return Groups(of_reading, first, count)


@dataclass(frozen=True, slots=True)
class Cells:
    """Trials of one participant, visit, side, measure and rater.

    Attributes:
        groups: which readings belong to which cell.
        participant, visit, side, measure, rater: (c,) codes.
        line: (c,) number of the participant, measure and side to which the cell belongs.
        position: (c,) position of the first reading in the gathered table; value: (c,) its reading.
        mean, squares, span: (c,) mean, sum of squared deviations and largest minus smallest of the trials.
    """

    groups: Groups
    participant: np.ndarray
    visit: np.ndarray
    side: np.ndarray
    measure: np.ndarray
    rater: np.ndarray
    line: np.ndarray
    position: np.ndarray
    value: np.ndarray
    mean: np.ndarray
    squares: np.ndarray
    span: np.ndarray

    def __len__(self) -> int:
        return len(self.groups)


def cells_of(readings: Readings) -> Cells:
    """The cells of the readings, in order of first appearance."""
    groups = grouped(readings.participant, readings.visit, readings.side, readings.measure, readings.rater)
    codes = {
        name: getattr(readings, name)[groups.first] for name in ("participant", "visit", "side", "measure", "rater")
    }
    return Cells(
        groups=groups,
        line=grouped(codes["participant"], codes["measure"], codes["side"]).of_reading,
        position=readings.position[groups.first],
        value=readings.value[groups.first],
        mean=groups.mean(readings.value),
        squares=groups.sum_of_squares(readings.value),
        span=groups.span(readings.value),
        **codes,
    )


def median_of_the_others(group: np.ndarray, value: np.ndarray) -> np.ndarray:
    """For each reading the median of the other readings of its group; nan where there are none.

    Args:
        group: (n,) group of each reading. value: (n,).
    """
    n = len(value)
    if n == 0:
        return np.array([])
    by_value = np.argsort(value, kind="stable")
    order = by_value[np.argsort(group[by_value], kind="stable")]
    in_order, group_in_order = value[order], group[order]
    starts = np.flatnonzero(np.append(True, group_in_order[1:] != group_in_order[:-1]))
    sizes = np.diff(np.append(starts, n))
    start, others = np.repeat(starts, sizes), np.repeat(sizes, sizes) - 1
    rank = np.arange(n) - start
    lower, upper = np.maximum(others - 1, 0) // 2, others // 2
    last = n - 1
    low = in_order[np.minimum(start + lower + (lower >= rank), last)]
    high = in_order[np.minimum(start + upper + (upper >= rank), last)]
    result = np.full(n, np.nan)
    result[order] = np.where(others > 0, (low + high) / 2.0, np.nan)
    return result
