"""Power for means: published numbers, statsmodels as a second route, and simulated trials."""

from __future__ import annotations

import math

import numpy as np
import pytest
from published import published
from scipy import stats
from statsmodels.stats.power import FTestAnovaPower, TTestIndPower

from studykit.errors import CallError
from studykit.numerics.planning import means

SIMULATED = 4000


def test_printed_numbers_of_cohen():
    assert means.two_arm_size(0.5, 1.0) == (published("cohen_1988_t_d50")["printed"]["n"],) * 2
    spread = 0.25 * math.sqrt(1.5)
    assert means.several_arms_size([-spread, 0.0, spread], 1.0) == published("anova_f25_k3")["printed"]["n"]


def test_unrounded_number_of_cohen():
    n = published("cohen_1988_t_d50")["computed"]["n_exact"]
    # The reference's root search stopped within about 1e-7 of the power.
    assert means.two_arm_power(n, n, 0.5, 1.0) == pytest.approx(0.8, abs=1e-7)


@pytest.mark.parametrize("case", published("borm_2007_ancova")["computed"])
def test_analysis_of_covariance_as_in_the_reference(case):
    d, rho = case["d"], case["rho"]
    assert means.ancova_size_approximate(d, 1.0, rho) == pytest.approx(case["n_per_group_normal"], rel=1e-10)
    n = case["n_per_group_exact_F"]
    # The reference's root search stopped within about 1e-7 of the power.
    assert means.ancova_power(n, n, d, 1.0, rho, exact=False) == pytest.approx(0.8, abs=1e-7)
    # The t test's number times 1 - rho^2, which the paper recommends, is one participant short at most.
    control, treated = means.ancova_size(d, 1.0, rho, exact=False)
    assert control == treated
    assert 0 <= control - case["n_ceiling"] <= 1


@pytest.mark.parametrize(
    ("n", "ratio", "d", "alpha"), [(20, 1.0, 0.9, 0.05), (12, 2.0, 1.1, 0.01), (150, 1.5, 0.3, 0.1)]
)
def test_two_arms_by_statsmodels(n, ratio, d, alpha):
    other = TTestIndPower().power(effect_size=d, nobs1=n, ratio=ratio, alpha=alpha)
    assert means.two_arm_power(n, n * ratio, d * 2.5, 2.5, alpha=alpha) == pytest.approx(other, rel=1e-9)


@pytest.mark.parametrize(("arms", "n", "f"), [(3, 20, 0.4), (5, 12, 0.35)])
def test_several_arms_by_statsmodels(arms, n, f):
    mu = np.linspace(-1.0, 1.0, arms)
    mu *= f / math.sqrt(np.mean((mu - mu.mean()) ** 2))
    other = FTestAnovaPower().power(effect_size=f, nobs=n * arms, alpha=0.05, k_groups=arms)
    assert means.several_arms_power(np.full(arms, n), mu, 1.0) == pytest.approx(other, rel=1e-8)


def test_two_arms_are_several_arms():
    assert means.two_arm_power(11, 17, 1.2, 1.5) == pytest.approx(
        means.several_arms_power([11, 17], [0.0, 1.2], 1.5), rel=1e-9
    )


def test_a_line_over_two_doses_is_a_comparison_of_two_arms():
    assert means.slope_power([0.0, 4.0], [11, 17], 0.3, 1.5) == pytest.approx(
        means.two_arm_power(11, 17, 1.2, 1.5), rel=1e-12
    )


