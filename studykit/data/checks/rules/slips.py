"""Suspicions about single readings: a lost decimal mark, another unit, trials that scatter.

None of them removes anything: the reading stays in use, and a person decides.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import stats

from studykit.data.checks.rules.readings import Cells, Readings, median_of_the_others
from studykit.data.checks.rules.spread import (
    CHANCE,
    FEWEST,
    MAD_EFFICIENCY,
    SMALLEST_SHARE,
    centre_and_scale,
    limit,
    standard_scores,
    usual_variance,
)

SPREAD_SHARE = 0.10
"""Trials of one cell are shown only when they also span at least 10% of the plausible range."""
FITS_WITHIN = 3.0
"""A corrected value fits its neighbours when it lies within three scales of them."""
FACTORS = {
    "value_ten_times_its_neighbours": (0.1, ("deg", "cm", "mm")),
    "value_a_tenth_of_its_neighbours": (10.0, ("deg", "cm", "mm")),
    "value_in_other_unit": (2.54, ("cm",)),
}


@dataclass(frozen=True, slots=True)
class Suspects:
    """Readings under one suspicion.

    Attributes:
        rule: stable name.
        position: (m,) positions of the readings in the gathered table.
        expected: (m,) what the others would let one expect, in the unit of the measure.
    """

    rule: str
    position: np.ndarray
    expected: np.ndarray


def by_measure(readings: Readings) -> list[tuple[int, np.ndarray, float]]:
    """(code, indices, smallest scale) of every measure on a scale that has readings; graded findings are left out."""
    parts = []
    for code, measure in enumerate(readings.measures):
        index = np.flatnonzero(readings.measure == code)
        if len(index) and not measure.graded:
            parts.append((code, index, SMALLEST_SHARE * readings.plausible_span[code]))
    return parts


def slips(readings: Readings, cells: Cells) -> list[Suspects]:
    """Readings that miss their neighbours and fit them after a change of decimal mark or unit.

    Neighbours are the other readings of the same participant, measure and side. A reading is far when it lies past
    `limit` scales from their median; the scale is that of all readings of the measure about the mean of their
    neighbours. A far reading is suspected

    - of a decimal mark lost or too far left, when a tenth or ten times of it lies within three scales of them;
    - of inches for centimetres, when 2.54 times of it does;
    - of another unit, when the protocol has another measure of the same joint and motion in another unit, and the
      reading lies within three scales of that measure's median. Here far may also be: past `limit` scales from the
      median of all readings of the own measure, for all readings of one person may be in the other unit.
    """
    line = cells.line[cells.groups.of_reading]
    neighbours = np.bincount(line)[line] - 1.0
    total = np.bincount(line, weights=readings.value)[line]
    with np.errstate(invalid="ignore", divide="ignore"):
        away = readings.value - (total - readings.value) / neighbours
    suspects: list[Suspects] = []
    for code, index, smallest in by_measure(readings):
        centre, scale = centre_and_scale(away[index], smallest)
        most = limit(int(np.isfinite(away[index]).sum())) * scale
        near_far = np.unique(line[index[np.abs(away[index] - centre) > most / 2.0]])
        close = index[np.isin(line[index], near_far)] if len(near_far) else index[:0]
        usual = median_of_the_others(line[close], readings.value[close])
        far = np.abs(readings.value[close] - usual - centre) > most
        suspects += _wrong_factors(readings, code, close[far], usual[far] + centre, FITS_WITHIN * scale)
        suspects += _sibling_units(readings, code, index, close[far], smallest)
    return suspects


def _wrong_factors(
    readings: Readings, code: int, far: np.ndarray, usual: np.ndarray, fits_within: float
) -> Iterator[Suspects]:
    for rule, (factor, units) in FACTORS.items():
        if readings.measures[code].unit in units:
            hit = np.abs(readings.value[far] * factor - usual) <= fits_within
            yield Suspects(rule, readings.position[far[hit]], usual[hit])


def _sibling_units(
    readings: Readings, code: int, index: np.ndarray, far: np.ndarray, smallest: float
) -> Iterator[Suspects]:
    own = readings.measures[code]
    for other, other_index, other_smallest in by_measure(readings):
        sibling = readings.measures[other]
        if (own.joint, own.motion) != (sibling.joint, sibling.motion) or own.unit == sibling.unit:
            continue
        scores, most = standard_scores(readings.value[index], smallest)
        suspicious = np.union1d(far, index[np.abs(scores) > most])
        centre, scale = centre_and_scale(readings.value[other_index], other_smallest)
        hit = suspicious[np.abs(readings.value[suspicious] - centre) <= FITS_WITHIN * scale]
        usual = float(np.median(readings.value[index]))
        yield Suspects("value_in_other_unit", readings.position[hit], np.full(len(hit), usual))


def scattered_trials(readings: Readings, cells: Cells) -> Suspects:
    """Trials of one cell that lie too far apart; the first trial is shown.

    The sum of squares within a cell over the usual variance (of the rater, or of all raters when the rater has fewer
    than 12 cells) is compared with an F distribution.
    """
    several = cells.groups.count >= 2
    flagged: list[np.ndarray] = []
    for code, _, smallest in by_measure(readings):
        of_measure = np.flatnonzero(several & (cells.measure == code))
        least = SPREAD_SHARE * readings.plausible_span[code]
        raters, counts = np.unique(cells.rater[of_measure], return_counts=True)
        own = [of_measure[cells.rater[of_measure] == one] for one in raters[counts >= FEWEST]]
        rest = of_measure[np.isin(cells.rater[of_measure], raters[counts < FEWEST])]
        for part, basis in [*((part, part) for part in own), (rest, of_measure)]:
            if len(basis) < FEWEST or not len(part):
                continue
            freedom = cells.groups.count[basis] - 1.0
            variance = max(usual_variance(cells.squares[basis], freedom), smallest**2 / 4.0)
            wide = part[cells.span[part] >= least]
            own_freedom = cells.groups.count[wide] - 1.0
            most = stats.f.isf(CHANCE, own_freedom, MAD_EFFICIENCY * float(freedom.sum())) * own_freedom * variance
            flagged.append(wide[cells.squares[wide] > most])
    hit = np.sort(np.concatenate(flagged)) if flagged else np.array([], dtype=np.int64)
    return Suspects("trials_far_apart", cells.position[hit], cells.span[hit])
