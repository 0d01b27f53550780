"""What an estimate of precision of a study consists of: its rows, its counts, its sentences."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from studykit.formatting import percent
from studykit.numerics import precision as sizes
from studykit.reliability.projection import Projected
from studykit.reliability.study_result import Row

LEVELS: Final = (0.95, 0.90)
BETWEEN_RATERS: Final = "between raters"
WITHIN_RATER: Final = "within a rater"
MEAN_SQUARES: Final = "the mean squares that belong to the components"
ONE_RATER: Final = (
    "Each target was read by one rater on one occasion: differences between raters and between days are not in these "
    "numbers, so that a change between visits has more error than this."
)


@dataclass(frozen=True, slots=True)
class Precision:
    """What a report and the change room need.

    Attributes:
        rows: every number.
        icc: the main correlation; sem: the main standard error.
        where: whose error the main SEM is: between raters where raters shared targets, else within a rater.
        targets, people, readings: what it was computed from.
        raters: their names.
        cautions: sentences; methods: a sentence.
        sessions: how many days were compared; 1 where all readings count as one occasion.
    """

    rows: tuple[Row, ...]
    icc: Row
    sem: Row
    where: str
    targets: int
    people: int
    readings: int
    raters: tuple[str, ...]
    cautions: tuple[str, ...]
    methods: str
    sessions: int = 1


def projected_row(key: str, label: str, found: Projected, unit: str) -> Row:
    """A number made from components by REML, with its interval from mean squares."""
    return Row(key, label, found.value, *found.analytic, unit, MEAN_SQUARES, found.reason)


def change_rows(sem: Row, suffix: str, where: str) -> list[Row]:
    """MDC at 95 and 90 % with the interval of the SEM carried over."""
    rows = []
    for wanted in LEVELS:
        value, low, high = (float(v) for v in sizes.mdc([sem.value, sem.low, sem.high], confidence=wanted))
        label = f"MDC at {percent(wanted)} {where}"
        rows.append(Row(f"mdc{int(np.rint(100 * wanted))}{suffix}", label, value, low, high, sem.unit, sem.how))
    return rows
