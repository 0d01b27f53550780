"""The second route: every quantity again with n x n matrices and general optimisers, on designs of random shapes."""

from __future__ import annotations

import numpy as np
import pytest
from dense_mixed_model import (
    best_of_dense,
    dense_kenward_roger,
    dense_p,
    dense_v,
    derivative_matrices,
    deviance,
    gls,
    random_design,
    random_slope_set,
)
from reference_mixed_models import CASES
from scipy import optimize, stats

from studykit.errors import DesignError
from studykit.numerics.mixed.fit import VarianceComponentsFit, fit_variance_components
from studykit.numerics.mixed.small_sample import kenward_roger, kenward_roger_df, kenward_roger_test
from studykit.numerics.mixed.terms import RandomTerm, intercept_by

# Deviances are sums of logarithms of n terms: the two routes round differently at 1e-12 of some hundreds; 1e-6 is the
# smallest gap that would move a fixed effect in its fifth digit, and a general optimiser ends within it.
SAME_DEVIANCE = 1e-6
# One linear solve after another: 1e-16 times condition numbers up to 1e6 of the dense V and its inverse.
SAME_NUMBER = 1e-8


def _fitted(seed: int, method: str = "reml") -> tuple[list[RandomTerm], VarianceComponentsFit, np.ndarray, np.ndarray]:
    y, x, terms = random_design(np.random.default_rng([7, seed]))
    return terms, fit_variance_components(y, x, terms, method=method), y, x


@pytest.mark.parametrize("seed", range(24))
def test_log_likelihood_and_fixed_effects_equal_the_dense_ones(seed):
    method = "reml" if seed % 2 else "ml"
    terms, fit, y, x = _fitted(seed, method)
    v = dense_v(terms, fit.covariances, fit.residual_variance)
    assert -2.0 * fit.log_likelihood == pytest.approx(deviance(y, x, v, reml=method == "reml"), abs=1e-8)
    beta, phi = gls(y, x, v)
    np.testing.assert_allclose(fit.beta, beta, rtol=SAME_NUMBER, atol=SAME_NUMBER * np.abs(beta).max())
    np.testing.assert_allclose(fit.phi, phi, rtol=SAME_NUMBER, atol=SAME_NUMBER * np.abs(phi).max())


@pytest.mark.parametrize("seed", range(16))
def test_kenward_roger_equals_the_formulas_of_the_paper(seed):
    terms, fit, _, x = _fitted(seed)
    dense = dense_kenward_roger(x, terms, fit.covariances, fit.residual_variance)
    ingredients = fit.ingredients()
    np.testing.assert_allclose(fit.parameter_covariance(), dense.w, rtol=1e-6, atol=1e-9 * np.abs(dense.w).max())
    adjusted = kenward_roger(ingredients)
    np.testing.assert_allclose(adjusted, dense.adjusted, rtol=1e-7, atol=1e-9 * np.abs(dense.adjusted).max())
    df = [
        2.0
        / sum(
            dense.w[i, j]
            * (dense.phi @ p_i @ dense.phi)[c, c]
            * (dense.phi @ p_j @ dense.phi)[c, c]
            / dense.phi[c, c] ** 2
            for i, p_i in enumerate(dense.p_matrices)
            for j, p_j in enumerate(dense.p_matrices)
        )
        for c in range(fit.p)
    ]
    np.testing.assert_allclose(kenward_roger_df(ingredients), df, rtol=1e-7)
    if fit.p >= 3:
        contrast = np.eye(fit.p)[:, 1:3]
        test = kenward_roger_test(ingredients, contrast)
        np.testing.assert_allclose([test.f, test.df2, test.scale], dense.test(fit.beta, contrast), rtol=1e-6)


@pytest.mark.parametrize("seed", [0, 4, 6, 11])
def test_observed_covariance_is_that_of_a_numerical_hessian(seed):
    terms, fit, y, x = _fitted(seed)
    assert not fit.boundary, "there the observed information is that of the factors"
    matrices = derivative_matrices(terms)
    sigma = np.linalg.lstsq(
        np.column_stack([m.ravel() for m in matrices]),
        dense_v(terms, fit.covariances, fit.residual_variance).ravel(),
        rcond=None,
    )[0]

    def at(values: np.ndarray) -> float:
        return deviance(y, x, sum(v * m for v, m in zip(values, matrices, strict=True)), reml=True)

    steps = 1e-3 * np.maximum(np.abs(sigma), 0.05 * sigma[-1])
    k = sigma.size
    hessian = np.empty((k, k))
    for i in range(k):
        for j in range(k):
            e_i, e_j = np.eye(k)[i] * steps[i], np.eye(k)[j] * steps[j]
            up, down = at(sigma + e_i + e_j) + at(sigma - e_i - e_j), at(sigma + e_i - e_j) + at(sigma - e_i + e_j)
            hessian[i, j] = (up - down) / (4.0 * steps[i] * steps[j])
    # Second differences with steps of 1e-3: truncation 1e-6 relative, rounding 1e-13 / 1e-6 in deviances of hundreds.
    observed, dense = fit.parameter_covariance(observed=True), 2.0 * np.linalg.inv(hessian)
    np.testing.assert_allclose(observed, dense, rtol=2e-3, atol=1e-4 * np.abs(sigma).max() ** 2)


