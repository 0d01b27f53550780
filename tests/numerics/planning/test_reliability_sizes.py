"""Sample sizes of reliability studies: published numbers, a second exact route, and simulated studies."""

from __future__ import annotations

import math

import numpy as np
import pytest
from published import published
from scipy import integrate, special, stats

from studykit.errors import CallError, DesignError
from studykit.numerics.anova import two_way_mean_squares
from studykit.numerics.kappa import kappa
from studykit.numerics.limits import limits
from studykit.numerics.planning import error_sizes, icc_sizes, kappa_sizes
from studykit.numerics.planning.wishes import smallest, with_loss


@pytest.mark.parametrize("case", published("walter_eliasziw_donner_1998_grid")["computed"])
def test_targets_to_test_an_icc_as_in_the_reference(case):
    # The reference's approximate numbers and exact powers come from R to 15 digits.
    rho0, rho1, n = case["rho0"], case["rho1"], case["n"]
    assert icc_sizes.icc_test_size_approximate(rho0, rho1, n) == pytest.approx(case["k_approx"], rel=1e-10)
    k = icc_sizes.icc_test_size(rho0, rho1, n)
    assert k == case["k_exact"]
    assert icc_sizes.icc_test_power(k, rho0, rho1, n) == pytest.approx(case["power_at_k"], rel=1e-10)
    assert icc_sizes.icc_test_power(k - 1, rho0, rho1, n) == pytest.approx(case["power_at_k_minus_1"], rel=1e-10)


@pytest.mark.parametrize("case", published("bonett_2002_grid")["computed"])
def test_targets_for_an_icc_width_as_in_the_reference(case):
    more = case["n_with_5rho_if_k2_and_rho_ge_0.7"]
    found = icc_sizes.icc_width_size_approximate(case["rho"], case["w"], case["k"])
    assert found - (5.0 * case["rho"] if more else 0.0) == pytest.approx(case["n_approx"], rel=1e-10)
    assert math.ceil(found) == (more or case["n_ceiling"])


def test_printed_example_of_bonett():
    entry = published("bonett_2002_example")
    # Printed to one decimal.
    assert icc_sizes.icc_width_size_approximate(0.85, 0.2, 4) == pytest.approx(entry["printed"]["n"], abs=0.05)


def test_power_of_the_icc_test_by_scipys_f_distribution():
    k, n, theta0, theta1 = 26, 3, 0.6 / 0.4, 0.8 / 0.2
    f = stats.f(k - 1, (k - 1) * (n - 1))
    power = f.sf((1 + n * theta0) / (1 + n * theta1) * f.ppf(0.95))
    assert icc_sizes.icc_test_power(k, 0.6, 0.8, n, form="consistency") == pytest.approx(power, rel=1e-10)


@pytest.mark.parametrize("form", icc_sizes.FORMS)
def test_expected_width_by_adaptive_quadrature(form):
    """The same integral over the density of F instead of over its quantiles."""
    k, n, rho = 15, 3, 0.8
    df2 = k * (n - 1) if form == "one-way" else (k - 1) * (n - 1)
    f = stats.f(k - 1, df2)
    lift = 1 + n * rho / (1 - rho)

    def width(x: float) -> float:
        down, up = lift * x / f.ppf(0.975), lift * x / f.ppf(0.025)
        return (up - 1) / (up + n - 1) - (down - 1) / (down + n - 1)

    mean, _ = integrate.quad(lambda x: width(x) * f.pdf(x), 0.0, np.inf, epsabs=1e-11)
    # Both integrals are good to about ten digits.
    assert icc_sizes.icc_expected_width(k, rho, n, form=form) == pytest.approx(mean, rel=1e-8)


def test_expected_width_in_simulated_studies():
    rng, k, n, rho = np.random.default_rng(11), 20, 3, 0.75
    target = np.sqrt(rho) * rng.normal(size=(4000, k, 1))
    ms = two_way_mean_squares(target + np.sqrt(1 - rho) * rng.normal(size=(4000, k, n)))
    f, (df1, df2) = ms.rows / ms.error, (k - 1, (k - 1) * (n - 1))
    down, up = f / stats.f.ppf(0.975, df1, df2), f / stats.f.ppf(0.025, df1, df2)
    widths = (up - 1) / (up + n - 1) - (down - 1) / (down + n - 1)
    error = widths.std() / np.sqrt(widths.size)
    # Four Monte Carlo standard errors.
    assert icc_sizes.icc_expected_width(k, rho, n, form="consistency") == pytest.approx(widths.mean(), abs=4 * error)


