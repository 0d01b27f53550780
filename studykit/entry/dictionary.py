"""The data dictionary: every column of every table in words, from the same rules that check the data."""

from __future__ import annotations

import math
from typing import Final

from studykit.entry.columns import EntryColumn, about, columns_of, visit_words
from studykit.formatting import unit_sign
from studykit.protocol import Protocol
from studykit.protocol.cells import Bounds
from studykit.table import Column, Table
from studykit.vocabulary import COLUMNS

_LEFT: Final = "left"
_HEADINGS: Final = ("Column", "Meaning", "Unit", "Allowed", "Needed")
NEEDED, MAY_BE_EMPTY = "in every row", "may be empty"


def dictionary_tables(protocol: Protocol) -> tuple[Table, ...]:
    """One table for each table of the study, then its measures and the words that stand for something."""
    return (*(_columns(table, protocol) for table in COLUMNS), _measures(protocol), *_codes(protocol))


def allowed_in(column: EntryColumn) -> str:
    """What a cell may hold, in words."""
    if column.words:
        return ", ".join(column.words)
    if column.table == "measurements" and column.name == "value":
        return "the plausible range of the measure"
    if column.bounds is not None:
        return f"a {column.kind}, {_range(column.bounds)}"
    return {
        "text": "any text",
        "date": "a date, year-month-day",
        "yes or no": "yes, no",
        "whole number": "a whole number",
        "number": "a number",
    }[column.kind]


def _range(bounds: Bounds) -> str:
    if math.isinf(bounds.high):
        return f"{bounds.low:g} or more"
    if math.isinf(bounds.low):
        return f"{bounds.high:g} or less"
    return str(bounds)


def _columns(table: str, protocol: Protocol) -> Table:
    rows = tuple(
        (column.name, column.meaning, column.unit, allowed_in(column), NEEDED if column.needed else MAY_BE_EMPTY)
        for column in columns_of(table, protocol)
    )
    headings = tuple(Column(heading, _LEFT) for heading in _HEADINGS)
    return Table(f"dictionary_{table}", f"Table {table}: {about(table)}", headings, rows)


def _measures(protocol: Protocol) -> Table:
    rows = tuple(
        (
            key,
            measure.name,
            ", ".join(f"{at} = {level}" for at, level in enumerate(measure.levels)) or unit_sign(measure.unit).strip(),
            f"{measure.plausible_low:g} to {measure.plausible_high:g}",
            measure.zero_and_sign,
        )
        for key, measure in protocol.measures.items()
    )
    headings = tuple(Column(one, _LEFT) for one in ("Code", "Measure", "Unit", "Plausible range", "Zero and sign"))
    note = "A reading outside the plausible range is a mistake of typing, of unit or of sign; its row is set aside."
    return Table("dictionary_measures", "Measures of this study", headings, rows, (note,))


def _codes(protocol: Protocol) -> tuple[Table, ...]:
    """Arms and visits: the word in the data and what it stands for."""
    headings = (Column("Code", _LEFT), Column("Stands for", _LEFT))
    parts = {
        "arms": ("Arms of this study", {key: arm.label for key, arm in protocol.arms.items()}),
        "visits": ("Visits of this study", visit_words(protocol)),
    }
    return tuple(
        Table(f"dictionary_{key}", title, headings, tuple(words.items()))
        for key, (title, words) in parts.items()
        if words
    )
