"""Whole columns: each different word is read once, and the result is that of reading every cell."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from studykit.data.intake.converting import DTYPES, Sort, combined, convert
from studykit.data.intake.words import CellRules, read_date, read_number, read_text, read_whole_number, read_yes_no
from studykit.data.reading.sheet import NUMBER, TEXT, cells_of

READERS = {
    "text": read_text,
    "number": read_number,
    "whole number": read_whole_number,
    "yes or no": read_yes_no,
    "date": read_date,
}
WORDS = st.one_of(
    st.text(max_size=12),
    st.from_regex(r"[+-]?[0-9]{1,18}([.,][0-9]{1,18})?", fullmatch=True),
    st.from_regex(r"[0-9]{1,4}[-/.][0-9]{1,2}[-/.][0-9]{1,4}", fullmatch=True),
    st.sampled_from(["", " ", "yes", "No", "NA", "x", "\u22125", "nan"]),
)


@pytest.mark.parametrize("sort", list(READERS))
@given(words=st.lists(WORDS, min_size=1, max_size=20), mark=st.sampled_from([".", ","]), numeric=st.booleans())
def test_a_column_is_what_its_cells_are(sort: Sort, words: list[str], mark: str, numeric: bool) -> None:
    if numeric:
        words = [repr(float(len(word))) for word in words]
    kind = NUMBER if numeric else TEXT
    rules = CellRules(decimal_mark=mark, missing_words=frozenset({"NA"}), codes={"x": "7"})
    column = convert(cells_of(words), np.full(len(words), kind, dtype=np.uint8) if numeric else None, sort, rules)
    one_by_one = [READERS[sort](word, kind, rules) for word in words]
    assert column.values.dtype == DTYPES[sort]
    expected = [outcome.value for outcome in one_by_one]
    if sort == "number":  # the two routes parse the same digits, so the doubles are equal to the last bit
        np.testing.assert_array_equal(column.values.to_numpy(), np.array(expected, dtype=float))
    else:
        assert [None if missing else got for got, missing in zip(column.values, column.values.isna(), strict=True)] == [
            np.datetime64(value, "us") if sort == "date" and value is not None else value for value in expected
        ]
    assert column.refused.tolist() == [at for at, outcome in enumerate(one_by_one) if outcome.problem is not None]
    assert column.changed.tolist() == [at for at, outcome in enumerate(one_by_one) if outcome.after is not None]
    assert column.after.tolist() == [outcome.after for outcome in one_by_one if outcome.after is not None]
    assert column.empty.tolist() == [outcome.value is None and outcome.problem is None for outcome in one_by_one]


def test_an_empty_column_has_its_type() -> None:
    for sort, dtype in DTYPES.items():
        assert convert(cells_of([]), None, sort, CellRules()).values.dtype == dtype


def test_parts_under_different_rules_come_back_in_their_places() -> None:
    odd = convert(cells_of(["1,5", "x"]), None, "number", CellRules(decimal_mark=","))
    even = convert(cells_of(["2.5", "y"]), None, "number", CellRules())
    both = combined([(np.array([1, 3]), odd), (np.array([0, 2]), even)], 4, "number")
    np.testing.assert_array_equal(both.values.to_numpy(), [2.5, 1.5, np.nan, np.nan])
    assert both.refused.tolist() == [2, 3]
    assert both.changed.tolist() == [1]
    assert both.after.tolist() == ["1.5"]
