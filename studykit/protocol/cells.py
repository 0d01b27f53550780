"""What a cell may hold in this study: kinds, words, ranges and needed columns, decided by vocabulary and protocol.

The schemas that check data, the workbook for entering them and the data dictionary all read it here, so that what a
sheet lets through and what the check accepts cannot differ.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from studykit.protocol.model import Protocol
from studykit.vocabulary import (
    COLUMNS,
    DATE_COLUMNS,
    DIARY,
    EVENTS,
    FLOW,
    MEASUREMENTS,
    NUMBER_COLUMNS,
    PARTICIPANTS,
    PRESCRIPTIONS,
    RATERS,
    RELATED,
    REQUIRED,
    SEVERITIES,
    SEXES,
    SIDES,
    STAGES,
    WHOLE_NUMBER_COLUMNS,
    YES_NO_COLUMNS,
)

Kind = Literal["text", "date", "yes or no", "whole number", "number"]


@dataclass(frozen=True, slots=True)
class Bounds:
    """A closed range; with `above_low` the lower end itself does not belong to it."""

    low: float
    high: float
    above_low: bool = False

    def __str__(self) -> str:
        return f"{'above ' if self.above_low else ''}{self.low:g} to {self.high:g}"


WORDS: Final[dict[tuple[str, str], tuple[str, ...]]] = {
    (PARTICIPANTS, "sex"): SEXES,
    (MEASUREMENTS, "side"): SIDES,
    (PRESCRIPTIONS, "side"): SIDES,
    (DIARY, "side"): SIDES,
    (EVENTS, "severity"): SEVERITIES,
    (EVENTS, "related"): RELATED,
    (FLOW, "stage"): STAGES,
}
RANGES: Final[dict[tuple[str, str], Bounds]] = {
    (PARTICIPANTS, "age_years"): Bounds(0, 120),
    (PARTICIPANTS, "height_cm"): Bounds(40, 250),
    (PARTICIPANTS, "mass_kg"): Bounds(2, 350),
    (RATERS, "experience_years"): Bounds(0, 70),
    (MEASUREMENTS, "trial"): Bounds(1, 100),
    (PRESCRIPTIONS, "hold_s"): Bounds(0, 3600, above_low=True),
    (PRESCRIPTIONS, "repetitions"): Bounds(1, 200),
    (PRESCRIPTIONS, "sessions_per_day"): Bounds(0, 24, above_low=True),
    (PRESCRIPTIONS, "days_per_week"): Bounds(0, 7, above_low=True),
    (PRESCRIPTIONS, "weeks"): Bounds(0, 520, above_low=True),
    (PRESCRIPTIONS, "intensity_0_10"): Bounds(0, 10),
    (DIARY, "hold_s"): Bounds(0, 3600),
    (DIARY, "repetitions"): Bounds(0, 200),
    (DIARY, "discomfort_0_10"): Bounds(0, 10),
}
"""Numbers that a person can have or be asked to do; a diary may say that nothing was done (zero)."""


def table_columns(table: str, protocol: Protocol) -> tuple[str, ...]:
    """Columns of a table in this study: those of the kit, for participants also the declared covariates."""
    return COLUMNS[table] + (tuple(protocol.covariates) if table == PARTICIPANTS else ())


def kind_of(column: str, protocol: Protocol) -> Kind:
    """What sort of content a column holds."""
    if column in DATE_COLUMNS:
        return "date"
    if column in YES_NO_COLUMNS:
        return "yes or no"
    if column in WHOLE_NUMBER_COLUMNS:
        return "whole number"
    covariate = protocol.covariates.get(column)
    numeric = column in NUMBER_COLUMNS or (covariate is not None and covariate.kind == "number")
    return "number" if numeric else "text"


def needed_columns(table: str, protocol: Protocol) -> tuple[str, ...]:
    """Columns in which every row needs a cell: those of the vocabulary and those that this design needs besides."""
    needed = [*REQUIRED[table]]
    if table == MEASUREMENTS and protocol.visits:
        needed.append("visit")
    return tuple(needed)


def allowed_words(table: str, column: str, protocol: Protocol) -> tuple[tuple[str, ...], str] | None:
    """The words allowed in a column and the name of the rule, or None when any word will do."""
    if table == MEASUREMENTS and column == "visit" and protocol.visits:
        return protocol.visit_keys, "visit_not_planned"
    if table == MEASUREMENTS and column == "measure":
        return tuple(protocol.measures), "measure_not_in_protocol"
    if table in (PARTICIPANTS, PRESCRIPTIONS) and column == "arm" and protocol.arms:
        return tuple(protocol.arms), "arm_not_in_protocol"
    if (table, column) in WORDS:
        return WORDS[(table, column)], "word_not_allowed"
    covariate = protocol.covariates.get(column) if table == PARTICIPANTS else None
    if covariate is not None and covariate.allowed:
        return covariate.allowed, "word_not_allowed"
    return None


def allowed_range(table: str, column: str, protocol: Protocol) -> Bounds | None:
    """The range allowed in a column of numbers, or None; readings have a range per measure instead."""
    if (table, column) in RANGES:
        return RANGES[(table, column)]
    covariate = protocol.covariates.get(column) if table == PARTICIPANTS else None
    if covariate is not None and (covariate.low is not None or covariate.high is not None):
        return Bounds(
            -math.inf if covariate.low is None else covariate.low,
            math.inf if covariate.high is None else covariate.high,
        )
    return None