@pytest.mark.parametrize("seed", range(12))
def test_predictions_residuals_and_leverage_equal_the_dense_ones(seed):
    terms, fit, y, x = _fitted(seed)
    v = dense_v(terms, fit.covariances, fit.residual_variance)
    p = dense_p(x, v)
    inverse = np.linalg.inv(v)
    score = p @ y
    for term, covariance, effects in zip(terms, fit.covariances, fit.random_effects(), strict=True):
        for place, level in enumerate(np.unique(term.codes)):
            z = term.columns * (term.codes == level)[:, None]
            np.testing.assert_allclose(effects.effects[place], covariance @ z.T @ score, atol=1e-8)
            given = covariance - covariance @ z.T @ inverse @ z @ covariance
            error = covariance - covariance @ z.T @ p @ z @ covariance
            np.testing.assert_allclose(effects.conditional_covariance[place], given, atol=1e-8)
            np.testing.assert_allclose(effects.error_covariance[place], error, atol=1e-8)
    s2 = fit.residual_variance
    np.testing.assert_allclose(fit.residuals("conditional"), s2 * score, atol=1e-9)
    np.testing.assert_allclose(fit.residuals("conditional"), y - fit.fitted(conditional=True), atol=1e-9)
    np.testing.assert_allclose(fit.residuals("marginal"), y - x @ fit.beta, atol=1e-12)
    np.testing.assert_allclose(
        fit.residuals("standardised"), s2 * score / np.sqrt(s2 * s2 * np.diag(p)), rtol=1e-7, atol=1e-9
    )
    leverage = fit.leverage()
    np.testing.assert_allclose(leverage.fixed, np.diag(x @ fit.phi @ x.T @ inverse), atol=1e-9)
    np.testing.assert_allclose(leverage.total, 1.0 - s2 * np.diag(p), atol=1e-9)
    assert leverage.fixed.sum() == pytest.approx(fit.p, rel=1e-10)


@pytest.mark.parametrize("seed", range(12))
def test_influence_is_that_of_deleting_rows_from_the_dense_model(seed):
    terms, fit, y, x = _fitted(seed)
    v = dense_v(terms, fit.covariances, fit.residual_variance)
    for codes in (terms[0].codes, np.random.default_rng(seed).integers(0, 4, y.size)):
        found = fit.influence(codes)
        for place, code in enumerate(found.codes):
            kept = codes != code
            if np.linalg.matrix_rank(x[kept]) < fit.p:
                assert np.isnan(found.cooks_distance[place])
                continue
            beta, phi = gls(y[kept], x[kept], v[np.ix_(kept, kept)])
            change = fit.beta - beta
            np.testing.assert_allclose(found.change[place], change, atol=1e-7 * np.abs(fit.beta).max())
            cook = change @ np.linalg.solve(fit.phi, change) / fit.p
            assert found.cooks_distance[place] == pytest.approx(cook, rel=1e-6, abs=1e-10)
            ratio = np.linalg.det(phi) / np.linalg.det(fit.phi)
            assert found.covariance_ratio[place] == pytest.approx(ratio, rel=1e-6)
            assert found.rows[place] == np.sum(~kept)


def test_refitted_influence_agrees_with_held_variances_where_variances_do_not_matter():
    # Balanced and complete: generalised least squares is least squares whatever the variances, before and after.
    rng = np.random.default_rng(5)
    person, week = np.repeat(np.arange(8), 4), np.tile(np.arange(4.0), 8)
    y = rng.normal(size=8)[person] + 0.3 * week + rng.normal(size=32)
    fit = fit_variance_components(y, np.column_stack([np.ones(32), week]), [intercept_by("person", person)])
    held, again = fit.influence(person), fit.influence(person, refit=True)
    assert again.refitted
    assert not held.refitted
    np.testing.assert_allclose(held.change, again.change, atol=1e-10)
    assert np.all(np.abs(held.covariance_ratio - again.covariance_ratio) > 1e-6)


