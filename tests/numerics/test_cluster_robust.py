"""Robust standard errors: exact small tables, the dense formula, another package's CR0, and what they promise."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import linalg, stats

from studykit.errors import CallError, DesignError
from studykit.numerics.cluster_robust import RobustFit, fit_by_cluster


def a_trial(seed: int = 3, people: int = 14) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[np.ndarray]]:
    """Unbalanced clusters of 2 to 6 rows, an arm, a time, and a working covariance of its own for each."""
    rng = np.random.default_rng(seed)
    sizes = rng.integers(2, 7, people)
    clusters = np.repeat(np.arange(people), sizes)
    time = np.concatenate([np.arange(size) for size in sizes]).astype(float)
    arm = (clusters % 2).astype(float)
    x = np.column_stack([np.ones(len(clusters)), arm, time, arm * time])
    y = x @ [1.0, 0.5, 0.2, 0.3] + rng.normal(0, 1.5, people)[clusters] + rng.normal(0, 1, len(clusters))
    covariances = [np.eye(size) + 2.0 + 0.3 * np.outer(np.arange(size), np.arange(size)) for size in sizes]
    order = rng.permutation(len(clusters))
    back = [np.argsort(np.argsort(order[np.isin(order, np.flatnonzero(clusters == c))])) for c in range(people)]
    shuffled = [covariances[c][np.ix_(back[c], back[c])] for c in range(people)]
    return y[order], x[order], clusters[order], shuffled


def dense(
    y: np.ndarray, x: np.ndarray, clusters: np.ndarray, covariances: list[np.ndarray], contrast: np.ndarray
) -> tuple[np.ndarray, float, float]:
    """beta, CR2 variance and df of a contrast from n x n matrices, the symmetric root of every Phi_i, no short cut."""
    n = len(y)
    phi = np.zeros((n, n))
    for place, code in enumerate(np.unique(clusters)):
        own = np.flatnonzero(clusters == code)
        phi[np.ix_(own, own)] = covariances[place]
    weight = np.linalg.inv(phi)
    bread = np.linalg.inv(x.T @ weight @ x)
    beta = bread @ x.T @ weight @ y
    maker = np.eye(n) - x @ bread @ x.T @ weight
    root = linalg.sqrtm(phi).real
    inverse = np.linalg.inv(root)
    variance, turned = 0.0, []
    for code in np.unique(clusters):
        own = np.flatnonzero(clusters == code)
        part, back = root[np.ix_(own, own)], inverse[np.ix_(own, own)]
        # Covariance of the transformed residuals of the cluster under the working model.
        of_left = back @ (maker @ phi @ maker.T)[np.ix_(own, own)] @ back
        adjust = part @ np.linalg.inv(linalg.sqrtm(of_left).real) @ back
        row = contrast @ bread @ x[own].T @ weight[np.ix_(own, own)] @ adjust
        variance += float(row @ (maker @ y)[own]) ** 2
        turned.append(maker[own].T @ row)
    whole = np.array(turned)
    omega = whole @ phi @ whole.T
    return beta, variance, float(np.trace(omega) ** 2 / np.sum(omega**2))


def test_equals_the_dense_formula() -> None:
    y, x, clusters, covariances = a_trial()
    fit = fit_by_cluster(y, x, clusters, covariances)
    for contrast in (np.eye(4)[3], np.array([0.0, 1.0, 0.0, 3.0])):
        beta, variance, df = dense(y, x, clusters, covariances, contrast)
        # The same formula by two arrangements; matrix roots lose about four digits of sixteen.
        assert fit.beta == pytest.approx(beta, rel=1e-9)
        assert contrast @ fit.covariance() @ contrast == pytest.approx(variance, rel=1e-9)
        assert fit.df(contrast) == pytest.approx(df, rel=1e-9)


def test_without_correction_equals_statsmodels() -> None:
    y, x, clusters, _ = a_trial()
    fit = fit_by_cluster(y, x, clusters)
    asked = {"groups": clusters, "use_correction": False}
    other = sm.OLS(y, x).fit(cov_type="cluster", cov_kwds=asked)
    assert fit.beta == pytest.approx(other.params, rel=1e-10)
    assert fit.covariance(corrected=False) == pytest.approx(other.cov_params(), rel=1e-9)


def test_balanced_clusters_are_one_sample_of_their_means() -> None:
    """An intercept and clusters of equal size: the t-test of the cluster means, exactly."""
    values = np.random.default_rng(1).normal(3, 2, (9, 4))
    fit = fit_by_cluster(values.ravel(), np.ones((36, 1)), np.repeat(np.arange(9), 4))
    value, error, df, _, _ = fit.estimate(np.ones(1), 0.95)
    means = values.mean(axis=1)
    assert [value, error, df] == pytest.approx([means.mean(), stats.sem(means), 8.0], rel=1e-10)


def test_two_groups_of_single_rows_are_welch_with_the_df_of_bell_and_mccaffrey() -> None:
    """Variance s1^2/n1 + s2^2/n2 and df (1/n1 + 1/n2)^2 / (1/(n1^2 (n1 - 1)) + 1/(n2^2 (n2 - 1))), for equal variances
    (Imbens & Kolesár 2016, from memory)."""
    rng = np.random.default_rng(2)
    one, two = rng.normal(0, 1, 5), rng.normal(1, 3, 11)
    x = np.column_stack([np.ones(16), np.repeat([0.0, 1.0], [5, 11])])
    fit = fit_by_cluster(np.concatenate([one, two]), x, np.arange(16))
    _, error, df, low, high = fit.estimate(np.array([0.0, 1.0]), 0.95)
    assert error**2 == pytest.approx(one.var(ddof=1) / 5 + two.var(ddof=1) / 11, rel=1e-10)
    wanted = (1 / 5 + 1 / 11) ** 2 / (1 / (25 * 4) + 1 / (121 * 10))
    assert df == pytest.approx(wanted, rel=1e-10)
    assert high - low == pytest.approx(2 * stats.t.ppf(0.975, wanted) * error, rel=1e-10)


def test_unbiased_when_the_working_covariance_is_right() -> None:
    """E[CR2] = l'Ml exactly: the expectation is taken of the quadratic form, no simulation."""
    _, x, clusters, covariances = a_trial(seed=8, people=6)
    contrast = np.eye(4)[1]
    n = len(clusters)
    phi = np.zeros((n, n))
    for place, code in enumerate(np.unique(clusters)):
        own = np.flatnonzero(clusters == code)
        phi[np.ix_(own, own)] = covariances[place]

    def variance(y: np.ndarray) -> float:
        fit = fit_by_cluster(y, x, clusters, covariances)
        return float(contrast @ fit.covariance() @ contrast)

    root = np.linalg.cholesky(phi)
    # A quadratic form in y has expectation (mean zero) sum over the columns of a root of phi.
    expected = sum(variance(root[:, place]) for place in range(n))
    bread = fit_by_cluster(np.arange(n, dtype=float), x, clusters, covariances).bread
    assert expected == pytest.approx(contrast @ bread @ contrast, rel=1e-8)


