"""Every table in every format, one folder a format."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Final

from studykit.errors import DataError, check_choice
from studykit.report.print_style import ENGLISH, PrintStyle
from studykit.report.writers.delimited import csv_table
from studykit.report.writers.latex import latex_table
from studykit.report.writers.markdown import markdown_table
from studykit.report.writers.webpage import html_table
from studykit.report.writers.word import word_table
from studykit.report.writers.workbook import workbook_table
from studykit.table import Table


def _utf8(write: Callable[[Table], str], *, mark: str = "") -> Callable[[Table], bytes]:
    return lambda table: f"{mark}{write(table)}".encode()


FORMATS: Final[dict[str, Callable[[Table], bytes]]] = {
    "docx": word_table,
    "tex": _utf8(latex_table),
    "html": _utf8(html_table),
    "md": _utf8(markdown_table),
    "csv": _utf8(csv_table, mark="\N{ZERO WIDTH NO-BREAK SPACE}"),
    "xlsx": workbook_table,
}
"""Ending of the file -> its writer. A csv begins with the mark by which spreadsheet programs know UTF-8."""


def table_file(table: Table, file_format: str) -> bytes:
    """One table as the content of a file.

    Args:
        table: the table.
        file_format: one of `FORMATS`.

    Raises:
        CallError: another format.
    """
    check_choice(file_format, FORMATS, "file_format")
    return FORMATS[file_format](table)


def write_tables(tables: Iterable[Table], folder: Path, *, style: PrintStyle = ENGLISH) -> list[Path]:
    """Write `folder/<format>/<key>.<format>` for every table and format; the same tables give the same bytes.

    Raises:
        DataError: two tables have the same key, so that one file would replace the other.
    """
    listed = list(tables)
    keys = [table.key for table in listed]
    twice = next((key for key in keys if keys.count(key) > 1), None)
    if twice is not None:
        raise DataError(f"Two tables are called {twice!r}; one file would replace the other.")
    written = []
    for ending, write in FORMATS.items():
        place = folder / ending
        place.mkdir(parents=True, exist_ok=True)
        for table in listed:
            path = place / f"{table.key}.{ending}"
            path.write_bytes(write(style.of_table(table)))
            written.append(path)
    return written
