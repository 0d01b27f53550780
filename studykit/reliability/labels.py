"""Names of targets and raters: codes at once, names only when somebody asks for one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, overload

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Codes = NDArray[np.intp]


class Labels(Sequence[str]):
    """The distinct values of a column as names; fifty thousand of them are not written out to be counted."""

    __slots__ = ("_found",)

    def __init__(self, found: pd.Index | np.ndarray) -> None:
        self._found = found

    def __len__(self) -> int:
        return len(self._found)

    @overload
    def __getitem__(self, place: int) -> str: ...
    @overload
    def __getitem__(self, place: slice[Any, Any, Any]) -> tuple[str, ...]: ...
    def __getitem__(self, place: int | slice[Any, Any, Any]) -> str | tuple[str, ...]:
        if isinstance(place, slice):
            return tuple(_written(self._found[place]))
        return _written(self._found[[place]])[0]

    def __iter__(self) -> Iterator[str]:
        return iter(_written(self._found))


def labels_of(rows: pd.DataFrame, columns: Sequence[str]) -> tuple[Codes, Sequence[str]]:
    """Codes by first appearance and labels of what the columns name together; 1 and "1" are one label."""
    codes, found = _factorized(rows[columns[0]])
    if len(columns) == 1 and found.dtype != object:
        return codes, Labels(found)
    names = _written(found)
    for column in columns[1:]:
        more, others = pd.factorize(rows[column])
        codes, pairs = pd.factorize(codes.astype(np.int64) * len(others) + more)
        names = [f"{names[pair // len(others)]} {others[pair % len(others)]}" for pair in pairs]
    if found.dtype == object and len(set(names)) < len(names):
        again, distinct = pd.factorize(pd.Series(names))
        return np.asarray(again[codes], dtype=np.intp), tuple(map(str, distinct))
    return np.asarray(codes, dtype=np.intp), tuple(names)


def _factorized(column: pd.Series) -> tuple[Codes, pd.Index | np.ndarray]:
    """Codes by first appearance; whole numbers that only rise need no table of what was seen."""
    if column.dtype == np.int64 and len(column):
        values = column.to_numpy()
        first = np.empty(len(values), dtype=bool)
        first[0] = True
        np.not_equal(values[1:], values[:-1], out=first[1:])
        if bool((values[1:] >= values[:-1]).all()):
            return np.cumsum(first) - 1, values[first]
    codes, found = pd.factorize(column)
    return np.asarray(codes, dtype=np.intp), found


def value_in_words(value: object) -> str:
    """A value of a cell as a person wrote it: text in quotation marks, a number without the name of its type."""
    plain = value.item() if isinstance(value, np.generic) else value
    return repr(plain) if isinstance(plain, str) else str(plain)


def _written(found: pd.Index | np.ndarray) -> list[str]:
    names: list[str] = np.asarray(found).astype(str).tolist()
    return names
