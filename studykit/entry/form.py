"""The entry workbook: a sheet a table, drop-down lists for codes, rules for cells, and a page that explains it."""

from __future__ import annotations

import datetime
import io
from typing import Any, Final

import xlsxwriter

from studykit.entry.cell_rules import example_of, rule_of
from studykit.entry.columns import EntryColumn, about, columns_of
from studykit.entry.dictionary import dictionary_tables
from studykit.entry.pages import COLUMNS_PAGE, README_PAGE, WORDS_PAGE, Looks, write_columns, write_readme, write_words
from studykit.protocol import Protocol
from studykit.vocabulary import DIARY, EVENTS, FLOW, MEASUREMENTS, PARTICIPANTS, PRESCRIPTIONS, RATERS

TABLES: Final[dict[str, tuple[str, ...]]] = {
    "trial": (PARTICIPANTS, RATERS, MEASUREMENTS, DIARY, EVENTS, FLOW),
    "audit": (PARTICIPANTS, RATERS, MEASUREMENTS, PRESCRIPTIONS, EVENTS),
    "reliability": (PARTICIPANTS, RATERS, MEASUREMENTS, EVENTS),
}
"""Tables that a study of each design begins with; any other table may be added as a file of its own."""
EXAMPLE: Final = "EXAMPLE"
"""The word in the first cell of a row that shows how to fill the others; study.toml declares it to mark no data."""
HEADING_ROW: Final = 2
"""The row with the names that the kit reads; row 1 says the same in plain words, with units."""
PAGES: Final = (README_PAGE, WORDS_PAGE, COLUMNS_PAGE)
"""Sheets without data; study.toml declares them."""
ROWS: Final = 20_000
"""Rows of a sheet that have lists and rules; more can be typed, without them."""
_CREATED: Final = datetime.datetime(2000, 1, 1)
"""Fixed, so that the same protocol gives the same bytes; it means nothing."""
_WIDTHS: Final = {"date": 13.0, "yes or no": 11.0, "whole number": 11.0, "number": 12.0, "text": 16.0}
_WIDE: Final = {"note": 36.0, "description": 36.0, "reason": 30.0, "measure": 30.0}


def entry_workbook(protocol: Protocol) -> bytes:
    """The workbook of a study as the content of an .xlsx file; the same protocol gives the same bytes."""
    buffer = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    book = xlsxwriter.Workbook(buffer, options)
    book.set_properties({"title": protocol.study.title, "author": "", "created": _CREATED})
    looks = Looks.of(book)
    tables = {table: columns_of(table, protocol) for table in TABLES[protocol.study.design]}
    readme = book.add_worksheet(README_PAGE)
    sheets = {table: book.add_worksheet(table) for table in tables}
    words = book.add_worksheet(WORDS_PAGE)
    dictionary = book.add_worksheet(COLUMNS_PAGE)
    write_readme(readme, looks, protocol, {table: about(table) for table in tables}, example=EXAMPLE)
    write_words(book, words, looks, protocol, [column for table in tables.values() for column in table])
    for table, columns in tables.items():
        _write_table(sheets[table], looks, protocol, columns)
    write_columns(dictionary, looks, dictionary_tables(protocol), set(tables))
    readme.activate()
    book.close()
    return buffer.getvalue()


def _write_table(sheet: Any, looks: Looks, protocol: Protocol, columns: tuple[EntryColumn, ...]) -> None:
    """Two heading rows, the example, and a rule for every cell below."""
    first, last = HEADING_ROW, HEADING_ROW + ROWS
    sheet.set_row(0, 45)
    for place, column in enumerate(columns):
        sheet.set_column(place, place, _WIDE.get(column.name, _WIDTHS[column.kind]), looks.cell(column.kind))
        sheet.write_string(0, place, f"{column.title} *" if column.needed else column.title, looks.heading)
        sheet.write_string(HEADING_ROW - 1, place, column.name, looks.name)
        _write_example(sheet, looks, place, EXAMPLE if place == 0 else example_of(column, protocol))
        rule = rule_of(column, place=place, first_row=first)
        sheet.data_validation(first, place, last, place, rule)
        if column.needed:
            sheet.conditional_format(first + 1, place, last, place, looks.still_empty(place, first + 1, len(columns)))
    sheet.freeze_panes(HEADING_ROW, 1)
    sheet.repeat_rows(0, HEADING_ROW - 1)
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
    sheet.ignore_errors({"number_stored_as_text": f"A1:XFD{last + 1}"})


def _write_example(sheet: Any, looks: Looks, place: int, content: str | float | datetime.date | None) -> None:
    if isinstance(content, datetime.date):
        sheet.write_datetime(HEADING_ROW, place, content, looks.example_date)
    elif isinstance(content, str):
        sheet.write_string(HEADING_ROW, place, content, looks.example)
    elif content is not None:
        sheet.write_number(HEADING_ROW, place, content, looks.example)
    else:
        sheet.write_blank(HEADING_ROW, place, None, looks.example)
