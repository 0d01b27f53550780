"""Which rows of a frame a model uses, and as what it reads each column; nothing is dropped in silence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches

import numpy as np
import pandas as pd

from studykit.errors import DataError, DesignError
from studykit.formatting import counted


@dataclass(frozen=True, slots=True)
class ModelRows:
    """The rows that a model is fitted to.

    Attributes:
        frame: complete rows of the columns that are used, with the caller's index; text, booleans and categories as
            categoricals without unused levels, numbers as floats.
        notes: what was left out, which reference levels hold, which levels were unused: a sentence each.
    """

    frame: pd.DataFrame
    notes: tuple[str, ...]


def check_columns(frame: pd.DataFrame, names: Sequence[str]) -> None:
    """Refuse names that the frame does not have, and guess what was meant.

    Raises:
        DataError: a column is missing, or two columns share a name.
    """
    if not isinstance(frame, pd.DataFrame):
        raise DataError(f"The data are a {type(frame).__name__}; give a pandas DataFrame with one row per measurement.")
    for name in names:
        if name not in frame.columns:
            close = get_close_matches(str(name), [str(column) for column in frame.columns], n=1)
            guess = f" Did you mean {close[0]!r}?" if close else ""
            listed = ", ".join(repr(str(column)) for column in list(frame.columns)[:12])
            raise DataError(f"There is no column {name!r} in the data.{guess} The columns are {listed}.")
        if isinstance(frame[name], pd.DataFrame):
            raise DataError(f"The data have {frame[name].shape[1]} columns named {name!r}; keep one.")


def model_rows(frame: pd.DataFrame, *, outcome: str, predictors: Sequence[str], groups: Sequence[str]) -> ModelRows:
    """Complete rows of the columns a model uses, each column read as what it is.

    Args:
        frame: the caller's data; it is not changed.
        outcome: the numeric outcome.
        predictors: columns of the formula, in the order in which they occur.
        groups: columns whose values only say which rows belong together.

    Raises:
        DataError: a column is missing; the outcome is not a number; a predictor is a date or not finite; no complete
            row is left.
        DesignError: the outcome is the same in every row.
    """
    used = list(dict.fromkeys([outcome, *predictors, *groups]))
    check_columns(frame, used)
    complete, notes = _complete(frame[used])
    columns = {}
    for name in used:
        if name == outcome:
            columns[name] = _outcome(complete[name])
        elif name in predictors:
            columns[name], said = _predictor(complete[name], frame[name])
            notes = [*notes, *said]
        else:
            columns[name] = complete[name]
    return ModelRows(frame=pd.DataFrame(columns, index=complete.index), notes=tuple(notes))


def _complete(frame: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    missing = frame.isna()
    lost = missing.any(axis=1)
    if not lost.any():
        if frame.empty:
            raise DataError("The data have no rows.")
        return frame, []
    counts = ", ".join(f"{name!r} in {int(count)}" for name, count in missing.sum().items() if count)
    complete = frame.loc[~lost.to_numpy()]
    if complete.empty:
        raise DataError(f"No row is complete: missing are {counts} of {len(frame)} rows.")
    first = frame.index[int(np.flatnonzero(lost.to_numpy())[0])]
    count = int(lost.sum())
    note = (
        f"{count} of {len(frame)} rows {'was' if count == 1 else 'were'} left out because a value is missing "
        f"({counts}; first: row {first!r})."
    )
    return complete, [note]


def _outcome(values: pd.Series) -> pd.Series:
    if pd.api.types.is_bool_dtype(values.dtype) or not pd.api.types.is_numeric_dtype(values.dtype):
        raise DataError(f"The outcome {values.name!r} is {_kind(values)}, not numbers; convert it first.")
    numbers = _finite(values)
    if numbers.min() == numbers.max():
        raise DesignError(
            f"The outcome {values.name!r} is {numbers.iloc[0]:g} in all {len(numbers)} rows; without spread there is "
            "nothing to model."
        )
    return numbers


def _finite(values: pd.Series) -> pd.Series:
    """The numbers as they are, whole ones as int64 and others as float64."""
    numbers = values.astype("int64" if pd.api.types.is_integer_dtype(values.dtype) else "float64")
    infinite = ~np.isfinite(numbers.to_numpy())
    if infinite.any():
        first = numbers.index[int(np.flatnonzero(infinite)[0])]
        raise DataError(
            f"The column {values.name!r} holds {counted(int(infinite.sum()), 'infinite value')} (first: row {first!r})."
        )
    return numbers


def _kind(values: pd.Series) -> str:
    if pd.api.types.is_bool_dtype(values.dtype):
        return "true or false"
    if isinstance(values.dtype, pd.CategoricalDtype):
        return "categories"
    if pd.api.types.is_datetime64_any_dtype(values.dtype) or pd.api.types.is_timedelta64_dtype(values.dtype):
        return "dates or times"
    return "text"


def _predictor(values: pd.Series, all_values: pd.Series) -> tuple[pd.Series, list[str]]:
    """Numbers as floats; categories, booleans and text as a categorical whose first level is the reference."""
    dtype = values.dtype
    if pd.api.types.is_datetime64_any_dtype(dtype) or pd.api.types.is_timedelta64_dtype(dtype):
        raise DataError(f"The column {values.name!r} holds dates or times; give days or weeks as a number.")
    if pd.api.types.is_numeric_dtype(dtype) and not pd.api.types.is_bool_dtype(dtype):
        return _finite(values), []
    notes = []
    if isinstance(dtype, pd.CategoricalDtype):
        present = [level for level in dtype.categories if (values == level).any()]
        unused = [level for level in dtype.categories if level not in present]
        if unused:
            notes.append(f"{values.name!r} has levels without a row that is used: {', '.join(map(repr, unused))}.")
        why = "its first category"
    else:
        present = sorted(values.unique(), key=str)
        gone = [level for level in all_values.dropna().unique() if level not in set(present)]
        if gone:
            notes.append(f"{values.name!r} has levels only in rows that were left out: {', '.join(map(repr, gone))}.")
        why = "first in alphabetical order; make the column categorical to choose another"
    notes.append(f"The reference level of {values.name!r} is {present[0]!r} ({why}).")
    return pd.Series(
        pd.Categorical(values.astype(object), categories=present), index=values.index, name=values.name
    ), notes