def test_exact_numbers_are_the_smallest_that_are_enough():
    n = icc_sizes.icc_width_size(0.85, 0.2, 4)
    assert icc_sizes.icc_expected_width(n, 0.85, 4) <= 0.2 < icc_sizes.icc_expected_width(n - 1, 0.85, 4)
    n = error_sizes.sem_size(0.3, 3)
    assert error_sizes.sem_relative_width(2 * n) <= 0.3 < error_sizes.sem_relative_width(2 * (n - 1))
    n = error_sizes.limit_size(2.0, 3.0)
    assert 3.0 * error_sizes.limit_width(n) <= 2.0 < 3.0 * error_sizes.limit_width(n - 1)
    n = kappa_sizes.kappa_width_size(0.6, 0.4, 0.5)
    assert kappa_sizes.kappa_expected_width(n, 0.6, 0.4) <= 0.5 < kappa_sizes.kappa_expected_width(n - 1, 0.6, 0.4)


def test_mean_of_an_sd_as_tabled():
    # Constants c4 of control charts for n = 2, 5, 10 (df + 1), to their four decimals (from memory).
    for n, c4 in ((2, 0.7979), (5, 0.9400), (10, 0.9727)):
        assert error_sizes.mean_of_sd(n - 1) == pytest.approx(c4, abs=5e-5)


def test_relative_width_of_an_sem_in_simulated_studies():
    rng, df = np.random.default_rng(3), 24
    s = np.sqrt(rng.chisquare(df, 200_000) / df)
    widths = s * (np.sqrt(df / stats.chi2.ppf(0.025, df)) - np.sqrt(df / stats.chi2.ppf(0.975, df)))
    # Four Monte Carlo standard errors.
    assert error_sizes.sem_relative_width(df) == pytest.approx(widths.mean(), abs=4 * widths.std() / np.sqrt(s.size))


def test_width_of_a_limit_as_the_analysis_computes_it():
    differences = np.random.default_rng(5).normal(size=(20_000, 15))
    found = limits(differences)
    widths = found.upper_high - found.upper_low
    # Four Monte Carlo standard errors.
    assert error_sizes.limit_width(15) == pytest.approx(widths.mean(), abs=4 * widths.std() / np.sqrt(widths.size))


def test_common_approximation_of_a_limit_uses_1_71():
    # Half width 1.96 x 1.71 s / sqrt(n): with 100 pairs 0.335 s, a width of 0.67 s (1.71 is rounded).
    assert error_sizes.limit_size_approximate(2 * 1.96 * 1.71 / 10.0, 1.0) == pytest.approx(100, rel=2e-3)


def test_kappa_of_the_planned_table_is_the_planned_kappa():
    table = kappa_sizes.planned_table(0.55, (0.2, 0.3, 0.5))
    assert table.sum() == pytest.approx(1.0, rel=1e-12)
    for weights in ("none", "linear", "quadratic"):
        assert float(kappa(table, weights=weights).value) == pytest.approx(0.55, rel=1e-12)


def test_unit_error_of_kappa_by_the_delta_method():
    """Fleiss, Cohen & Everitt's formula against numerical derivatives of kappa by the cells."""
    table = kappa_sizes.planned_table(0.6, (0.3, 0.7))
    slopes, step = np.zeros(4), 1e-6
    for cell in range(4):
        moved = table.ravel().copy()
        moved[cell] += step
        back = table.ravel().copy()
        back[cell] -= step
        up, down = (float(kappa((m / m.sum()).reshape(2, 2)).value) for m in (moved, back))
        slopes[cell] = (up - down) / (2 * step)
    p = table.ravel()
    variance = p @ slopes**2 - (p @ slopes) ** 2
    # Central differences with this step are good to about nine digits.
    assert kappa_sizes.kappa_unit_error(0.6, (0.3, 0.7)) == pytest.approx(math.sqrt(variance), rel=1e-7)


def test_exact_kappa_answers_in_simulated_studies():
    rng, n = np.random.default_rng(8), 40
    tables = rng.multinomial(n, kappa_sizes.planned_table(0.7, (0.4, 0.6)).ravel(), size=40_000).reshape(-1, 2, 2)
    found = kappa(tables.astype(float))
    above = (found.value - special.ndtri(0.95) * found.se > 0.4).mean()
    # Four Monte Carlo standard errors.
    assert kappa_sizes.kappa_test_power(n, 0.4, 0.7, 0.4) == pytest.approx(
        above, abs=4 * math.sqrt(above * (1 - above) / 40_000)
    )
    widths = 2 * special.ndtri(0.975) * found.se
    error = widths.std() / math.sqrt(widths.size)
    assert kappa_sizes.kappa_expected_width(n, 0.7, 0.4) == pytest.approx(widths.mean(), abs=4 * error)


