"""The columns of one sheet, converted in place: each with its heading, its cells and what became of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from studykit.data.findings import found_in_file
from studykit.data.intake.converting import Converted, Sort, combined, convert
from studykit.data.intake.headings import Matched, Reading
from studykit.data.intake.import_log import log_lines
from studykit.data.intake.units import COLUMN_UNITS, unit_factor
from studykit.data.intake.words import CellRules
from studykit.data.reading.sheet import MERGED_DOWN, NUMBER, TEXT, Kinds, Sheet, cells_of
from studykit.protocol import Protocol
from studykit.protocol.intake_model import TableIntake
from studykit.vocabulary import (
    DATE_COLUMNS,
    ERROR,
    MEASUREMENTS,
    NUMBER_COLUMNS,
    WHOLE_NUMBER_COLUMNS,
    YES_NO_COLUMNS,
)

_FREE_TEXT = frozenset({"note", "description", "reason"})


@dataclass(frozen=True, slots=True)
class SheetColumn:
    """One column of a sheet that was read.

    Attributes:
        column: column of the table; heading: as the person sees it; number: of the column in the sheet.
        cells, kinds: as read, after a number format that pads with zeros was honoured.
        converted: values and what became of each cell.
        readings: numbers of the readings it belongs to; None when it belongs to the whole row.
    """

    column: str
    heading: str
    number: int
    cells: pd.Series
    kinds: Kinds | None
    converted: Converted
    readings: tuple[int, ...] | None = None


@dataclass(slots=True)
class SheetColumns:
    """All columns of a sheet that a table reads, with the lines of the log and the findings about whole columns."""

    shared: dict[str, SheetColumn] = field(default_factory=dict)
    fixed: dict[str, Converted] = field(default_factory=dict)
    dates: dict[int, SheetColumn] = field(default_factory=dict)
    values: list[SheetColumn] = field(default_factory=list)
    log: list[pd.DataFrame] = field(default_factory=list)
    findings: list[pd.DataFrame] = field(default_factory=list)

    def each(self) -> Iterator[SheetColumn]:
        """Every column that was read."""
        yield from self.shared.values()
        yield from self.dates.values()
        yield from self.values


def sort_of(column: str, protocol: Protocol) -> Sort:
    """What a column of a table holds."""
    if column in DATE_COLUMNS:
        return "date"
    if column in YES_NO_COLUMNS:
        return "yes or no"
    if column in WHOLE_NUMBER_COLUMNS:
        return "whole number"
    if column in NUMBER_COLUMNS:
        return "number"
    covariate = protocol.covariates.get(column)
    return "number" if covariate is not None and covariate.kind == "number" else "text"


def read_columns(table: str, sheet: Sheet, matched: Matched, declared: TableIntake, protocol: Protocol) -> SheetColumns:
    """Convert every column of the sheet that the table reads."""
    read = SheetColumns()
    rules = _Rules(table, sheet, declared, protocol, read.findings)
    reading_numbers = {reading.number for reading in matched.readings}
    for column, number in matched.columns.items():
        if number not in reading_numbers:
            read.shared[column] = _shared(column, number, rules, read)
    for column, word in matched.fixed.items():
        converted = convert(cells_of([word]), None, sort_of(column, protocol), rules.of(column))
        read.fixed[column] = converted
        for problem in converted.problems:
            read.findings.append(
                rules.finding(column, problem.rule, f"fixed: {word!r} {problem.message}", problem.what_to_do)
            )
    for at, reading in enumerate(matched.readings):
        if reading.date_number is not None and reading.date_number not in read.dates:
            users = tuple(i for i, other in enumerate(matched.readings) if other.date_number == reading.date_number)
            read.dates[reading.date_number] = _dated(reading.date_number, users, rules, read)
        read.values.append(_value(at, reading, rules, read))
    for one in read.each():
        read.log.append(_changes(table, sheet, one))
    return read


@dataclass(slots=True)
class _Rules:
    """The protocol's rules for the cells of one sheet."""

    table: str
    sheet: Sheet
    declared: TableIntake
    protocol: Protocol
    findings: list[pd.DataFrame]

    def of(self, column: str, *, given: str | None = None, wanted: str | None = None) -> CellRules:
        """Rules of one column, with its change of unit if one is declared."""
        intake = self.protocol.intake
        factor = None
        change = ""
        if given is not None and wanted is not None and given != wanted:
            factor = unit_factor(given, wanted)
            change = f"{given} converted to {wanted} (x {factor})"
        return CellRules(
            decimal_mark=intake.decimal_mark,
            date_order=intake.date_order,
            missing_words=frozenset(intake.missing_words),
            yes_words=frozenset(intake.yes_words),
            no_words=frozenset(intake.no_words),
            codes=self.declared.codes.get(column, {}),
            factor=factor,
            unit_change=change,
            free_text=column in _FREE_TEXT,
        )

    def with_unit(self, column: str) -> CellRules:
        """Rules of a column that is no reading; a unit that cannot be converted is a finding."""
        given = self.declared.units.get(column)
        covariate = self.protocol.covariates.get(column)
        wanted = COLUMN_UNITS.get(column, covariate.unit if covariate is not None else None)
        if given is not None and (wanted is None or unit_factor(given, wanted) is None):
            self.unconvertible(column, given, wanted or "no unit that can be converted")
            given = None
        return self.of(column, given=given, wanted=wanted)

    def unconvertible(self, column: str, given: str, wanted: str) -> None:
        """Note that a declared unit does not fit."""
        message = f"the protocol declares {given!r} for {column}, but the unit there is {wanted}"
        self.findings.append(self.finding(column, "unit_does_not_fit", message, "Correct the unit in study.toml."))

    def finding(self, column: str, rule: str, message: str, what_to_do: str) -> pd.DataFrame:
        """A finding about a whole column."""
        return found_in_file(
            table=self.table,
            file=self.sheet.file,
            sheet=self.sheet.sheet,
            column=column,
            rule=rule,
            severity=ERROR,
            message=message,
            what_to_do=what_to_do,
        )


