"""The spread of individual responses: the formulas by hand, an F test as second route, and what shrinks a change."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from studykit.errors import CallError
from studykit.numerics.individual_response import (
    estimated_spread,
    expected_regression,
    pooled_variance,
    response_spread,
    shrunken_towards,
    signed_root,
)


def test_normal_interval_by_hand() -> None:
    """Variances 9 and 4 on 23 degrees of freedom: 5 -+ 1.96 sqrt(2 (81 + 16) / 23)."""
    found = response_spread(9.0, 23, 4.0, 23, interval="normal")
    reach = 1.959963984540054 * np.sqrt(2.0 * 97.0 / 23.0)
    assert (found.variance, found.low, found.high) == pytest.approx((5.0, 5.0 - reach, 5.0 + reach), rel=1e-12)
    assert found.sd == pytest.approx(np.sqrt(5.0))
    assert found.sd_low == pytest.approx(-np.sqrt(reach - 5.0))


@pytest.mark.parametrize(("df", "other_df"), [(5, 5), (23, 11), (9, 60), (200, 7)])
@pytest.mark.parametrize("confidence", [0.8, 0.95])
def test_lower_limit_is_zero_where_an_f_test_is_at_its_limit(df: int, other_df: int, confidence: float) -> None:
    """Second route: the interval is the F test turned round at zero (Ting et al. 1990)."""
    tail = (1.0 - confidence) / 2.0
    for probability, limit in ((1.0 - tail, "low"), (tail, "high")):
        ratio = float(stats.f.ppf(probability, df, other_df))
        found = response_spread(3.0 * ratio, df, 3.0, other_df, confidence=confidence)
        # Quantiles of two libraries agree to 1e-12; a difference of numbers up to some hundreds is taken.
        assert getattr(found, limit) == pytest.approx(0.0, abs=1e-8 * (1.0 + ratio))


@given(st.floats(0.1, 50), st.floats(0.1, 50), st.integers(2, 80), st.integers(2, 80))
def test_interval_holds_the_estimate_and_turns_round(one: float, other: float, df: int, other_df: int) -> None:
    found, back = response_spread(one, df, other, other_df), response_spread(other, other_df, one, df)
    assert found.low <= found.variance <= found.high
    assert back.variance == -found.variance
    # The same sums in another order, squared and rooted: 1e-9 of variances up to 50 with few degrees of freedom.
    assert back.low == pytest.approx(-found.high, rel=1e-9, abs=1e-9)


def test_without_a_control_spread_the_interval_is_that_of_one_variance() -> None:
    found = response_spread(6.0, 10, 0.0, 30)
    assert found.low == pytest.approx(10 * 6.0 / stats.chi2.ppf(0.975, 10), rel=1e-12)
    assert found.high == pytest.approx(10 * 6.0 / stats.chi2.ppf(0.025, 10), rel=1e-12)


def test_interval_holds_the_truth_as_often_as_it_says() -> None:
    """Exact coverage by integration over both chi-squares, variances 4 and 1 on 11 and 23 degrees of freedom."""
    grid = (np.arange(400) + 0.5) / 400.0
    one, other = 4.0 * stats.chi2.ppf(grid, 11) / 11.0, stats.chi2.ppf(grid, 23) / 23.0
    hits = [
        found.low <= 3.0 <= found.high
        for a in one[::4]
        for b in other[::4]
        for found in [response_spread(a, 11, b, 23)]
    ]
    # An approximate interval: Ting et al. report coverage near the level; a grid of 100 x 100 is good to half a point.
    assert np.mean(hits) == pytest.approx(0.95, abs=0.01)


def test_variances_estimated_otherwise_have_the_interval_of_mean_squares_as_uncertain() -> None:
    """Of two sample variances it is the very interval; a constant taken from both variances moves nothing."""
    plain = response_spread(9.0, 23, 4.0, 11)
    errors = (9.0 * np.sqrt(2.0 / 23), 4.0 * np.sqrt(2.0 / 11))
    found = estimated_spread(5.0, errors[0], 23, errors[1], 11)
    assert (found.variance, found.low, found.high) == pytest.approx((5.0, plain.low, plain.high), rel=1e-12)
    moved = estimated_spread(2.0, errors[0], 23, errors[1], 11)
    assert (moved.low, moved.high) == pytest.approx((plain.low - 3.0, plain.high - 3.0), rel=1e-12)


def test_signed_root_keeps_the_sign() -> None:
    assert (signed_root(4.0), signed_root(-2.25), signed_root(0.0)) == (2.0, -1.5, 0.0)


def test_pooled_variance_is_weighted_by_degrees_of_freedom() -> None:
    assert pooled_variance(np.array([2.0, 8.0]), np.array([10.0, 20.0])) == (6.0, 30.0)


def test_expected_regression_is_that_of_a_bivariate_normal() -> None:
    """Second route: conditional mean of the second reading given the first, correlation 0.8, mean 40."""
    assert expected_regression(-5.0, 0.8) == pytest.approx((40.0 + 0.8 * -5.0) - 35.0, rel=1e-12)
    assert expected_regression(5.0, 1.0) == 0.0


def test_shrunken_changes_are_the_best_linear_guess() -> None:
    """Second route: the weight that makes the expected squared error of a normal true change least, searched for."""
    true_variance, error_variance = 3.0, 2.0

    def risk(weight: float) -> float:
        return (1.0 - weight) ** 2 * true_variance + weight**2 * error_variance

    best = optimize.minimize_scalar(risk, bounds=(0.0, 1.0), method="bounded", options={"xatol": 1e-9}).x
    shrunken, weight = shrunken_towards(np.array([1.0, 5.0]), 2.0, error_variance, true_variance + error_variance)
    assert weight == pytest.approx(best, abs=1e-6)  # a search along a parabola ends within the root of 1e-16
    assert shrunken == pytest.approx([2.0 - weight, 2.0 + 3.0 * weight], rel=1e-12)
    assert shrunken_towards(np.array([1.0]), 2.0, 5.0, 4.0)[1] == 0.0
    assert shrunken_towards(np.array([2.0]), 2.0, 0.0, 0.0)[1] == 0.0


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(CallError, match="at least one degree of freedom"):
        response_spread(1.0, 0, 1.0, 10)
    with pytest.raises(CallError, match="allowed are 'mean squares', 'normal'"):
        response_spread(1.0, 5, 1.0, 10, interval="other")
