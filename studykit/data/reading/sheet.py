"""A sheet as it was read: headings and cells as text, what kind of cell each was, and the row a person sees."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

TEXT: Final = 0
NUMBER: Final = 1
DATE: Final = 2
YES_NO: Final = 3
TIME: Final = 4
PERCENT: Final = 5
ERROR_VALUE: Final = 6
UNCALCULATED: Final = 7
MERGED_ACROSS: Final = 8
MERGED_DOWN: Final = 9
"""Kinds of cells. A .csv file has only text; a workbook knows more, and what it knows is never thrown away.

DATE is written as year-month-day, NUMBER with a point; ERROR_VALUE is a cell such as #N/A; UNCALCULATED is a formula
whose result the file does not hold; MERGED_ACROSS is a merged cell over several columns; MERGED_DOWN is one that was
filled from the cell above within a merged range of one column, and it is only used for readings.
"""

Kinds = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Sheet:
    """Cells of one sheet or file, below its headings, without rows that hold nothing.

    Attributes:
        file: name of the file in data/; sheet: name of the sheet, "" unless a workbook.
        headings: one per column, trimmed; "" where there is none.
        cells: one `str` series per column, "" for an empty cell.
        kinds: one array per column, or None when all its cells are text.
        rows: (n,) the row as a person sees it.
        blank: rows left out because they hold nothing, with other rows below them.
        uneven: position -> number of cells of a row with more or fewer cells than there are headings.
        shown: (position, column) -> what the workbook shows where its number format adds zeros or letters in front.
        filled: column -> positions that were filled from their merged range.
        hidden_rows: (n,) True for a hidden row; hidden_columns: numbers of hidden columns; hidden: a hidden sheet.
    """

    file: str
    sheet: str
    headings: tuple[str, ...]
    cells: tuple[pd.Series, ...]
    kinds: tuple[Kinds | None, ...]
    rows: npt.NDArray[np.int64]
    blank: tuple[int, ...] = ()
    uneven: Mapping[int, int] = field(default_factory=lambda: MappingProxyType({}))
    shown: Mapping[tuple[int, int], str] = field(default_factory=lambda: MappingProxyType({}))
    filled: Mapping[int, tuple[int, ...]] = field(default_factory=lambda: MappingProxyType({}))
    hidden_rows: npt.NDArray[np.bool_] | None = None
    hidden_columns: frozenset[int] = frozenset()
    hidden: bool = False

    def __len__(self) -> int:
        return len(self.rows)

    def address(self, column: int) -> str:
        """Letter of a column of a workbook, "" for other files."""
        return column_letter(column) if self.sheet else ""

    def kept(self, keep: npt.NDArray[np.bool_]) -> Sheet:
        """The sheet with only those rows."""
        if keep.all():
            return self
        new = np.cumsum(keep) - 1
        return replace(
            self,
            cells=tuple(cell[keep].reset_index(drop=True) for cell in self.cells),
            kinds=tuple(None if kind is None else kind[keep] for kind in self.kinds),
            rows=self.rows[keep],
            uneven={int(new[at]): count for at, count in self.uneven.items() if keep[at]},
            shown={(int(new[at]), column): text for (at, column), text in self.shown.items() if keep[at]},
            filled={column: tuple(int(new[at]) for at in spots if keep[at]) for column, spots in self.filled.items()},
            hidden_rows=None if self.hidden_rows is None else self.hidden_rows[keep],
        )


def column_letter(column: int) -> str:
    """Letters of a column counted from 0: A, B, ..., Z, AA."""
    letters = ""
    number = column + 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def cells_of(values: list[str] | tuple[str, ...]) -> pd.Series:
    """Texts as one column of cells."""
    return pd.Series(list(values), dtype="str")
