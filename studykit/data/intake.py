"""The files of a study, read as the protocol declares them: nothing guessed, no change without a line in the log."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from studykit.data.findings import no_findings
from studykit.data.gathered import Gathered, RowCount, once_per_cell
from studykit.errors import DataError
from studykit.protocol import Protocol
from studykit.vocabulary import (
    COLUMNS,
    DATE_COLUMNS,
    LOG_COLUMNS,
    MEASUREMENTS,
    NUMBER_COLUMNS,
    PARTICIPANTS,
    WHOLE_NUMBER_COLUMNS,
    YES_NO_COLUMNS,
)

__all__ = ["Gathered", "RowCount", "gather", "once_per_cell"]


def gather(folder: Path, protocol: Protocol, *, progress: Callable[[str], None] | None = None) -> Gathered:
    """Read every table of a study from `folder`/data.

    Args:
        progress: called with one short sentence before each file.

    Raises:
        DataError: there is no folder `data`.
    """
    if not (folder / "data").is_dir():
        raise DataError(f"There is no folder 'data' in {folder.name!r}; put the study's files there.")
    tables = {name: _empty(table_columns(name, protocol), protocol) for name in COLUMNS}
    place_columns = {name: {"file": "str", "sheet": "str", "row": "int64"} for name in COLUMNS}
    place_columns[MEASUREMENTS]["value_heading"] = "str"
    if progress is not None:
        progress("reading")
    return Gathered(
        tables=tables,
        places={
            name: pd.DataFrame({k: pd.Series(dtype=t) for k, t in place_columns[name].items()}) for name in COLUMNS
        },
        headings={name: {column: column for column in frame.columns} for name, frame in tables.items()},
        texts={
            name: pd.DataFrame({k: pd.Series(dtype="str") for k in frame.columns}) for name, frame in tables.items()
        },
        log=pd.DataFrame({name: pd.Series(dtype="str") for name in LOG_COLUMNS}),
        findings=no_findings(),
        present=frozenset(),
        counts={name: RowCount() for name in COLUMNS},
    )


def table_columns(table: str, protocol: Protocol) -> tuple[str, ...]:
    """Columns of a table in this study."""
    return COLUMNS[table] + (tuple(protocol.covariates) if table == PARTICIPANTS else ())


def _empty(columns: tuple[str, ...], protocol: Protocol) -> pd.DataFrame:
    def dtype(column: str) -> str:
        if column in DATE_COLUMNS:
            return "datetime64[us]"
        if column in YES_NO_COLUMNS:
            return "boolean"
        if column in WHOLE_NUMBER_COLUMNS:
            return "Int64"
        numeric = column in protocol.covariates and protocol.covariates[column].kind == "number"
        return "float64" if column in NUMBER_COLUMNS or numeric else "str"

    return pd.DataFrame({column: pd.Series(np.array([]), dtype=dtype(column)) for column in columns})
