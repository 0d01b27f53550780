"""Failures of the schemas as findings: one line a cell, with a sentence and what to do."""

from __future__ import annotations

from difflib import get_close_matches

import numpy as np
import pandas as pd

from studykit.data.checks.rules.given import Given
from studykit.data.checks.schemas import CELL_MISSING, schema_failures, schema_of
from studykit.data.findings import joined, no_findings
from studykit.formatting import unit_sign
from studykit.protocol import Protocol
from studykit.protocol.cells import allowed_range, allowed_words
from studykit.vocabulary import ERROR

MOST_HINTS = 100
WHAT_TO_DO = {
    CELL_MISSING: "Fill in the cell; without it the row cannot be used.",
    "visit_not_planned": "Correct the visit, or plan it in study.toml.",
    "measure_not_in_protocol": "Correct the measure, or add it to study.toml.",
    "arm_not_in_protocol": "Correct the arm, or add it to study.toml.",
    "word_not_allowed": "Write one of the allowed words, or declare this word under [intake] in study.toml.",
    "number_outside_range": "Correct the number or its unit.",
    "value_outside_plausible_range": "Look at the paper record; if the reading is real, widen the measure's plausible "
    "range in study.toml.",
    "level_not_whole": "Write the number of the level.",
    "side_missing": "Write left or right.",
    "side_not_expected": "Empty the cell: this measure has no side.",
}
"""Every rule of the schemas and its remedy."""


def schema_findings(given: Given, table: str) -> pd.DataFrame:
    """Every cell of a whole table that its schema refuses."""
    frame = given.gathered.tables[table]
    if frame.empty:
        return no_findings()
    failures = schema_failures(schema_of(table, given.protocol), frame)
    return joined([_finding(given, table, rule, column, positions) for rule, column, positions in failures])


def _finding(given: Given, table: str, rule: str, column: str, positions: np.ndarray) -> pd.DataFrame:
    cells = given.written(table, column, positions)
    return given.report(
        table,
        positions,
        column=column,
        rule=rule,
        severity=ERROR,
        message=_sentences(given, table, rule, column, positions, cells),
        what_to_do=WHAT_TO_DO[rule],
    )


def _sentences(
    given: Given, table: str, rule: str, column: str, positions: np.ndarray, cells: list[str]
) -> str | list[str]:
    protocol = given.protocol
    if rule == CELL_MISSING:
        return "This cell is empty, and every row needs it."
    if rule == "number_outside_range":
        bounds = allowed_range(table, column, protocol)
        return [f"{cell} lies outside {bounds}." for cell in cells]
    words = allowed_words(table, column, protocol)
    if words is not None and rule == words[1]:
        hints = _hints(list(dict.fromkeys(cells)), words[0])
        return [f"{cell!r} is not allowed here{hints[cell]}" for cell in cells]
    measures = given.gathered.tables[table]["measure"].iloc[positions]
    known = {name: _about_measure(rule, name, protocol) for name in measures.unique()}
    return [f"{cell}{known[name]}" for cell, name in zip(cells, measures.to_numpy(dtype=object), strict=True)]


def _about_measure(rule: str, name: str, protocol: Protocol) -> str:
    measure = protocol.measures[name]
    sign = unit_sign(measure.unit)
    return {
        "value_outside_plausible_range": f" lies outside the plausible range of {name}, "
        f"{measure.plausible_low:g} to {measure.plausible_high:g}{sign}.",
        "level_not_whole": f" is no level of {name}; the levels are numbered from 0 to {len(measure.levels) - 1}.",
        "side_missing": f"The side is empty, and {name} is measured on both sides.",
        "side_not_expected": f": {name} is not measured by side.",
    }[rule]


def _hints(cells: list[str], allowed: tuple[str, ...]) -> dict[str, str]:
    """Each wrong word's hint; past the first hundred words they are no slips of the pen, and only listed."""
    listed = f"; allowed are {', '.join(repr(word) for word in allowed)}."
    return {cell: _hint(cell, allowed) or listed if i < MOST_HINTS else listed for i, cell in enumerate(cells)}


def _hint(cell: str, allowed: tuple[str, ...]) -> str:
    """ "; did you mean ...?" or nothing."""
    close = get_close_matches(cell.casefold(), [word.casefold() for word in allowed], n=1, cutoff=0.6)
    if not close:
        return ""
    meant = next(word for word in allowed if word.casefold() == close[0])
    return f"; did you mean {meant!r}?"