def test_left_out_tables_weigh_nothing():
    weight = sum(float(part.sum()) for _, part in kappa_sizes._tables(60, kappa_sizes.planned_table(0.5, (0.3, 0.7))))
    # Three cells lose at most 2e-11 each.
    assert weight == pytest.approx(1.0, abs=1e-9)


def test_asymptotic_kappa_meets_the_exact_answer_in_large_samples():
    n = math.ceil(kappa_sizes.kappa_width_size_approximate(0.6, (0.5, 0.5), 0.2))
    # The standard error of kappa is right to order 1 / n: within 1 % at n = 246.
    assert kappa_sizes.kappa_expected_width(n, 0.6, 0.5) == pytest.approx(0.2, rel=0.01)


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        (lambda: icc_sizes.icc_test_size(0.6, 0.8, 2, power=1.0), "A power of 1 cannot be had"),
        (lambda: icc_sizes.icc_test_size(0.6, 0.8, 2, power=0.05), "no more than alpha"),
        (lambda: icc_sizes.icc_test_size(0.8, 0.8, 2), "the first must be 0 or more and below the second"),
        (lambda: icc_sizes.icc_test_size(0.6, 0.8, 1), "1 reading of each target"),
        (lambda: icc_sizes.icc_width_size(0.8, -0.1, 2), "The width of the interval is -0.1"),
        (lambda: error_sizes.sem_size(0.0, 2), "as a share of the SEM is 0; give a number above 0"),
        (lambda: error_sizes.limit_size(-1.0, 2.0), "The width of the interval is -1"),
        (lambda: error_sizes.limit_size(1.0, 0.0), "The SD of the differences is 0"),
        (lambda: kappa_sizes.kappa_test_size(0.7, 0.7, 0.5), "the first must be 0 or more and below the second"),
        (lambda: kappa_sizes.planned_table(0.7, (0.5, 0.6)), "sum to 1"),
        (lambda: with_loss(10, 1.0), "The share lost is 1"),
    ],
)
def test_an_impossible_wish_gets_a_sentence(wish, words):
    with pytest.raises(CallError, match=words):
        wish()


def test_a_wish_beyond_any_study_is_refused():
    with pytest.raises(DesignError, match="More than 1000000 targets would be needed"):
        error_sizes.sem_size(1e-4, 2)


def test_allowance_for_loss():
    assert with_loss(40, 0.2) == 50
    assert with_loss(40, 0.0) == 40
    assert with_loss(41, 0.2) == 52


def test_the_search_for_the_smallest_number():
    assert smallest(lambda n: n >= 37, low=2, what="things") == 37
    assert smallest(lambda n: n >= 1, low=2, what="things") == 2
    # 30 alone reaches, 33 and after do for good.
    assert smallest(lambda n: n == 30 or n >= 33, low=2, what="things", run=3) == 33


@pytest.mark.parametrize("guess", [1, 2, 3, 29, 30, 36, 37, 38, 90, 100, 101])
def test_a_guess_saves_looking_and_changes_no_answer(guess):
    assert smallest(lambda n: n >= 37, low=2, what="things", most=100, guess=guess) == 37
    assert smallest(lambda n: n >= 1, low=2, what="things", most=100, guess=guess) == 2
    assert smallest(lambda n: n == 30 or n >= 33, low=2, what="things", run=3, most=100, guess=guess) == 33
    with pytest.raises(DesignError, match="More than 100 things"):
        smallest(lambda n: n < 0, low=2, what="things", most=100, guess=guess)


def test_a_close_guess_takes_few_looks():
    looked = []
    assert smallest(lambda n: looked.append(n) or n >= 1000, low=2, what="things", guess=1003) == 1000
    assert len(looked) <= 6


def test_a_kappa_for_which_there_are_too_many_tables_is_refused_at_once():
    with pytest.raises(DesignError, match="plan with the asymptotic number"):
        kappa_sizes.kappa_width_size(0.6, 0.4, 0.02)
    with pytest.raises(DesignError, match="plan with the asymptotic number"):
        kappa_sizes.kappa_test_size(0.58, 0.6, 0.4)
