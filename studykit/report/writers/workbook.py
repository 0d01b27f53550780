"""A table as a workbook of one sheet; every cell is text, none a formula."""

from __future__ import annotations

import datetime
import io
import re
from typing import Final

import xlsxwriter

from studykit.report.writers.widths import shares
from studykit.table import Table

_CREATED: Final = datetime.datetime(2000, 1, 1)
"""Fixed, so that two runs give the same bytes; it means nothing."""
_WIDEST: Final = 60
_SHEET_LINE: Final = 110
_ROOM: Final = 1.15
"""Letters of a broken line take a little more room, because words are not cut."""
_LINE_PT: Final = 15.0
_MOST_LINES: Final = 27
"""A row of a sheet may be 409 points high."""
_A4: Final = 9
_NOT_IN_A_SHEET_NAME: Final = re.compile(r"[\[\]:*?/\\']")


def workbook_table(table: Table) -> bytes:
    """Title, headings, rows and notes as one sheet with a frozen head and three rules."""
    buffer = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    book = xlsxwriter.Workbook(buffer, options)
    book.set_properties({"title": table.title, "author": "", "created": _CREATED})
    title = book.add_format({"bold": True})
    note = book.add_format({"font_size": 9})
    sheet = book.add_worksheet(_NOT_IN_A_SHEET_NAME.sub(" ", table.key)[:31])
    sheet.write_string(0, 0, table.title, title)
    last = len(table.rows) - 1
    for place, column in enumerate(table.columns):
        look = {"align": column.align, "valign": "top", "text_wrap": True}
        head = book.add_format({**look, "bold": True, "top": 2, "bottom": 1})
        plain, end = book.add_format(look), book.add_format({**look, "bottom": 2})
        sheet.write_string(2, place, column.heading, head)
        for row, cells in enumerate(table.rows):
            sheet.write_string(3 + row, place, cells[place], end if row == last else plain)
    widths = [min(_WIDEST, share * _SHEET_LINE) for share in shares(table, line=_SHEET_LINE)]
    for place, width in enumerate(widths):
        sheet.set_column(place, place, width)
    for row, cells in enumerate([tuple(column.heading for column in table.columns), *table.rows]):
        sheet.set_row(2 + row, _LINE_PT * _lines(cells, widths))
    sheet.set_paper(_A4)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    for row, text in enumerate(table.notes):
        sheet.write_string(4 + len(table.rows) + row, 0, text, note)
    sheet.freeze_panes(3, 1)
    sheet.repeat_rows(2)
    sheet.ignore_errors({"number_stored_as_text": f"A1:{_letters(len(table.columns))}{len(table.rows) + 4}"})
    book.close()
    return buffer.getvalue()


def _lines(cells: tuple[str, ...], widths: list[float]) -> int:
    """Lines that the longest cell of a row needs at these widths; programs do not find out by themselves."""
    needed = [-(-len(cell) * _ROOM // width) for cell, width in zip(cells, widths, strict=True)]
    return int(min(_MOST_LINES, max(1.0, *needed)))


def _letters(column: int) -> str:
    """1 -> A, 26 -> Z, 27 -> AA."""
    letters = ""
    while column:
        column, place = divmod(column - 1, 26)
        letters = chr(65 + place) + letters
    return letters
