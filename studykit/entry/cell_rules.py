"""What a cell of the entry workbook lets through, what it says beforehand, and what it says when it refuses.

A cell refuses only what the check of the data would refuse too. Where the check merely asks (a person or a rater who is
not listed), the cell asks as well and lets the entry stand.
"""

from __future__ import annotations

import datetime
import math
from typing import Any, Final

from xlsxwriter.utility import xl_rowcol_to_cell

from studykit.entry.columns import EntryColumn
from studykit.entry.dictionary import allowed_in
from studykit.protocol import Protocol
from studykit.vocabulary import LEFT, MEASUREMENTS, PARTICIPANTS

LONGEST_TITLE, LONGEST_MESSAGE = 32, 255
"""Letters that a spreadsheet program shows of the title and of the text of a message."""
EARLIEST, LATEST = datetime.date(1950, 1, 1), datetime.date(2099, 12, 31)
EXAMPLE_DAY: Final = datetime.date(2026, 1, 31)
LOWS, HIGHS = "lowest_reading", "highest_reading"
"""Names of the ranges that hold the plausible range of each measure, in the order of the list of measures."""


def list_name(table: str, column: str) -> str:
    """Name of the range that holds the allowed words of a column."""
    return f"words_{table}_{column}"


def rule_of(column: EntryColumn, *, place: int, first_row: int) -> dict[str, Any]:
    """The rule of a column's cells, as xlsxwriter takes it.

    Args:
        column: the column.
        place: its place in the sheet, counted from 0.
        first_row: the first row with the rule, counted from 0.
    """
    allowed = allowed_in(column)
    return {
        **_condition(column, place, first_row),
        "ignore_blank": True,
        "input_title": column.heading[:LONGEST_TITLE],
        "input_message": _short(f"{_capital(column.meaning)}. Allowed: {allowed}."),
        "error_title": f"{column.heading}: please look again"[:LONGEST_TITLE],
        "error_message": _short(_refusal(column, allowed)),
    }


def example_of(column: EntryColumn, protocol: Protocol) -> str | float | datetime.date | None:
    """What the example row shows in a column; None where it is left empty."""
    measure = protocol.primary
    if column.name in _SHOWN_EMPTY or (column.name == "arm" and column.table != PARTICIPANTS):
        return None
    if column.table == MEASUREMENTS and column.name in {"side", "measure", "value"}:
        low, high = measure.plausible_low, measure.plausible_high
        shown = {
            "side": LEFT if measure.two_sided else None,
            "measure": protocol.study.primary_measure,
            "value": float((low + high) // 2),
        }
        return shown[column.name]
    if column.kind == "date":
        return EXAMPLE_DAY
    if column.kind == "yes or no":
        return "yes"
    if column.words:
        return next(iter(column.words))
    if column.kind == "text":
        return _EXAMPLE_WORDS.get(column.name)
    return _EXAMPLE_NUMBERS.get(column.name, _inside(column))


_SHOWN_EMPTY: Final = frozenset({"site", "note", "reason", "instrument"})
_EXAMPLE_WORDS: Final = {
    "participant_id": "P001",
    "rater_id": "R1",
    "profession": "physiotherapist",
    "technique": "calf_stretch",
    "description": "sore calf for two days",
}
_EXAMPLE_NUMBERS: Final = {
    "age_years": 40.0,
    "height_cm": 170.0,
    "mass_kg": 70.0,
    "experience_years": 5.0,
    "trial": 1.0,
    "hold_s": 60.0,
    "repetitions": 2.0,
    "sessions_per_day": 1.0,
    "days_per_week": 5.0,
    "weeks": 12.0,
    "intensity_0_10": 5.0,
    "discomfort_0_10": 2.0,
}


def _inside(column: EntryColumn) -> float | None:
    """A number inside the range of a declared column, where it has one."""
    if column.bounds is None:
        return None
    return column.bounds.low if math.isfinite(column.bounds.low) else column.bounds.high


def _condition(column: EntryColumn, place: int, first_row: int) -> dict[str, Any]:
    cell = xl_rowcol_to_cell(first_row, place)
    if column.words:
        asks = {"error_type": "warning"} if column.name == "rater_id" else {}
        return {"validate": "list", "source": f"={list_name(column.table, column.name)}", **asks}
    if column.name == "participant_id" and column.table != PARTICIPANTS:
        listed = f"=COUNTIF({PARTICIPANTS}!$A:$A,{cell})>0"
        return {"validate": "custom", "value": listed, "error_type": "warning"}
    if column.kind == "date":
        return {"validate": "date", "criteria": "between", "minimum": EARLIEST, "maximum": LATEST}
    if column.kind == "yes or no":
        return {"validate": "list", "source": ["yes", "no"]}
    if (column.table, column.name) == (MEASUREMENTS, "value"):
        return _reading(column, first_row)
    if column.kind in {"number", "whole number"}:
        return _number(column)
    return {"validate": "any"}


def _number(column: EntryColumn) -> dict[str, Any]:
    kind = {"validate": "integer" if column.kind == "whole number" else "decimal"}
    bounds = column.bounds
    low, high = (-math.inf, math.inf) if bounds is None else (bounds.low, bounds.high)
    if math.isfinite(low) and math.isfinite(high):
        # A range without its lower end has no rule of its own in a spreadsheet; the check finds the end itself.
        return {**kind, "criteria": "between", "minimum": low, "maximum": high}
    if math.isfinite(low):
        return {**kind, "criteria": ">=", "value": low}
    return {**kind, "criteria": "<=", "value": high if math.isfinite(high) else 1e12}


def _reading(column: EntryColumn, first_row: int) -> dict[str, Any]:
    """The range of the measure in the same row; before a measure is chosen, the widest range of all."""
    measure = f"$E{first_row + 1}"
    at = f"MATCH({measure},{list_name(MEASUREMENTS, 'measure')},0)"
    widest = column.bounds
    low, high = (widest.low, widest.high) if widest is not None else (-1e12, 1e12)
    return {
        "validate": "decimal",
        "criteria": "between",
        "minimum": f"=IFERROR(INDEX({LOWS},{at}),{low:g})",
        "maximum": f"=IFERROR(INDEX({HIGHS},{at}),{high:g})",
    }


def _refusal(column: EntryColumn, allowed: str) -> str:
    if column.words and column.name != "rater_id":
        return f"Please choose from the list: {allowed}. Press Escape to take the entry back."
    if column.name == "rater_id":
        return "This rater is not named in study.toml. Keep the entry only if that is meant; the check will ask again."
    if column.name == "participant_id":
        return (
            "This code is not in the sheet participants yet. Keep it only if you will add the person there; "
            "P001 and P1 are two people."
        )
    if column.kind == "date":
        return "Please give a date that exists, such as 2026-01-31, or leave the cell empty."
    if (column.table, column.name) == (MEASUREMENTS, "value"):
        return (
            "A reading is a number without a unit, inside the plausible range of its measure (sheet Words). "
            "Leave the cell empty when nothing was read."
        )
    return f"Please give {allowed}, without a unit, or leave the cell empty."


def _short(text: str) -> str:
    return text if len(text) <= LONGEST_MESSAGE else f"{text[: LONGEST_MESSAGE - 1]}…"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
