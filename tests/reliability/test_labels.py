"""Names of targets are the same whether they are written out or kept as found."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from studykit.reliability.labels import Labels, labels_of, value_in_words


@pytest.mark.parametrize(
    "column",
    [
        pd.Series([3, 1, 3, 2]),
        pd.Series([1, 2, 1, 4]),
        pd.Series(["b", "a", "b", "c"]),
        pd.Series(["b", "a", "b", "c"], dtype="category"),
        pd.Series([1.5, -2.0, 1.5, 4.0]),
        pd.Series(pd.to_datetime(["2026-01-02", "2026-01-01", "2026-01-02", "2026-01-03"])),
    ],
)
def test_lazy_labels_are_the_texts_of_the_values_by_first_appearance(column: pd.Series) -> None:
    codes, labels = labels_of(pd.DataFrame({"who": column}), ["who"])
    assert isinstance(labels, Labels)
    assert codes.tolist() == [0, 1, 0, 2]
    texts = np.asarray(pd.unique(column)).astype(str).tolist()
    assert [*labels] == texts
    assert [labels[i] for i in range(len(labels))] == texts
    assert labels[1:] == tuple(texts[1:])
    assert texts[1] in labels


def test_whole_numbers_that_only_rise_are_told_apart_without_a_table() -> None:
    codes, labels = labels_of(pd.DataFrame({"who": [-4, -4, 0, 7, 7, 7, 9]}), ["who"])
    assert codes.tolist() == [0, 0, 1, 2, 2, 2, 3]
    assert list(labels) == ["-4", "0", "7", "9"]
    assert len(labels_of(pd.DataFrame({"who": pd.Series([], dtype="int64")}), ["who"])[1]) == 0


def test_a_number_and_its_text_are_one_label_in_a_mixed_column() -> None:
    codes, labels = labels_of(pd.DataFrame({"who": pd.Series([1, "1", "2"], dtype=object)}), ["who"])
    assert codes.tolist() == [0, 0, 1]
    assert list(labels) == ["1", "2"]


def test_columns_together_name_a_limb() -> None:
    rows = pd.DataFrame({"who": ["a", "a", "b"], "side": ["left", "right", "left"]})
    codes, labels = labels_of(rows, ["who", "side"])
    assert codes.tolist() == [0, 1, 2]
    assert list(labels) == ["a left", "a right", "b left"]


def test_a_value_is_shown_as_it_was_written() -> None:
    assert [value_in_words(v) for v in ("about 30", np.float64(7.0), np.inf, 3)] == ["'about 30'", "7.0", "inf", "3"]
