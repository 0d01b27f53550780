"""Agreement of several raters on categories: published values, counting by hand, leaving one target out."""

from __future__ import annotations

import json
from fractions import Fraction
from itertools import permutations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from studykit.errors import CallError, DesignError
from studykit.numerics.agreement import agreement, category_counts

REFERENCE = Path(__file__).parents[1] / "reference"
FORMULA = 1e-10  # the reference is the same formula at 15 digits

# 12 targets by 4 raters, 5 categories, 0 = not rated; a table much used for ratings with gaps
FOUR_RATERS = np.array(
    [
        [1, 1, 0, 1],
        [2, 2, 3, 2],
        [3, 3, 3, 3],
        [3, 3, 3, 3],
        [2, 2, 2, 2],
        [1, 2, 3, 4],
        [4, 4, 4, 4],
        [1, 1, 2, 1],
        [2, 2, 2, 2],
        [0, 5, 5, 5],
        [0, 0, 1, 1],
        [0, 0, 3, 0],
    ]
)


def test_six_psychiatrists_of_fleiss() -> None:
    """Fleiss (1971), Psychol. Bull. 76, 378-382: kappa 0.430."""
    expected = json.loads((REFERENCE / "expected" / "fleiss_kappa_1971.json").read_text())["result"]
    table = pd.read_csv(REFERENCE / "data" / "fleiss_1971_diagnoses.csv").iloc[:, 1:]
    codes = table.apply(lambda column: pd.Categorical(column, expected["categories"]).codes).to_numpy()
    got = agreement(category_counts(codes, 5), statistic="fleiss")
    assert got.value == pytest.approx(0.430, abs=0.0005)
    for mine, theirs in (
        ("value", "kappa"),
        ("observed", "P_obs"),
        ("expected", "P_exp"),
        ("se_null", "se_fleiss_nee_landis_1979"),
        ("se_original", "se_fleiss_1971_original"),
    ):
        assert getattr(got, mine) == pytest.approx(expected[theirs], rel=FORMULA), mine


def test_table_with_gaps_as_published() -> None:
    """AC1 0.77544, SE 0.14295 and Fleiss' kappa 0.76117, SE 0.15302 (published example, from memory)."""
    counts = category_counts(FOUR_RATERS - 1, 5)
    first, fleiss = agreement(counts, statistic="gwet"), agreement(counts, statistic="fleiss")
    assert (first.value, first.se) == pytest.approx((0.77544, 0.14295), abs=0.000005)
    assert (fleiss.value, fleiss.se) == pytest.approx((0.76117, 0.15302), abs=0.000005)
    assert (first.targets, first.targets_compared) == (12, 11)
    assert np.isnan(fleiss.se_null)  # defined for equal numbers of ratings


def test_observed_agreement_counts_pairs_of_raters() -> None:
    codes = np.array([[0, 0, 1], [1, 1, 1], [2, 1, 0], [2, 2, -1]])
    shares = []
    for row in codes:
        rated = [c for c in row if c >= 0]
        pairs = list(permutations(range(len(rated)), 2))
        shares.append(Fraction(sum(rated[i] == rated[j] for i, j in pairs), len(pairs)))
    got = agreement(category_counts(codes, 3), statistic="percent")
    assert got.value == pytest.approx(float(sum(shares) / 4), rel=1e-14)


def test_first_order_coefficient_in_fractions() -> None:
    # two raters, 10 targets: both yes 7, both no 1, split 2; shares 8/10 and 2/10
    counts = np.array([[2, 0]] * 7 + [[0, 2]] + [[1, 1]] * 2)
    observed, share = Fraction(8, 10), Fraction(8, 10)
    chance = 2 * share * (1 - share)
    got = agreement(counts, statistic="gwet")
    assert got.value == pytest.approx(float((observed - chance) / (1 - chance)), rel=1e-14)


@pytest.mark.parametrize("weights", ["none", "linear", "quadratic"])
@pytest.mark.parametrize("statistic", ["fleiss", "gwet", "percent"])
def test_linearised_error_agrees_with_leaving_one_target_out(statistic: str, weights: str) -> None:
    """Second route to the standard error. Both are first-order: at 300 targets they differ by terms of order 1/300."""
    rng = np.random.default_rng(11)
    truth = rng.integers(0, 3, 300)
    codes = np.where(rng.random((300, 3)) < 0.7, truth[:, None], rng.integers(0, 3, (300, 3)))
    counts = category_counts(codes, 3)
    got = agreement(counts, statistic=statistic, weights=weights)
    left_out = [agreement(np.delete(counts, i, 0), statistic=statistic, weights=weights).value for i in range(300)]
    jackknife = np.sqrt(299 / 300 * np.sum((np.array(left_out) - np.mean(left_out)) ** 2))
    assert got.se == pytest.approx(float(jackknife), rel=0.01)


codes = arrays(np.int64, (8, 3), elements=st.integers(0, 3))


@given(codes, st.permutations(range(8)), st.permutations(range(3)))
def test_order_of_targets_and_raters_does_not_matter(table: np.ndarray, rows: list[int], columns: list[int]) -> None:
    for statistic in ("gwet", "percent"):
        here = agreement(category_counts(table, 4), statistic=statistic)
        there = agreement(category_counts(table[rows][:, columns], 4), statistic=statistic)
        assert there.value == pytest.approx(here.value, rel=1e-12, abs=1e-14)
        assert there.se == pytest.approx(here.se, rel=1e-9, abs=1e-12)


@given(codes, st.permutations(range(4)))
def test_renaming_categories_does_not_matter_without_weights(table: np.ndarray, names: list[int]) -> None:
    here = agreement(category_counts(table, 4), statistic="gwet")
    there = agreement(category_counts(np.array(names)[table], 4), statistic="gwet")
    assert there.value == pytest.approx(here.value, rel=1e-12, abs=1e-14)


def test_all_in_one_category_leaves_fleiss_undefined_and_gwet_at_one() -> None:
    counts = np.array([[3, 0]] * 6)
    assert np.isnan(agreement(counts, statistic="fleiss").value)
    assert agreement(counts, statistic="gwet").value == 1.0


def test_high_prevalence_lowers_kappa_but_not_gwet() -> None:
    counts = np.array([[2, 0]] * 92 + [[0, 2]] * 2 + [[1, 1]] * 6)
    assert agreement(counts, statistic="percent").value == pytest.approx(0.94)
    assert agreement(counts, statistic="fleiss").value < 0.4
    assert agreement(counts, statistic="gwet").value > 0.9


def test_refusals() -> None:
    with pytest.raises(DesignError, match="Rated by two raters or more: 1 of the targets"):
        agreement([[1, 1], [1, 0]], statistic="gwet")
    with pytest.raises(CallError, match="4 categories are numbered"):
        category_counts([[0, 4]], 4)
    with pytest.raises(CallError, match="statistic"):
        agreement([[1, 1], [2, 0]], statistic="alpha")
