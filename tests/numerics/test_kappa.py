"""Kappa: published tables, exact fractions, invariance, degenerate tables."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from studykit.errors import CallError, DataError, DesignError
from studykit.numerics.kappa import cross_table, distortion, kappa

REFERENCE = Path(__file__).parents[1] / "reference"
EXPECTED = json.loads((REFERENCE / "expected" / "kappa_sexualfun.json").read_text())
FORMULA = 1e-10  # the reference is the same formula at 15 digits


@pytest.mark.parametrize(
    ("weights", "part"), [("none", "unweighted"), ("linear", "linear_weights"), ("quadratic", "quadratic_weights")]
)
def test_four_ordered_categories_equal_the_reference(weights: str, part: str) -> None:
    reference = EXPECTED["formulas"][part]
    got = kappa(EXPECTED["formulas"]["table"], weights=weights)
    for mine, theirs in (
        ("value", "kappa"),
        ("observed", "po"),
        ("expected", "pe"),
        ("se", "ase_fleiss_cohen_everitt"),
        ("se_null", "se_under_H0"),
    ):
        assert float(getattr(got, mine)) == pytest.approx(reference[theirs], rel=FORMULA), mine
    interval = [reference["ci95"]["lower"], reference["ci95"]["upper"]]
    assert [float(got.low), float(got.high)] == pytest.approx(interval, rel=FORMULA)


def test_weights_of_cohen_1968() -> None:
    """Cohen (1968), Psychol. Bull. 70, 213-220: kappa 0.492, weighted 0.348 with disagreement weights 0, 1, 3, 6."""
    example = EXPECTED["cohen_1968_example"]
    table = 200 * np.array(example["table"])
    disagreement = np.array(example["disagreement_weights"])
    assert float(kappa(table).value) == pytest.approx(0.492, abs=0.0005)
    weighted = float(kappa(table, weights=1.0 - disagreement / 6.0).value)
    assert weighted == pytest.approx(0.348, abs=0.0005)
    assert weighted == pytest.approx(example["weighted"], rel=FORMULA)


def test_two_by_two_in_fractions() -> None:
    # 20 + 15 agree of 50; margins 25/25 and 30/20: expected (25*30 + 25*20)/2500 = 1/2; kappa (7/10 - 1/2)/(1/2)
    got = kappa([[20, 5], [10, 15]])
    assert float(got.value) == pytest.approx(float((Fraction(7, 10) - Fraction(1, 2)) / Fraction(1, 2)), rel=1e-14)
    for weights in ("linear", "quadratic"):  # with two categories there is one kappa
        assert float(kappa([[20, 5], [10, 15]], weights=weights).value) == pytest.approx(0.4, rel=1e-14)
    bent = distortion([[20, 5], [10, 15]])
    assert bent.prevalence == pytest.approx(0.1, rel=1e-12)
    assert bent.bias == pytest.approx(0.1, rel=1e-12)
    assert bent.adjusted == pytest.approx(0.4, rel=1e-12)
    assert bent.largest_share == pytest.approx(0.55, rel=1e-12)


def test_large_sample_error_agrees_with_the_spread_of_simulated_kappas() -> None:
    """Second route to the standard error: 20,000 multinomial tables of 400; Monte Carlo error of an SD is 0.5 %."""
    shares = np.array([[0.42, 0.06, 0.02], [0.05, 0.2, 0.05], [0.02, 0.05, 0.13]])
    tables = np.random.default_rng(9).multinomial(400, shares.ravel(), size=20_000).reshape(-1, 3, 3)
    for weights in ("none", "linear", "quadratic"):
        drawn = kappa(tables, weights=weights).value
        assert float(kappa(400 * shares, weights=weights).se) == pytest.approx(float(np.std(drawn)), rel=0.02)


counts = arrays(np.float64, (3, 3), elements=st.integers(0, 12).map(float)).filter(
    lambda t: (t.sum(axis=0) > 0).sum() > 1 and (t.sum(axis=1) > 0).sum() > 1
)


@given(counts)
def test_swapping_raters_or_reversing_grades_changes_nothing(table: np.ndarray) -> None:
    for weights in ("none", "linear", "quadratic"):
        here = kappa(table, weights=weights)
        for other in (table.T, table[::-1, ::-1]):
            there = kappa(other, weights=weights)
            assert float(there.value) == pytest.approx(float(here.value), rel=1e-9, abs=1e-12)
            assert float(there.se) == pytest.approx(float(here.se), rel=1e-6, abs=1e-7)  # root of a difference


@given(counts, st.permutations(range(3)))
def test_relabelling_changes_unweighted_kappa_only(table: np.ndarray, order: list[int]) -> None:
    shuffled = table[order][:, order]
    assert float(kappa(shuffled).value) == pytest.approx(float(kappa(table).value), rel=1e-9, abs=1e-12)


def test_perfect_agreement_and_one_category() -> None:
    perfect = kappa([[7, 0], [0, 5]])
    assert (float(perfect.value), float(perfect.se), float(perfect.low)) == (1.0, 0.0, 1.0)
    single = kappa([[12, 0], [0, 0]])
    assert np.isnan(float(single.value))
    assert np.isnan(float(single.low))


def test_cross_table_counts_pairs() -> None:
    assert cross_table([0, 1, 1, 2], [0, 1, 2, 2], 3).tolist() == [[1, 0, 0], [0, 1, 1], [0, 0, 1]]


def test_refusals() -> None:
    with pytest.raises(DataError, match="as many rows"):
        kappa([[1, 2, 3], [4, 5, 6]])
    with pytest.raises(DataError, match="empty"):
        kappa([[0, 0], [0, 0]])
    with pytest.raises(DesignError, match="one category"):
        kappa([[3]])
    with pytest.raises(CallError, match="allowed are"):
        kappa([[1, 2], [3, 4]], weights="cubic")
