"""Quantiles against scipy's distributions, intervals against printed values and by simulation-free checks."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, optimize, stats

from studykit.errors import CallError
from studykit.numerics import intervals


@given(st.floats(0.001, 0.999), st.floats(1.0, 400.0), st.floats(0.8, 400.0))
def test_f_quantile_and_tail_are_inverse(p: float, df1: float, df2: float) -> None:
    f = intervals.f_quantile(p, df1, df2)
    # inverse and direct incomplete beta functions of two libraries; 1 - p loses three digits at p = 0.999
    assert float(intervals.f_upper_tail(f, df1, df2)) == pytest.approx(1.0 - p, rel=1e-9)
    assert float(f) == pytest.approx(float(stats.f.ppf(p, df1, df2)), rel=1e-9)


def test_f_tail_at_the_ends() -> None:
    assert float(intervals.f_upper_tail(np.inf, 5, 10)) == 0.0
    assert float(intervals.f_upper_tail(0.0, 5, 10)) == 1.0


@pytest.mark.parametrize(("df", "noncentrality"), [(4, 4.4), (19, 8.8), (98, 19.5)])
@pytest.mark.parametrize("p", [0.025, 0.975])
def test_noncentral_t_quantile_by_quadrature(df: int, noncentrality: float, p: float) -> None:
    """P(T <= x) = integral over the scale u of Phi(x u - nc) times the density of chi/sqrt(df) at u."""

    def below(x: float) -> float:
        def part(u: float) -> float:
            return float(stats.norm.cdf(x * u - noncentrality) * 2 * df * u * stats.chi2.pdf(df * u * u, df))

        spread = 14 / np.sqrt(2 * df)
        return float(integrate.quad(part, max(0.0, 1 - spread), 1 + spread, epsabs=1e-14, epsrel=1e-12, limit=500)[0])

    root = optimize.brentq(lambda x: below(x) - p, noncentrality / 4, noncentrality * 6, xtol=1e-13)
    # quadrature reaches about 1e-12 in probability
    assert float(intervals.noncentral_t_quantile(p, df, noncentrality)) == pytest.approx(root, rel=1e-9)


def test_variance_interval_equals_the_chi_square_formula() -> None:
    low, high = intervals.variance_interval(4.0, 12, 0.9)
    assert float(low) == pytest.approx(12 * 4.0 / stats.chi2.ppf(0.95, 12), rel=1e-12)
    assert float(high) == pytest.approx(12 * 4.0 / stats.chi2.ppf(0.05, 12), rel=1e-12)


def test_sum_of_one_mean_square_has_the_exact_interval() -> None:
    assert np.array(intervals.mean_square_sum_interval([3.0], [7], 0.95)) == pytest.approx(
        np.array(intervals.variance_interval(3.0, 7, 0.95)), rel=1e-12
    )


def test_sum_of_two_equal_mean_squares_by_hand() -> None:
    g = 1 - 10 / stats.chi2.ppf(0.975, 10)
    low, _ = intervals.mean_square_sum_interval([2.0, 2.0], [10, 10], 0.95)
    assert float(low) == pytest.approx(4.0 - np.sqrt(2) * 2.0 * g, rel=1e-12)


def test_satterthwaite_df_of_equal_terms_adds_up_and_of_zeros_is_decided() -> None:
    assert float(intervals.satterthwaite_df([1.0, 1.0], [6, 6])) == pytest.approx(12.0)
    assert float(intervals.satterthwaite_df([1e-300, 0.0], [6, 9])) == pytest.approx(6.0)
    assert float(intervals.satterthwaite_df([0.0, 0.0], [6, 9])) == 15.0


@pytest.mark.parametrize(
    ("successes", "trials", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (0, 20, 0.0, 0.1611)],  # Newcombe (1998), Stat. Med. 17, 857-872, table I, 4 decimals
)
def test_wilson_interval_as_printed_by_newcombe(successes: int, trials: int, low: float, high: float) -> None:
    assert intervals.wilson_interval(successes, trials, 0.95) == pytest.approx((low, high), abs=0.00005)


def test_wilson_interval_of_all_ends_at_one() -> None:
    assert intervals.wilson_interval(20, 20, 0.95)[1] == 1.0
    with pytest.raises(CallError, match="no proportion"):
        intervals.wilson_interval(3, 2, 0.95)


@pytest.mark.parametrize(
    ("counts", "low", "high"),
    [
        ((56, 70, 48, 80), 0.0524, 0.3339),
        ((9, 10, 3, 10), 0.1705, 0.8090),
        ((6, 7, 2, 7), 0.0582, 0.8062),
        ((5, 56, 0, 29), -0.0381, 0.1926),
        ((0, 10, 0, 20), -0.1611, 0.2775),
        ((10, 10, 0, 20), 0.6791, 1.0000),
    ],
)
def test_difference_of_proportions_as_printed_by_newcombe(
    counts: tuple[int, int, int, int], low: float, high: float
) -> None:
    """Method 10 in table II of Newcombe (1998), Stat. Med. 17, 873-890, recalled from memory; four printed decimals."""
    assert intervals.newcombe_interval(*counts, 0.95) == pytest.approx((low, high), abs=0.00005)


@given(st.integers(0, 40), st.integers(1, 40), st.integers(0, 40), st.integers(1, 40), st.floats(0.6, 0.99))
def test_difference_of_proportions_stays_on_the_scale_holds_it_and_turns_round(
    hits: int, misses: int, other_hits: int, other_misses: int, confidence: float
) -> None:
    n, m = hits + misses, other_hits + other_misses
    low, high = intervals.newcombe_interval(hits, n, other_hits, m, confidence)
    # Sums of squares of numbers of one: rounding at 1e-16, 1e-12 leaves room for the root of a number near zero.
    assert -1.0 - 1e-12 <= low <= hits / n - other_hits / m + 1e-12
    assert hits / n - other_hits / m - 1e-12 <= high <= 1.0 + 1e-12
    back = intervals.newcombe_interval(other_hits, m, hits, n, confidence)
    assert back == pytest.approx((-high, -low), abs=1e-12)


def test_difference_of_proportions_equals_the_one_of_another_library() -> None:
    """statsmodels 0.15, confint_proportions_2indep(method="newcomb"): the same formula, written by others."""
    from statsmodels.stats.proportion import confint_proportions_2indep

    for counts in ((56, 70, 48, 80), (3, 24, 17, 24), (0, 12, 5, 30)):
        ours = intervals.newcombe_interval(*counts, 0.9)
        theirs = confint_proportions_2indep(*counts, method="newcomb", compare="diff", alpha=0.1)
        assert ours == pytest.approx(theirs, abs=1e-12)


def test_two_sided_z_and_its_refusal() -> None:
    assert intervals.two_sided_z(0.95) == pytest.approx(1.959963984540054, rel=1e-14)
    with pytest.raises(CallError, match="between 0 and 1"):
        intervals.two_sided_z(1.0)
