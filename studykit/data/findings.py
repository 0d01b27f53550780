"""Findings: every problem in the data as one frame that a person can work through, one line a cell."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
import pandas as pd

from studykit.vocabulary import FINDING_COLUMNS

POSITION = "position"
"""Internal column: position of the row in its gathered table, or -1 when the finding is about no single row."""
PLACE_COLUMNS = ("file", "sheet", "row")


def no_findings() -> pd.DataFrame:
    """A findings frame without a line."""
    return _empty_frame().copy()


@cache
def _empty_frame() -> pd.DataFrame:
    columns = {name: pd.Series(dtype="str") for name in FINDING_COLUMNS}
    columns["row"] = pd.Series(dtype="Int64")
    columns[POSITION] = pd.Series(dtype="int64")
    return pd.DataFrame(columns)


def found(
    places: pd.DataFrame,
    positions: np.ndarray,
    *,
    table: str,
    column: str | Sequence[str],
    values: Sequence[object],
    rule: str,
    severity: str,
    message: str | Sequence[str],
    what_to_do: str,
) -> pd.DataFrame:
    """Findings about rows of one gathered table.

    Args:
        places: one line per row of the table with the columns `file`, `sheet`, `row`.
        positions: (m,) positions of the rows concerned.
        column: heading as the person sees it, one for all or one each.
        values: (m,) the cells as they stand; written as text.
        message: one sentence for all or one each.

    Returns:
        frame of m lines with `FINDING_COLUMNS` and `position`.
    """
    if len(positions) == 0:
        return no_findings()
    where = places.iloc[positions]
    lines = pd.DataFrame(
        {
            "table": table,
            "file": where["file"].to_numpy(),
            "sheet": where["sheet"].to_numpy(),
            "row": where["row"].to_numpy(),
            "column": column if isinstance(column, str) else list(column),
            "value": ["" if value is None or value is pd.NA else str(value) for value in values],
            "rule": rule,
            "severity": severity,
            "message": message if isinstance(message, str) else list(message),
            "what_to_do": what_to_do,
            POSITION: np.asarray(positions, dtype=np.int64),
        }
    )
    return lines.astype({"row": "Int64"})


def found_in_file(
    *,
    table: str,
    file: str,
    sheet: str = "",
    row: int | None = None,
    column: str = "",
    value: str = "",
    rule: str,
    severity: str,
    message: str,
    what_to_do: str,
) -> pd.DataFrame:
    """One finding about a file, a sheet or a heading, not about a row of data."""
    line = {
        "table": table,
        "file": file,
        "sheet": sheet,
        "row": pd.array([row], dtype="Int64"),
        "column": column,
        "value": value,
        "rule": rule,
        "severity": severity,
        "message": message,
        "what_to_do": what_to_do,
        POSITION: np.array([-1], dtype=np.int64),
    }
    return pd.DataFrame(line)


def joined(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """All findings in one frame."""
    filled = [frame for frame in frames if len(frame)]
    return pd.concat(filled, ignore_index=True) if filled else no_findings()


def without_values(findings: pd.DataFrame) -> pd.DataFrame:
    """The shareable form: where and which rule, but nothing that was written in a cell, nor a sentence quoting it."""
    return findings.drop(columns=["value", "message", POSITION], errors="ignore")