def test_the_exact_analysis_of_covariance_in_simulated_trials():
    rng, n, rho, d = np.random.default_rng(21), 8, 0.6, 1.2
    arm = np.repeat([0.0, 1.0], n)
    base = rng.normal(size=(SIMULATED, 2 * n))
    y = rho * base + math.sqrt(1 - rho**2) * rng.normal(size=base.shape) + d * arm
    found = 0
    for x1, outcome in zip(base, y, strict=True):
        x = np.column_stack([np.ones(2 * n), arm, x1])
        beta, rss, *_ = np.linalg.lstsq(x, outcome, rcond=None)
        se = math.sqrt(rss[0] / (2 * n - 3) * np.linalg.inv(x.T @ x)[1, 1])
        found += abs(beta[1] / se) > stats.t.ppf(0.975, 2 * n - 3)
    share = found / SIMULATED
    error = math.sqrt(share * (1 - share) / SIMULATED)
    exact = means.ancova_power(n, n, d, 1.0, rho)
    # Four Monte Carlo standard errors; the usual formula is too hopeful with eight participants in an arm.
    assert exact == pytest.approx(share, abs=4 * error)
    assert means.ancova_power(n, n, d, 1.0, rho, exact=False) > exact


def test_the_line_over_doses_in_simulated_trials():
    rng, n, doses = np.random.default_rng(4), 6, np.array([0.0, 6.0, 12.0, 24.0])
    d = np.repeat(doses, n)
    y = 0.09 * d + 1.8 * rng.normal(size=(SIMULATED, d.size))
    centred = d - d.mean()
    slope = y @ centred / (centred @ centred)
    rest = y - y.mean(axis=1, keepdims=True) - slope[:, None] * centred
    se = np.sqrt((rest**2).sum(axis=1) / (d.size - 2) / (centred @ centred))
    share = float(np.mean(np.abs(slope / se) > stats.t.ppf(0.975, d.size - 2)))
    error = math.sqrt(share * (1 - share) / SIMULATED)
    assert means.slope_power(doses, [n] * 4, 0.09, 1.8) == pytest.approx(share, abs=4 * error)


def test_no_effect_leaves_alpha():
    assert float(means.power_of_t(0.0, 7.0, alpha=0.05)) == pytest.approx(0.05, abs=1e-12)
    assert means.power_of_f(0.0, 3.0, 20.0) == pytest.approx(0.05, abs=1e-12)


def test_numbers_found_are_the_smallest():
    control, treated = means.two_arm_size(4.0, 6.0, power=0.9, ratio=2.0)
    assert treated == 2 * control
    assert means.two_arm_power(control, treated, 4.0, 6.0) >= 0.9
    assert means.two_arm_power(control - 1, 2 * (control - 1), 4.0, 6.0) < 0.9
    n = means.slope_size([0.0, 6.0, 12.0], 0.2, 4.0)
    assert (
        means.slope_power([0.0, 6.0, 12.0], [n - 1] * 3, 0.2, 4.0)
        < 0.8
        <= means.slope_power([0.0, 6.0, 12.0], [n] * 3, 0.2, 4.0)
    )


def test_design_effect_of_two_limbs_is_the_variance_of_their_mean():
    between, within = 5.0, 2.0
    rho = between / (between + within)
    # Variance of the mean of two limbs, over that of the mean of two independent ones.
    assert means.design_effect(2, rho) == pytest.approx((between + within / 2) / ((between + within) / 2), rel=1e-12)


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        (lambda: means.two_arm_size(0.0, 1.0), "no study can find an effect of zero"),
        (lambda: means.two_arm_size(1.0, 1.0, power=1.0), "A power of 1 cannot be had"),
        (lambda: means.two_arm_size(1.0, -1.0), "The SD within arms is -1"),
        (lambda: means.two_arm_size(1.0, 1.0, ratio=0.0), "The ratio of the arms is 0"),
        (lambda: means.ancova_size(1.0, 1.0, 1.0), "between -1 and 1"),
        (lambda: means.several_arms_size([2.0, 2.0], 1.0), "no study can find an effect of zero"),
        (lambda: means.slope_size([3.0, 3.0], 1.0, 1.0), "between doses is 0"),
        (lambda: means.design_effect(0, 0.5), "0 limbs"),
        (lambda: means.design_effect(2, 1.5), "correlation of two limbs is 1.5"),
    ],
)
def test_an_impossible_wish_gets_a_sentence(wish, words):
    with pytest.raises(CallError, match=words):
        wish()
