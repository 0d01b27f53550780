"""Parquet files: typed columns as cells with a kind; typed does not mean trusted, every cell is still read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from studykit.data.reading.sheet import DATE, NUMBER, TEXT, TIME, YES_NO, Sheet
from studykit.errors import DataError


def read_parquet(path: Path) -> Sheet:
    """Read a parquet file; its first row is row 2, as if the headings stood above it.

    A null, and a NaN in a column of numbers, is an empty cell. A row that holds nothing is left out.

    Raises:
        DataError: the file is damaged, or a column holds neither text, numbers, dates nor yes/no.
    """
    try:
        table = pq.read_table(path)
    except (pa.ArrowException, OSError) as error:
        raise DataError(f"{path.name} is no parquet file that can be read ({type(error).__name__}).") from None
    if not table.column_names:
        raise DataError(f"{path.name} is empty.")
    columns = [_column(path.name, name, column) for name, column in zip(table.column_names, table.columns, strict=True)]
    held = np.zeros(table.num_rows, dtype=bool)
    for cells, _ in columns:
        held |= (cells.str.strip() != "").to_numpy()
    last = int(np.flatnonzero(held)[-1]) if held.any() else -1
    rows = np.arange(2, table.num_rows + 2, dtype=np.int64)
    whole = Sheet(
        file=path.name,
        sheet="",
        headings=tuple(name.strip() for name in table.column_names),
        cells=tuple(cells for cells, _ in columns),
        kinds=tuple(None if kind == TEXT else np.full(table.num_rows, kind, dtype=np.uint8) for _, kind in columns),
        rows=rows,
        blank=tuple(rows[: last + 1][~held[: last + 1]].tolist()),
    )
    return whole.kept(held)


def _column(file: str, name: str, column: pa.ChunkedArray) -> tuple[pd.Series, int]:
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    kind = column.type
    if pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_null(kind):
        return _filled(column.cast(pa.large_string())), TEXT
    if pa.types.is_boolean(kind):
        return _filled(pc.utf8_upper(column.cast(pa.large_string()))), YES_NO
    if pa.types.is_integer(kind):
        return _filled(column.cast(pa.large_string())), NUMBER
    if pa.types.is_decimal(kind) or pa.types.is_floating(kind):
        return _numbers(column.cast(pa.float64())), NUMBER
    if pa.types.is_date(kind):
        return _filled(pc.strftime(column, format="%Y-%m-%d").cast(pa.large_string())), DATE
    if pa.types.is_timestamp(kind) and kind.tz is None:
        words = pc.strftime(column.cast(pa.timestamp("s"), safe=False), format="%Y-%m-%d %H:%M:%S")
        words = pc.replace_substring_regex(words.cast(pa.large_string()), " 00:00:00$", "")
        return _filled(words), DATE
    if pa.types.is_time(kind) or pa.types.is_duration(kind) or pa.types.is_timestamp(kind):
        return _filled(column.cast(pa.large_string())), TIME
    raise DataError(f"{file}: column {name!r} holds {kind}; store text, numbers, dates or yes/no.")


def _numbers(column: pa.ChunkedArray) -> pd.Series:
    """Numbers as the shortest text that gives them back exactly; whole ones without a point."""
    values = column.to_numpy()
    codes, different = pd.factorize(values)
    words = [str(int(one)) if one.is_integer() and abs(one) < 1e15 else repr(float(one)) for one in different.tolist()]
    return pd.Series([*words, ""], dtype="str").take(codes).reset_index(drop=True)


def _filled(words: pa.ChunkedArray) -> pd.Series:
    return pd.Series(pd.array(pc.fill_null(words, ""), dtype="str"))
