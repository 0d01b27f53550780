"""The import log: one line for every cell whose content was changed, and for every row that was left out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from studykit.data.reading.sheet import Sheet
from studykit.vocabulary import LOG_COLUMNS


def log_lines(
    table: str,
    sheet: Sheet,
    rows: Sequence[int] | npt.NDArray[np.int64],
    *,
    heading: str,
    before: Sequence[str] | pd.Series | str,
    after: Sequence[str] | npt.NDArray[np.object_] | str,
    why: Sequence[str] | npt.NDArray[np.object_] | str,
) -> pd.DataFrame:
    """One line each for rows of a sheet, as a person counts them; a single text holds for all."""
    if not len(rows):
        return _NOTHING
    index = range(len(rows))

    def column(content: Sequence[str] | pd.Series | npt.NDArray[np.object_] | str) -> pd.Series:
        words = content if isinstance(content, str) else np.asarray(content, dtype=object)
        return pd.Series(words, index=index, dtype="str")

    lines = pd.DataFrame(
        {
            "table": column(table),
            "file": column(sheet.file),
            "sheet": column(sheet.sheet),
            "row": pd.Series(np.asarray(rows, dtype=np.int64), index=index, dtype="Int64"),
            "column": column(heading),
            "before": column(before),
            "after": column(after),
            "why": column(why),
        }
    )
    return lines[list(LOG_COLUMNS)]


def one_log(logs: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """All lines in one frame."""
    filled = [log for log in logs if len(log)]
    if filled:
        return pd.concat(filled, ignore_index=True)
    return _NOTHING.copy()


_NOTHING = pd.DataFrame({name: pd.Series(dtype="Int64" if name == "row" else "str") for name in LOG_COLUMNS})
