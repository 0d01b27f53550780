"""Mean squares: exact fractions on small tables, reference values, and what does not change them."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from studykit.errors import DataError, DesignError
from studykit.numerics.anova import (
    crossed_for_people,
    crossed_mean_squares,
    for_people,
    grouped_mean_squares,
    two_way_mean_squares,
)

REFERENCE = Path(__file__).parents[1] / "reference"
EXACT = 1e-12  # sums of a dozen small whole numbers: a few units in the last place

tables = arrays(np.float64, (5, 3), elements=st.integers(-60, 120).map(float))


def exact_two_way(rows: list[list[int]]) -> dict[str, Fraction]:
    """The four mean squares in fractions, written from the definitions."""
    n, k = len(rows), len(rows[0])
    x = [[Fraction(v) for v in row] for row in rows]
    grand = sum(sum(row) for row in x) / (n * k)
    row_mean = [sum(row) / k for row in x]
    col_mean = [sum(x[i][j] for i in range(n)) / n for j in range(k)]
    cells = [(i, j) for i in range(n) for j in range(k)]
    return {
        "rows": k * sum((m - grand) ** 2 for m in row_mean) / (n - 1),
        "columns": n * sum((m - grand) ** 2 for m in col_mean) / (k - 1),
        "within": sum((x[i][j] - row_mean[i]) ** 2 for i, j in cells) / (n * (k - 1)),
        "error": sum((x[i][j] - row_mean[i] - col_mean[j] + grand) ** 2 for i, j in cells) / ((n - 1) * (k - 1)),
    }


@pytest.mark.parametrize(
    "rows",
    [
        [[1, 2], [3, 5]],
        [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8]],
        [[41, 44, 39], [52, 50, 55], [38, 38, 41], [47, 46, 49]],
    ],
)
def test_two_way_mean_squares_equal_fractions(rows: list[list[int]]) -> None:
    ms = two_way_mean_squares(rows)
    for name, fraction in exact_two_way(rows).items():
        assert getattr(ms, name) == pytest.approx(float(fraction), rel=EXACT), name


def test_mean_squares_of_six_targets_by_four_judges_equal_the_reference() -> None:
    expected = json.loads((REFERENCE / "expected" / "icc_shrout_fleiss_1979.json").read_text())
    rows = np.loadtxt(REFERENCE / "data" / "shrout_fleiss_1979.csv", delimiter=",", skiprows=1)[:, 1:]
    ms = two_way_mean_squares(rows)
    table = expected["anova_formulas"]["anova"]
    for mine, theirs in (("rows", "MS_rows"), ("columns", "MS_cols"), ("within", "MS_within"), ("error", "MS_error")):
        assert getattr(ms, mine) == pytest.approx(table[theirs], rel=1e-10), mine  # formulas in print to 15 digits
    printed = expected["printed_in_paper"]  # Shrout & Fleiss 1979, table 3, two decimals
    assert float(ms.rows) == pytest.approx(printed["BMS"], abs=0.005)
    assert float(ms.error) == pytest.approx(printed["EMS"], abs=0.005)


def test_crossed_mean_squares_equal_the_goniometer_reference() -> None:
    expected = json.loads((REFERENCE / "expected" / "goniometer_eliasziw_1994.json").read_text())
    squares = expected["eliasziw_formulas"]["MS"]
    ms = crossed_mean_squares(goniometer())
    for mine, theirs in (
        ("targets", "subject"),
        ("raters", "rater"),
        ("interaction", "subject_x_rater"),
        ("error", "error"),
    ):
        assert float(getattr(ms, mine)) == pytest.approx(squares[theirs], rel=1e-10), mine
    assert ms.error_by_rater == pytest.approx(list(squares["error_by_rater"].values()), rel=1e-10)


def goniometer() -> np.ndarray:
    """Angles, 29 people x 2 goniometers x 3 trials, in degrees."""
    rows = np.genfromtxt(REFERENCE / "data" / "eliasziw_goniometer_1994.csv", delimiter=",", skip_header=1, dtype=str)
    table = np.empty((29, 2, 3))
    for subject, rater, trial, angle in np.char.strip(rows, '"'):
        table[int(subject) - 1, int(rater[1]) - 1, int(trial) - 1] = float(angle)
    return table


def test_grouped_mean_squares_of_unequal_groups_equal_fractions() -> None:
    values, groups = [1.0, 2.0, 4.0, 7.0, 9.0], [0, 0, 0, 1, 1]
    # group means 7/3 and 8, grand mean 23/5; between = 3 (7/3 - 23/5)^2 + 2 (8 - 23/5)^2 on 1 df
    between = 3 * (Fraction(7, 3) - Fraction(23, 5)) ** 2 + 2 * (8 - Fraction(23, 5)) ** 2
    within = (Fraction(4, 3) ** 2 + Fraction(1, 3) ** 2 + Fraction(5, 3) ** 2 + 2) / 3
    ms = grouped_mean_squares(values, groups)
    assert ms.between == pytest.approx(float(between), rel=EXACT)
    assert ms.within == pytest.approx(float(within), rel=EXACT)
    assert ms.divisor == pytest.approx((25 - 13) / 5, rel=EXACT)


@given(tables, st.integers(-10_000, 10_000))
def test_a_shift_of_the_zero_changes_no_mean_square(ratings: np.ndarray, offset: int) -> None:
    before, after = two_way_mean_squares(ratings), two_way_mean_squares(ratings + offset)
    for name in ("rows", "columns", "within", "error"):
        # whole numbers below 2^53 shift without rounding; means of 3 and 5 do round at the size of the offset
        assert float(getattr(after, name)) == pytest.approx(float(getattr(before, name)), rel=1e-9, abs=1e-18)


@given(tables, st.permutations(range(5)), st.permutations(range(3)))
def test_order_of_targets_and_raters_does_not_matter(ratings: np.ndarray, rows: list[int], columns: list[int]) -> None:
    before, after = two_way_mean_squares(ratings), two_way_mean_squares(ratings[rows][:, columns])
    for name in ("rows", "columns", "within", "error"):
        assert float(getattr(after, name)) == pytest.approx(float(getattr(before, name)), rel=1e-10, abs=1e-20)


@given(tables)
def test_sums_of_squares_add_up(ratings: np.ndarray) -> None:
    ms = two_way_mean_squares(ratings)
    within = float(ms.columns * ms.df_columns + ms.error * ms.df_error)
    assert within == pytest.approx(float(ms.within * ms.df_within), rel=1e-10, abs=1e-18)


def test_many_tables_at_once_equal_one_at_a_time() -> None:
    stack = np.random.default_rng(3).normal(50.0, 8.0, size=(4, 2, 6, 3))
    together = two_way_mean_squares(stack)
    for i in range(4):
        for j in range(2):
            alone = two_way_mean_squares(stack[i, j])
            assert float(together.error[i, j]) == pytest.approx(float(alone.error), rel=EXACT)
            assert float(together.rows[i, j]) == pytest.approx(float(alone.rows), rel=EXACT)


def test_raters_who_agree_to_the_digit_have_an_error_of_exactly_zero() -> None:
    angle = np.array([[47.1], [52.3], [38.9], [61.7]])
    ms = two_way_mean_squares(angle + np.array([0.0, 2.1, -1.3]))
    assert float(ms.error) == 0.0
    assert float(ms.columns) > 0.0
    assert float(two_way_mean_squares(np.repeat(angle, 3, axis=1)).within) == 0.0


@pytest.mark.parametrize(
    ("ratings", "words"),
    [([[1.0, 2.0]], "1 target"), ([[1.0], [2.0]], "1 rater"), (np.ones((4, 1)), "1 rater")],
)
def test_too_few_targets_or_raters_are_refused_in_words(ratings: list[list[float]], words: str) -> None:
    with pytest.raises(DesignError, match=words):
        two_way_mean_squares(ratings)


def test_missing_cells_and_text_are_refused_with_the_place() -> None:
    with pytest.raises(DataError, match=r"1 cells of the ratings are missing or infinite \(first at index \(1, 0\)\)"):
        two_way_mean_squares([[1.0, 2.0], [float("nan"), 3.0]])
    with pytest.raises(DataError, match="not a number"):
        two_way_mean_squares([["46", "about 50"], ["47", "48"]])


def test_mean_squares_for_people_keep_every_component() -> None:
    table = np.random.default_rng(8).normal(50, 9, (20, 1)) + np.random.default_rng(9).normal(0, 3, (20, 3))
    ms = two_way_mean_squares(table)
    fewer = for_people(ms, 10)
    assert (fewer.columns - fewer.error) / 10 == pytest.approx(float(ms.columns - ms.error) / 20, rel=1e-10)
    assert float(fewer.within) == pytest.approx(float(ms.within), rel=1e-12)
    assert (fewer.df_rows, fewer.df_error, fewer.df_within) == (9, 18, 20)
    crossed = crossed_mean_squares(goniometer())
    half = crossed_for_people(crossed, 15)
    assert float(half.raters - half.interaction) / 15 == pytest.approx(float(crossed.raters - crossed.interaction) / 29)
    assert half.n == 15


def test_groups_without_a_repeat_are_refused() -> None:
    with pytest.raises(DesignError, match="Every group has one value"):
        grouped_mean_squares([1.0, 2.0, 3.0], [0, 1, 2])
