"""EM against the full-information maximum likelihood of two references, and imputations against EM."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

from studykit.errors import DesignError
from studykit.numerics.imputation import completed_sets
from studykit.numerics.least_squares import least_squares
from studykit.numerics.normal_missing import fit_normal

REFERENCE = Path(__file__).parents[1] / "reference"


def nhanes() -> np.ndarray:
    return pd.read_csv(REFERENCE / "data" / "nhanes_mice.csv")[["age", "bmi", "hyp", "chl"]].to_numpy(dtype=float)


def beat_the_blues() -> np.ndarray:
    rows = pd.read_csv(REFERENCE / "data" / "BtheB.csv")
    treated = (rows["treatment"] == "BtheB").astype(float)
    visits = rows[["bdi.pre", "bdi.2m", "bdi.3m", "bdi.5m", "bdi.8m"]]
    return np.column_stack([treated, visits]).astype(float)


@pytest.mark.parametrize(("name", "make"), [("mi_nhanes", nhanes), ("mi_BtheB_ancova", beat_the_blues)])
def test_em_equals_full_information_maximum_likelihood(name: str, make: object) -> None:
    wanted = json.loads((REFERENCE / "expected" / f"{name}.json").read_text())["mvn_maximum_likelihood_FIML"]
    y = make()  # type: ignore[operator]
    fit = fit_normal(y)
    covariance = np.array(wanted["cov"]["values"])
    size = np.sqrt(np.diag(covariance))
    # Both are EM run until steps are below 1e-12 and 1e-14 of a standard deviation; at the rate of nhanes (0.8) a step
    # of 1e-12 leaves about 5e-12.
    assert fit.coefficients[0] == pytest.approx(np.array(list(wanted["mean"].values())), rel=1e-9)
    assert fit.covariance / np.outer(size, size) == pytest.approx(covariance / np.outer(size, size), abs=1e-9)
    assert fit.log_likelihood == pytest.approx(wanted["logLik"], rel=1e-11)


def test_complete_rows_are_multivariate_least_squares() -> None:
    rng = np.random.default_rng(4)
    z = np.column_stack([np.ones(30), rng.normal(0, 1, (30, 2))])
    y = z @ rng.normal(0, 1, (3, 4)) + rng.normal(0, 1, (30, 4))
    fit = fit_normal(y, z)
    ours = np.linalg.lstsq(z, y, rcond=None)[0]
    left = y - z @ ours
    assert fit.coefficients == pytest.approx(ours, abs=1e-10)
    assert fit.covariance == pytest.approx(left.T @ left / 30, abs=1e-10)


def test_a_second_route_by_direct_search() -> None:
    """The likelihood of two visits by a general search: the same optimum, to what a search without slopes can tell."""
    rng = np.random.default_rng(5)
    y = rng.multivariate_normal([50, 55], [[25, 15], [15, 36]], 40)
    y[:9, 1] = np.nan
    y[35:, 0] = np.nan
    fit = fit_normal(y)

    def minus(theta: np.ndarray) -> float:
        root = np.array([[np.exp(theta[2]), 0.0], [theta[3], np.exp(theta[4])]])
        sigma, total = root @ root.T, 0.0
        for row in y:
            seen = ~np.isnan(row)
            total += stats.multivariate_normal.logpdf(row[seen], theta[:2][seen], sigma[np.ix_(seen, seen)])
        return -total

    start = np.array([50, 55, np.log(5), 3.0, np.log(5)])
    best = optimize.minimize(minus, start, method="BFGS", options={"gtol": 1e-7})
    assert fit.log_likelihood == pytest.approx(-best.fun, abs=1e-8)
    assert fit.log_likelihood >= -best.fun - 1e-9
    assert fit.coefficients[0] == pytest.approx(best.x[:2], abs=1e-4)


def test_imputed_sets_hold_what_was_seen_and_depend_on_the_seed_alone() -> None:
    y = beat_the_blues()
    z = np.ones((len(y), 1))
    fit = fit_normal(y)
    one = completed_sets(y, z, fit, count=5, rng=np.random.default_rng(3))
    again = completed_sets(y, z, fit, count=5, rng=np.random.default_rng(3))
    other = completed_sets(y, z, fit, count=5, rng=np.random.default_rng(4))
    seen = ~np.isnan(y)
    assert np.array_equal(one, again)
    assert not np.array_equal(one, other)
    assert np.array_equal(one[:, seen], np.repeat(y[seen][None], 5, axis=0))
    assert not np.isnan(one).any()


def test_means_of_many_imputations_are_those_of_maximum_likelihood() -> None:
    """2,000 sets of BtheB: the mean of the completed means is the maximum-likelihood mean, within 4 Monte Carlo errors.

    Posterior means equal the maximum-likelihood means up to the skewness of the posterior, which is of the order of a
    posterior variance over n; 3 % of a standard deviation is allowed for it. The posterior mean of a covariance is
    larger than the estimate by about n / (n - q - p - 1) = 1.08 here, so correlations are compared.
    """
    y = beat_the_blues()
    fit = fit_normal(y)
    count = 2_000
    sets = completed_sets(y, np.ones((len(y), 1)), fit, count=count, rng=np.random.default_rng(12))
    size = np.sqrt(np.diag(fit.covariance))
    means = sets.mean(axis=1)
    error = means.std(axis=0, ddof=1) / np.sqrt(count)
    assert np.all(np.abs(means.mean(axis=0) - fit.coefficients[0]) < 4 * error + 0.03 * size)
    correlations = np.array([np.corrcoef(one.T) for one in sets])
    wanted = fit.covariance / np.outer(size, size)
    spread = correlations.std(axis=0, ddof=1) / np.sqrt(count)
    assert np.all(np.abs(correlations.mean(axis=0) - wanted) < 4 * spread + 0.03)


def test_the_share_of_missing_information_is_that_of_theory() -> None:
    """One visit missing completely at random for half the people and nothing to predict it from: the pooled mean is the
    mean of those seen and T is their variance over their number, as the theory says. The prior makes the posterior of a
    mean a t with n - 1 df whose variance is (n - 1)/(n - 3) of s2/n, hence 40 of 80 people: 39/37."""
    rng = np.random.default_rng(9)
    y = rng.normal(20, 4, (80, 1))
    y[40:] = np.nan
    fit = fit_normal(y)
    count = 4_000
    sets = completed_sets(y, np.ones((80, 1)), fit, count=count, rng=rng)[:, :, 0]
    seen = y[:40, 0]
    means = sets.mean(axis=1)
    within = sets.var(axis=1, ddof=1).mean() / 80
    between = means.var(ddof=1)
    # The total variance of 4,000 sets has a Monte Carlo error of about 3 %.
    assert within + between == pytest.approx(seen.var(ddof=1) / 40 * 39 / 37, rel=0.08)
    assert means.mean() == pytest.approx(seen.mean(), abs=4 * np.sqrt(between / count))


def test_regression_on_covariates_is_recovered() -> None:
    """A covariate predicts who is missing and how they did: imputed means follow it, complete people alone do not."""
    rng = np.random.default_rng(15)
    people = 400
    age = rng.normal(0, 1, people)
    y = np.column_stack([50 + rng.normal(0, 5, people), 55 + 3.0 * age + rng.normal(0, 3, people)])
    truth = y[:, 1].mean()
    y[age > 0.3, 1] = np.nan
    z = np.column_stack([np.ones(people), age])
    sets = completed_sets(y, z, fit_normal(y, z), count=200, rng=rng)
    assert sets[:, :, 1].mean() == pytest.approx(truth, abs=0.8)  # three standard errors of an extrapolated mean
    assert abs(np.nanmean(y[:, 1]) - truth) > 1.0
    slopes = [least_squares(one[:, 1], z).beta[1] for one in sets]
    assert np.mean(slopes) == pytest.approx(3.0, abs=0.9)


def test_too_few_people_are_refused() -> None:
    y = np.random.default_rng(1).normal(0, 1, (4, 4))
    y[0, 3] = np.nan
    with pytest.raises(DesignError, match="4 people are too few"):
        fit_normal(y)
    gone = np.random.default_rng(1).normal(0, 1, (9, 2))
    gone[:, 1] = np.nan
    with pytest.raises(DesignError, match="nobody has a reading"):
        fit_normal(gone)
    with pytest.raises(DesignError, match="no intercept"):
        fit_normal(np.random.default_rng(1).normal(0, 1, (9, 2)), np.arange(9.0)[:, None])