@pytest.mark.parametrize("name", ["Dyestuff", "Machines, unbalanced"])
def test_profile_limits_have_the_deviance_they_should(name):
    """At each limit the ML deviance, minimised over everything else by a general optimiser, has risen by 3.84."""
    case = CASES[name]()
    fit = fit_variance_components(case.y, case.x, case.terms, method="ml")
    target = -2.0 * fit.log_likelihood + stats.chi2.ppf(0.95, 1)
    matrices = derivative_matrices(case.terms)
    variances = np.array([*(c[0, 0] for c in fit.covariances), fit.residual_variance])
    for held, interval in enumerate(fit.profile_intervals(0.95)):
        for limit in (interval.low, interval.high):

            def rise(logs: np.ndarray, held: int = held, limit: float = limit) -> float:
                values = np.insert(np.exp(logs), held, limit**2)
                v = sum(value * matrix for value, matrix in zip(values, matrices, strict=True))
                return deviance(case.y, case.x, v, reml=False) - target

            start = np.log(np.delete(variances, held))
            found = optimize.minimize(rise, start, method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-10})
            # Limits are solved to 1e-9 of themselves; the simplex ends within 1e-8 of its least value.
            assert found.fun == pytest.approx(0.0, abs=1e-6)


def test_profiles_of_the_restricted_deviance_have_the_deviance_they_should():
    case = CASES["Dyestuff"]()
    fit = fit_variance_components(case.y, case.x, case.terms)
    batch, residual = fit.profile_intervals(0.9, deviance="reml")
    assert (batch.deviance, batch.estimate) == ("reml", pytest.approx(np.sqrt(fit.covariances[0][0, 0]), rel=1e-9))
    target = -2.0 * fit.log_likelihood + stats.chi2.ppf(0.9, 1)
    g, identity = derivative_matrices(case.terms)

    def rise(log: float) -> float:
        return deviance(case.y, case.x, batch.low**2 * g + np.exp(log) * identity, reml=True) - target

    assert optimize.minimize_scalar(rise, bracket=(6.0, 9.0)).fun == pytest.approx(0.0, abs=1e-6)
    assert residual.low < np.sqrt(fit.residual_variance) < residual.high


def _study(designs: range, make: object) -> dict[str, int]:
    """How many fits fall short of the best of several dense optimisations, or have other fixed effects there."""
    counts = {"fitted": 0, "refused": 0, "short": 0, "wrong": 0, "boundary": 0}
    for seed in designs:
        y, x, terms, method = make(seed)  # type: ignore[operator]
        try:
            fit = fit_variance_components(y, x, terms, method=method)
        except DesignError:
            counts["refused"] += 1
            continue
        best = best_of_dense(y, x, terms, reml=method == "reml")
        gap = -2.0 * fit.log_likelihood - best.deviance
        counts["fitted"] += 1
        counts["short"] += gap > SAME_DEVIANCE
        counts["boundary"] += bool(fit.boundary)
        beta, phi = gls(y, x, dense_v(terms, best.covariances, best.residual))
        # Where the dense search itself fell short, its fixed effects are no reference.
        off = np.max(np.abs(fit.beta - beta) / np.sqrt(np.diag(phi)))
        counts["wrong"] += gap > -SAME_DEVIANCE and off > 1e-3
    return counts


def _any_design(seed: int) -> tuple[np.ndarray, np.ndarray, list[RandomTerm], str]:
    return (*random_design(np.random.default_rng([7, seed])), "reml" if seed % 2 else "ml")


def _slope_set(seed: int) -> tuple[np.ndarray, np.ndarray, list[RandomTerm], str]:
    return (*random_slope_set(np.random.default_rng([7, seed]), (0.0, 0.5, 1.5)[seed % 3]), "reml")


def test_no_optimum_is_missed_on_a_share_of_the_random_designs():
    counts = _study(range(30), _any_design)
    assert (counts["short"], counts["wrong"]) == (0, 0)
    assert counts["fitted"] >= 25
    assert counts["boundary"] >= 5, "designs with zero variances must be among them"


def test_no_optimum_is_missed_on_a_share_of_the_random_slopes():
    counts = _study(range(12), _slope_set)
    assert (counts["fitted"], counts["short"], counts["wrong"]) == (12, 0, 0)


@pytest.mark.slow
def test_no_optimum_is_missed_on_1500_random_designs():
    counts = _study(range(1500), _any_design)
    assert (counts["short"], counts["wrong"]) == (0, 0)


@pytest.mark.slow
def test_no_optimum_is_missed_on_600_random_slope_sets():
    counts = _study(range(600), _slope_set)
    assert (counts["fitted"], counts["short"], counts["wrong"]) == (600, 0, 0)
