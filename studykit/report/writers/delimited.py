"""A table as a csv file in which no cell is run as a formula."""

from __future__ import annotations

import csv
import io
import re
from typing import Final

from studykit.table import Table

_BEGINS_A_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r", "\n")
_IS_A_NUMBER: Final = re.compile(r"[+-]?\d+([.,]\d+)?([eE][+-]?\d+)?%?")


def harmless(cell: str) -> str:
    """The cell as it is, or with an apostrophe in front where a spreadsheet program would run it as a formula.

    A plain number keeps its sign and stays a number. Blanks before the sign do not hide it.
    """
    if _IS_A_NUMBER.fullmatch(cell) or not cell.startswith(_BEGINS_A_FORMULA):
        bare = cell.lstrip(" \N{NO-BREAK SPACE}")
        if bare == cell or _IS_A_NUMBER.fullmatch(bare) or not bare.startswith(_BEGINS_A_FORMULA):
            return cell
    return f"'{cell}"


def csv_table(table: Table) -> str:
    """Headings and rows; title and notes are left out, so that the file is a table and nothing else."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow([harmless(column.heading) for column in table.columns])
    writer.writerows([[harmless(cell) for cell in row] for row in table.rows])
    return buffer.getvalue()
