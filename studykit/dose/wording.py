"""Sentences that several answers about dose share."""

from __future__ import annotations

from typing import Final

import pandas as pd

from studykit.change.beside import MdcBeside
from studykit.change.readings import STRAIGHT_LINE, ChangeReadings
from studykit.change.wording import ANGLE, MDC_IS_FOR_ONE, NO_MDC
from studykit.formatting import estimate

ASKED_NOT_DONE: Final = (
    "The doses are those that were asked for: this is the effect of being asked for more, whatever was done at home."
)
ADDS_MINUTES: Final = (
    "Longer holds and more days are also more minutes: what a component shows holds the minutes that it adds. Only "
    "arms with the same minutes show how minutes are best split."
)
TECHNIQUES: Final = (
    "The arms differ in technique as well as in dose, so what is said about the dose may belong to the technique."
)
LATER_MISSING: Final = (
    "If people stayed away because of how they were doing, in ways their readings do not show, this is biased."
)

FREE_MEANS: Final = (
    "Change over the visits was held to a straight line over the weeks; here every arm has a mean of its own at every "
    "visit, so the arms' changes are not those of that part to the last decimal."
)


def beside_cautions(mdc: MdcBeside | None) -> tuple[str, ...]:
    """What stands beside every finding in degrees: the MDC, and that an angle is no length."""
    return (MDC_IS_FOR_ONE if mdc is not None else NO_MDC, ANGLE)


def missing_cautions(readings: ChangeReadings) -> tuple[str, ...]:
    """That visits which were not made are not nothing."""
    seen = readings.rows.groupby("participant_id")["visit"].nunique()
    return () if bool((seen == len(readings.visits)).all()) else (LATER_MISSING,)


def course_cautions(readings: ChangeReadings) -> tuple[str, ...]:
    """That the means are free here where those of change are not."""
    return (FREE_MEANS,) if readings.course == STRAIGHT_LINE else ()


def mdc_notes(mdc: MdcBeside | None, unit: str) -> tuple[str, ...]:
    """The MDC below a table, or nothing."""
    return (f"MDC of one person: {mdc.in_words(unit)}; {mdc.words}.",) if mdc is not None else ()


def found_in_words(row: pd.Series, unit: str, confidence: float) -> str:
    """An estimate with its unit and interval."""
    return estimate(row["estimate"], row["low"], row["high"], unit=unit, confidence=confidence)


def flat(found: pd.DataFrame) -> dict[str, float]:
    """`<key>.<column>` for every number of a frame with a column `key`."""
    return {
        f"{row['key']}.{name}": float(row[name])
        for row in found.to_dict("records")
        for name in ("estimate", "std_error", "df", "low", "high", "p")
    }
