"""A column of words becomes a column of values: each different word is read once, so a million rows cost little."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from studykit.data.intake.words import (
    NEEDS_TIDYING,
    CellRules,
    Outcome,
    read_date,
    read_number,
    read_text,
    read_whole_number,
    read_yes_no,
)
from studykit.data.reading.sheet import NUMBER, TEXT, Kinds

Sort = Literal["text", "number", "whole number", "yes or no", "date"]
"""What a column holds."""
DTYPES: Final[dict[Sort, str]] = {
    "text": "str",
    "number": "float64",
    "whole number": "Int64",
    "yes or no": "boolean",
    "date": "datetime64[us]",
}

_READERS: Final[dict[Sort, Callable[[str, int, CellRules], Outcome]]] = {
    "text": read_text,
    "number": read_number,
    "whole number": read_whole_number,
    "yes or no": read_yes_no,
    "date": read_date,
}
_PLAIN_NUMBER = r"[+-]?[0-9]{1,15}(\.[0-9]+)?"
_PLAIN_WHOLE = r"[+-]?[0-9]{1,15}"


@dataclass(frozen=True, slots=True)
class Converted:
    """A column after conversion; all positions count the cells of the column from 0.

    Attributes:
        values: (n,) of the dtype in `DTYPES`; missing where the cell is empty or was refused.
        empty: (n,) True where nothing was recorded; a refused cell is not empty.
        changed: positions of cells whose content was changed; `after` and `why` are aligned with it.
        refused: positions of cells that could not be read; `problems` is aligned with it.
    """

    values: pd.Series
    empty: npt.NDArray[np.bool_]
    changed: npt.NDArray[np.int64]
    after: npt.NDArray[np.object_]
    why: npt.NDArray[np.object_]
    refused: npt.NDArray[np.int64]
    problems: npt.NDArray[np.object_]


def convert(cells: pd.Series, kinds: Kinds | None, sort: Sort, rules: CellRules) -> Converted:
    """Read every cell of a column.

    Args:
        cells: (n,) texts, "" for an empty cell.
        kinds: (n,) kinds of `studykit.data.reading.sheet`, or None when all are text.
        sort: what the column holds.
        rules: what the protocol declares for it.
    """
    words, word_kinds, codes = _distinct(cells, kinds)
    outcomes, plain_values = _read_words(words, word_kinds, sort, rules)
    return _spread(outcomes, plain_values, words, codes, sort)


def combined(parts: list[tuple[npt.NDArray[np.int64], Converted]], length: int, sort: Sort) -> Converted:
    """One column from parts that were read under different rules; each part comes with its positions."""
    if len(parts) == 1:
        return parts[0][1]
    values = pd.Series(index=range(length), dtype=DTYPES[sort])
    empty = np.zeros(length, dtype=bool)
    for spots, part in parts:
        values.iloc[spots] = part.values.to_numpy()
        empty[spots] = part.empty
    changed = np.concatenate([spots[part.changed] for spots, part in parts])
    refused = np.concatenate([spots[part.refused] for spots, part in parts])
    in_order, refused_order = np.argsort(changed, kind="stable"), np.argsort(refused, kind="stable")
    return Converted(
        values=values,
        empty=empty,
        changed=changed[in_order],
        after=np.concatenate([part.after for _, part in parts])[in_order],
        why=np.concatenate([part.why for _, part in parts])[in_order],
        refused=refused[refused_order],
        problems=np.concatenate([part.problems for _, part in parts])[refused_order],
    )


def _distinct(cells: pd.Series, kinds: Kinds | None) -> tuple[pd.Series, Kinds, npt.NDArray[np.int64]]:
    """The different cells, their kinds, and for each row the number of its cell among them."""
    codes, words = pd.factorize(cells)
    codes = np.asarray(codes, dtype=np.int64)
    unique = pd.Series(words, dtype="str")
    if kinds is None:
        return unique, np.full(len(unique), TEXT, dtype=np.uint8), codes
    pairs, inverse = np.unique(codes * 256 + kinds, return_inverse=True)
    return unique.iloc[pairs // 256].reset_index(drop=True), (pairs % 256).astype(np.uint8), inverse.astype(np.int64)


def _read_words(
    words: pd.Series, kinds: Kinds, sort: Sort, rules: CellRules
) -> tuple[dict[int, Outcome], npt.NDArray[np.float64] | None]:
    """Outcomes of the words that need thought, and the numbers that are plain (NaN elsewhere; None for other sorts)."""
    plain = np.zeros(len(words), dtype=bool)
    numbers = None
    special = words.isin([*rules.missing_words, *rules.codes]).to_numpy()
    if sort == "text":
        odd = words.str.contains(NEEDS_TIDYING, regex=True).to_numpy(dtype=bool)
        plain = ~odd & ~special & (kinds == TEXT) & (words != "").to_numpy()
    elif sort in ("number", "whole number") and rules.factor is None:
        pattern = _PLAIN_NUMBER if sort == "number" else _PLAIN_WHOLE
        plain = words.str.fullmatch(pattern).to_numpy(dtype=bool) & ~special
        plain &= kinds == NUMBER if rules.decimal_mark == "," and sort == "number" else np.isin(kinds, (TEXT, NUMBER))
        numbers = np.full(len(words), np.nan)
        numbers[plain] = words[plain].to_numpy(dtype=object).astype(np.float64)
    reader = _READERS[sort]
    thought = np.flatnonzero(~plain)
    outcomes = {
        int(at): reader(word, int(kinds[at]), rules) for at, word in zip(thought, words.iloc[thought], strict=True)
    }
    return outcomes, numbers


def _spread(
    outcomes: dict[int, Outcome],
    numbers: npt.NDArray[np.float64] | None,
    words: pd.Series,
    codes: npt.NDArray[np.int64],
    sort: Sort,
) -> Converted:
    count = len(words)
    empty, changed, refused = (np.zeros(count, dtype=bool) for _ in range(3))
    after, why, problems = (np.full(count, None, dtype=object) for _ in range(3))
    for at, outcome in outcomes.items():
        empty[at] = outcome.value is None and outcome.problem is None
        refused[at] = outcome.problem is not None
        changed[at] = outcome.after is not None
        after[at], why[at] = outcome.after, outcome.why
        problems[at] = outcome.problem
    values = _values(outcomes, numbers, words, sort)
    changed_rows, refused_rows = np.flatnonzero(changed[codes]), np.flatnonzero(refused[codes])
    return Converted(
        values=values.take(codes).reset_index(drop=True),
        empty=empty[codes],
        changed=changed_rows,
        after=after[codes[changed_rows]],
        why=why[codes[changed_rows]],
        refused=refused_rows,
        problems=problems[codes[refused_rows]],
    )


def _values(
    outcomes: dict[int, Outcome], numbers: npt.NDArray[np.float64] | None, words: pd.Series, sort: Sort
) -> pd.Series:
    """One value for each different word."""
    values = words.to_numpy(dtype=object, copy=True)
    if numbers is not None:
        values = numbers.astype(object) if sort == "whole number" else numbers.copy()
    for at, outcome in outcomes.items():
        values[at] = outcome.value
    if sort == "whole number":
        whole = [None if pd.isna(value) else int(value) for value in values]
        return pd.Series(pd.array(whole, dtype="Int64"))
    if sort == "yes or no":
        return pd.Series(pd.array(values, dtype="boolean"))
    if sort == "date":
        return pd.Series(values.astype("datetime64[us]"))
    return pd.Series(values, dtype=DTYPES[sort])
