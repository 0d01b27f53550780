"""The sheets of the entry workbook that hold no data, and the look of all of its cells."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from xlsxwriter.utility import xl_col_to_name

from studykit.entry.cell_rules import HIGHS, LOWS, list_name
from studykit.entry.columns import EntryColumn
from studykit.protocol import Protocol
from studykit.table import Table
from studykit.vocabulary import MEASUREMENTS

README_PAGE, WORDS_PAGE, COLUMNS_PAGE = "Read me", "Words", "Columns"
_INK, _QUIET, _WASH, _RULE, _CARE = "#1c2329", "#5c6670", "#eef1f3", "#b3bac1", "#fdf0dc"
_DAY_FORMAT: Final = "yyyy-mm-dd"

_DICTIONARY_WIDTHS: Final = (30, 60, 30, 44, 40)
_HOW: Final = (
    "One sheet, one table. One line for each reading, person or day: three trials of both legs are six lines.",
    "Row 1 says what belongs into a column, with its unit. Row 2 is what studykit reads: leave it as it is.",
    "A star marks what every line needs. A cell of that kind that is still empty is coloured once its line is begun.",
    "Many cells have a list: click the cell and choose. A cell that refuses an entry says why.",
    "The line that begins with {example} shows how to fill the others. studykit leaves it out; you may delete it.",
    "Leave a cell empty when nothing was recorded. Do not write 0, a dash or a question mark.",
    "Give every person a code. Write no names, dates of birth, addresses or record numbers, not even in a note.",
    "Sheets that the study does not need stay empty. A column of your own is declared first, under [covariates] in "
    "study.toml.",
)
_CARE_LINES: Final = (
    "This kit is for research and audit. It gives no diagnosis and no treatment advice.",
    "Stretching, loading and taking a joint to its end can hurt: stop at pain, do not measure after recent surgery or "
    "injury unless a licensed clinician has allowed it, and let a licensed clinician decide for a person.",
    "Follow your local rules on ethics approval, consent and health data.",
)
_NEXT: Final = (
    "Save this workbook in the study's folder data under its own name, entry.xlsx, and close it.",
    "studykit check FOLDER names every mistake with its sheet, row and column.",
    "After a change of study.toml, studykit entry FOLDER writes this workbook again; a filled one is never replaced.",
)


@dataclass(frozen=True, slots=True)
class Looks:
    """The formats of one workbook."""

    book: Any
    heading: Any
    name: Any
    example: Any
    example_date: Any
    title: Any
    strong: Any
    caption: Any
    plain: Any
    care: Any
    text: Any
    date: Any

    @classmethod
    def of(cls, book: Any) -> Looks:
        """Make the formats in a workbook that is being written."""
        wrapped = {"text_wrap": True, "valign": "top", "font_color": _INK}
        head = {"bold": True, "text_wrap": True, "valign": "vcenter", "bg_color": _WASH, "font_color": _INK}
        shown = {"italic": True, "font_color": _QUIET, "bg_color": _WASH, "num_format": "@"}
        return cls(
            book=book,
            heading=book.add_format({**head, "top": 2}),
            name=book.add_format({"font_size": 8, "font_color": _QUIET, "bg_color": _WASH, "bottom": 1}),
            example=book.add_format({**shown, "num_format": "General"}),
            example_date=book.add_format({**shown, "num_format": _DAY_FORMAT, "align": "left"}),
            title=book.add_format({"bold": True, "font_size": 15, "font_color": _INK}),
            strong=book.add_format({**wrapped, "bold": True}),
            caption=book.add_format({"bold": True, "font_color": _INK}),
            plain=book.add_format(wrapped),
            care=book.add_format({**wrapped, "bg_color": _CARE}),
            text=book.add_format({"num_format": "@"}),
            date=book.add_format({"num_format": _DAY_FORMAT, "align": "left"}),
        )

    def cell(self, kind: str) -> Any:
        """The format of an empty cell: text stays text (001 is no 1), a date looks the same everywhere."""
        return {"text": self.text, "date": self.date, "yes or no": self.text}.get(kind)

    def still_empty(self, place: int, first_row: int, width: int) -> dict[str, Any]:
        """Colour a needed cell that is empty while its row is begun."""
        row, letter, last = first_row + 1, xl_col_to_name(place), xl_col_to_name(width - 1)
        begun = f"=AND(COUNTA($A{row}:${last}{row})>0,ISBLANK(${letter}{row}))"
        return {"type": "formula", "criteria": begun, "format": self.book.add_format({"bg_color": _CARE})}


def write_readme(sheet: Any, looks: Looks, protocol: Protocol, tables: Mapping[str, str], *, example: str) -> None:
    """The first sheet: what this workbook is, how it is filled, and what comes next."""
    sheet.hide_gridlines(2)
    sheet.set_column(0, 0, 18)
    sheet.set_column(1, 1, 92)
    sheet.write_string(0, 0, protocol.study.title, looks.title)
    sheet.write_string(1, 0, protocol.study.question)
    row = 3
    parts: list[tuple[str, list[tuple[str, str]], Any]] = [
        ("Before you measure", [("", line) for line in _CARE_LINES], looks.care),
        ("How to fill it", [("", line.format(example=example)) for line in _HOW], looks.plain),
        ("The sheets", [*tables.items(), *_PAGES_SAID], looks.plain),
        ("What comes next", [("", line) for line in _NEXT], looks.plain),
    ]
    for title, lines, look in parts:
        sheet.write_string(row, 0, title, looks.strong)
        for name, text in lines:
            if name:
                row += 1
                sheet.write_url(row, 0, f"internal:'{name}'!A1", string=name)
            sheet.write_string(row, 1, text, look)
            sheet.set_row(row, 15.5 * (1 + len(text) // 108))
            row += 0 if name else 1
        row += 2
    sheet.protect()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)


_PAGES_SAID: Final = [
    (WORDS_PAGE, "every word that a list offers, and what it stands for"),
    (COLUMNS_PAGE, "every column: meaning, unit, what is allowed, whether it is needed"),
]


def write_words(book: Any, sheet: Any, looks: Looks, protocol: Protocol, columns: Iterable[EntryColumn]) -> None:
    """The words of all lists, one below the other, each list under a name to which its cells refer.

    A list of words inside a cell's rule may not be longer than 255 letters; a named range may.
    """
    sheet.set_column(0, 1, 22)
    sheet.set_column(2, 2, 34)
    sheet.set_column(3, 5, 14)
    for place, heading in enumerate(("Sheet", "Column", "Word", "Stands for")):
        sheet.write_string(0, place, heading, looks.heading)
    sheet.set_column(3, 3, 58)
    sheet.write_string(0, 4, "Lowest reading", looks.heading)
    sheet.write_string(0, 5, "Highest reading", looks.heading)
    row = 1
    for column in columns:
        if not column.words:
            continue
        first = row + 1
        for word, stands_for in column.words.items():
            for place, text in enumerate((column.table, column.name, word, stands_for)):
                sheet.write_string(row, place, text, looks.text)
            if (column.table, column.name) == (MEASUREMENTS, "measure"):
                sheet.write_number(row, 4, protocol.measures[word].plausible_low)
                sheet.write_number(row, 5, protocol.measures[word].plausible_high)
            row += 1
        book.define_name(list_name(column.table, column.name), f"={WORDS_PAGE}!$C${first}:$C${row}")
        if (column.table, column.name) == (MEASUREMENTS, "measure"):
            book.define_name(LOWS, f"={WORDS_PAGE}!$E${first}:$E${row}")
            book.define_name(HIGHS, f"={WORDS_PAGE}!$F${first}:$F${row}")
    sheet.freeze_panes(1, 0)
    sheet.protect()
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)


def write_columns(sheet: Any, looks: Looks, dictionary: Iterable[Table], tables: set[str]) -> None:
    """The data dictionary of the sheets of this workbook."""
    for place, width in enumerate(_DICTIONARY_WIDTHS):
        sheet.set_column(place, place, width)
    row = 0
    for table in dictionary:
        if table.key.removeprefix("dictionary_") not in {*tables, "measures", "arms", "visits"}:
            continue
        sheet.write_string(row, 0, table.title, looks.caption)
        for place, column in enumerate(table.columns):
            sheet.write_string(row + 1, place, column.heading, looks.heading)
        for at, cells in enumerate(table.rows):
            for place, text in enumerate(cells):
                sheet.write_string(row + 2 + at, place, text, looks.plain)
            lines = max(-(-len(text) // width) for text, width in zip(cells, _DICTIONARY_WIDTHS, strict=False))
            sheet.set_row(row + 2 + at, 15.0 * max(1, lines))
        row += 3 + len(table.rows)
    sheet.protect()
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