@settings(max_examples=20)
@given(scale=st.floats(0.01, 100), seed=st.integers(0, 1000))
def test_moves_with_the_unit_and_not_with_the_order(scale: float, seed: int) -> None:
    y, x, clusters, _ = a_trial()
    order = np.random.default_rng(seed).permutation(len(y))
    one = fit_by_cluster(y, x, clusters)
    other = fit_by_cluster(scale * y[order], x[order], clusters[order] * 7 - 3)
    contrast = np.eye(4)[3]
    assert other.covariance() == pytest.approx(scale**2 * one.covariance(), rel=1e-8)
    assert other.df(contrast) == pytest.approx(one.df(contrast), rel=1e-8)


def test_a_column_of_one_cluster_alone_has_no_residual_and_no_say() -> None:
    rng = np.random.default_rng(6)
    clusters = np.repeat(np.arange(8), 3)
    x = np.column_stack([np.ones(24), (clusters == 0).astype(float)])
    fit = fit_by_cluster(rng.normal(0, 1, 24), x, clusters)
    assert np.isfinite(fit.covariance()).all()
    rest = fit_by_cluster(np.zeros(21) + np.arange(21) % 4, np.ones((21, 1)), np.repeat(np.arange(7), 3))
    assert fit.df(np.array([1.0, 0.0])) == pytest.approx(rest.df(np.ones(1)), rel=1e-8)


def test_refusals() -> None:
    y, x, clusters, covariances = a_trial()
    with pytest.raises(DesignError, match="one cluster"):
        fit_by_cluster(y, x, np.zeros(len(y), dtype=int))
    with pytest.raises(DesignError, match="determine each other"):
        fit_by_cluster(y, np.column_stack([x, x[:, 1]]), clusters)
    with pytest.raises(CallError, match="one matrix for each cluster"):
        fit_by_cluster(y, x, clusters, covariances[:3])
    with pytest.raises(DesignError, match="positive definite"):
        fit_by_cluster(y, x, clusters, [-one for one in covariances])
    pair: RobustFit = fit_by_cluster(np.array([1.0, 2.0, 4.0, 7.0]), np.ones((4, 1)), np.array([0, 0, 1, 1]))
    assert pair.estimate(np.ones(1), 0.95)[2] == pytest.approx(1.0)