def _shared(column: str, number: int, rules: _Rules, read: SheetColumns) -> SheetColumn:
    sheet = rules.sheet
    cells, kinds = sheet.cells[number], sheet.kinds[number]
    sort = sort_of(column, rules.protocol)
    padded = {at: text for (at, place), text in sheet.shown.items() if place == number}
    if sort == "text" and padded and kinds is not None:
        spots = np.array(sorted(padded), dtype=np.int64)
        shown = [padded[at] for at in spots.tolist()]
        read.log.append(
            log_lines(
                rules.table,
                sheet,
                sheet.rows[spots],
                heading=sheet.headings[number],
                before=cells.iloc[spots],
                after=shown,
                why="taken as the sheet shows it: its number format adds zeros or letters",
            )
        )
        cells, kinds = cells.copy(), kinds.copy()
        cells.iloc[spots] = shown
        kinds[spots] = TEXT
    read.log.append(_fills(rules.table, sheet, number))
    return SheetColumn(
        column, sheet.headings[number], number, cells, kinds, convert(cells, kinds, sort, rules.with_unit(column))
    )


def _dated(number: int, users: tuple[int, ...], rules: _Rules, read: SheetColumns) -> SheetColumn:
    sheet = rules.sheet
    read.log.append(_fills(rules.table, sheet, number))
    converted = convert(sheet.cells[number], sheet.kinds[number], "date", rules.of("measured_on"))
    return SheetColumn(
        "measured_on", sheet.headings[number], number, sheet.cells[number], sheet.kinds[number], converted, users
    )


def _value(at: int, reading: Reading, rules: _Rules, read: SheetColumns) -> SheetColumn:
    """A column of readings in the unit of each row's measure; one merged cell is no reading of several rows."""
    sheet, number = rules.sheet, reading.number
    cells, kinds = sheet.cells[number], sheet.kinds[number]
    spots = np.array(sheet.filled.get(number, ()), dtype=np.int64)
    if kinds is not None and len(spots):
        kinds = kinds.copy()
        kinds[spots[np.isin(kinds[spots], (TEXT, NUMBER))]] = MERGED_DOWN
    heading = sheet.headings[number]
    given = rules.declared.units.get(heading) or rules.declared.units.get("value")
    parts: list[tuple[npt.NDArray[np.int64], Converted]] = []
    for wanted, where in _units_wanted(reading, given, rules, read):
        part = convert(
            cells.iloc[where].reset_index(drop=True) if len(where) < len(cells) else cells,
            None if kinds is None else kinds[where],
            "number",
            rules.of("value", given=given, wanted=wanted),
        )
        parts.append((where, part))
    return SheetColumn("value", heading, number, cells, kinds, combined(parts, len(cells), "number"), (at,))


def _units_wanted(
    reading: Reading, given: str | None, rules: _Rules, read: SheetColumns
) -> Iterator[tuple[str | None, npt.NDArray[np.int64]]]:
    """Unit of the measure, and the rows that have it; None where nothing is to be converted."""
    everywhere = np.arange(len(rules.sheet), dtype=np.int64)
    if given is None or rules.table != MEASUREMENTS:
        yield None, everywhere
        return
    names = pd.Series(index=range(len(everywhere)), dtype="str")
    if reading.declared is not None and reading.declared.measure is not None:
        names[:] = reading.declared.measure
    elif "measure" in read.shared:
        names = read.shared["measure"].converted.values
    elif "measure" in read.fixed:
        names[:] = read.fixed["measure"].values.iloc[0]
    measures = rules.protocol.measures
    codes, different = pd.factorize(names)
    units: list[str] = []
    for name in different:
        unit = measures[name].unit if name in measures else ""
        if unit and unit_factor(given, unit) is None:
            rules.unconvertible(rules.sheet.headings[reading.number], given, f"{unit} for the measure {name}")
            unit = ""
        units.append(unit)
    of_row = np.array([*units, ""], dtype=object)[codes]  # a missing name has the code -1, which takes the last one
    if not len(everywhere):
        yield None, everywhere
    for unit in dict.fromkeys(of_row.tolist()):
        yield unit or None, np.flatnonzero(of_row == unit)


def _fills(table: str, sheet: Sheet, number: int) -> pd.DataFrame:
    spots = np.array(sheet.filled.get(number, ()), dtype=np.int64)
    return log_lines(
        table,
        sheet,
        sheet.rows[spots],
        heading=sheet.headings[number],
        before="",
        after=sheet.cells[number].iloc[spots].to_numpy(dtype=object),
        why="merged cell filled from the first cell of its range",
    )


def _changes(table: str, sheet: Sheet, one: SheetColumn) -> pd.DataFrame:
    converted = one.converted
    return log_lines(
        table,
        sheet,
        sheet.rows[converted.changed],
        heading=one.heading,
        before=one.cells.iloc[converted.changed],
        after=converted.after,
        why=converted.why,
    )
