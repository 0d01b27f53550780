"""Sheets of cells in memory, and the workbook file that holds them: the same bytes from the same cells."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Mapping
from dataclasses import dataclass, field

import xlsxwriter

CREATED = dt.datetime(2025, 1, 1)


@dataclass(frozen=True, slots=True)
class Formula:
    """A formula and the result that the file holds for it; None when it was never calculated."""

    text: str
    result: str | float | None = None


@dataclass(frozen=True, slots=True)
class Shown:
    """A number under a number format of its own, such as a percentage or a time of day."""

    number: float
    number_format: str


Cell = str | int | float | bool | dt.date | Formula | Shown | None


@dataclass(slots=True)
class SheetOfCells:
    """One sheet while it is being filled.

    Attributes:
        headings: row 1 as a person sees it.
        rows: the rows below; rows[0] is row 2.
        merged: ranges of merged cells as (first row, first column, last row, last column), rows as a person sees them,
            columns from 0; the cell on top left is the one that shows.
        hidden_rows: rows as a person sees them; hidden_columns: columns from 0; hidden: the whole sheet.
    """

    headings: list[str]
    rows: list[list[Cell]]
    merged: list[tuple[int, int, int, int]] = field(default_factory=list)
    hidden_rows: list[int] = field(default_factory=list)
    hidden_columns: list[int] = field(default_factory=list)
    hidden: bool = False

    def column(self, heading: str) -> int:
        """Position of a heading."""
        return self.headings.index(heading)


def workbook_bytes(sheets: Mapping[str, SheetOfCells]) -> bytes:
    """An .xlsx file of these sheets, in their order."""
    held = io.BytesIO()
    book = xlsxwriter.Workbook(held, {"in_memory": True, "default_date_format": "dd/mm/yyyy"})
    book.set_properties({"title": "Outcomes audit", "author": "Made up", "created": CREATED})
    bold = book.add_format({"bold": True})
    for name, sheet in sheets.items():
        page = book.add_worksheet(name)
        page.write_row(0, 0, sheet.headings, bold)
        page.set_column(0, len(sheet.headings) - 1, 12)
        for number, row in enumerate(sheet.rows, start=1):
            for column, cell in enumerate(row):
                _write(book, page, number, column, cell)
        for first_row, first_column, last_row, last_column in sheet.merged:
            top_left = sheet.rows[first_row - 2][first_column]
            page.merge_range(first_row - 1, first_column, last_row - 1, last_column, "")
            _write(book, page, first_row - 1, first_column, top_left)
        for number in sheet.hidden_rows:
            page.set_row(number - 1, None, None, {"hidden": True})
        for column in sheet.hidden_columns:
            page.set_column(column, column, None, None, {"hidden": True})
        if sheet.hidden:
            page.hide()
    book.close()
    return held.getvalue()


def _write(book: xlsxwriter.Workbook, page: xlsxwriter.worksheet.Worksheet, row: int, column: int, cell: Cell) -> None:
    if cell is None:
        return
    if isinstance(cell, bool):
        page.write_boolean(row, column, cell)
    elif isinstance(cell, str):
        page.write_string(row, column, cell)
    elif isinstance(cell, Formula):
        page.write_formula(row, column, cell.text, None, "" if cell.result is None else cell.result)
    elif isinstance(cell, Shown):
        page.write_number(row, column, cell.number, book.add_format({"num_format": cell.number_format}))
    elif isinstance(cell, dt.date):
        page.write_datetime(row, column, cell)
    else:
        page.write_number(row, column, cell)
