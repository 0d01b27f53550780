"""Crossed terms with slopes of their own: several columns in the border, correlated and not, by both routes."""

from __future__ import annotations

import numpy as np
import pytest
from dense_mixed_model import dense_kenward_roger, dense_p, dense_v, deviance, gls

from studykit.numerics.mixed.fit import VarianceComponentsFit, fit_variance_components
from studykit.numerics.mixed.small_sample import kenward_roger, satterthwaite_df
from studykit.numerics.mixed.terms import RandomTerm, intercept_by


def _design(*, correlated: bool) -> tuple[np.ndarray, np.ndarray, list[RandomTerm]]:
    """20 participants with a random slope, 5 raters who drift with time, sites crossed with raters."""
    rng = np.random.default_rng(12)
    person = np.repeat(np.arange(20), 5)
    week = np.tile(np.arange(5.0), 20) + 10.0
    rater, site = rng.integers(0, 5, 100), person % 3
    x = np.column_stack([np.ones(100), week])
    y = 3.0 * rng.normal(size=20)[person] + 0.8 * rng.normal(size=20)[person] * week + rng.normal(size=100)
    y = y + 2.0 * rng.normal(size=5)[rater] + rng.normal(size=5)[rater] * (week - 12.0) + rng.normal(size=3)[site]
    terms = [
        RandomTerm("participant", person, x),
        RandomTerm("rater", rater, x, correlated=correlated),
        intercept_by("site", site),
    ]
    return y, x, terms


@pytest.fixture(scope="module", params=[True, False], ids=["correlated", "uncorrelated"])
def both(request) -> tuple[np.ndarray, np.ndarray, list[RandomTerm], VarianceComponentsFit]:
    y, x, terms = _design(correlated=request.param)
    return y, x, terms, fit_variance_components(y, x, terms)


def test_structure_puts_the_raters_into_the_border(both):
    *_, fit = both
    assert 1 in fit.design.structure.border_terms
    assert fit.design.border_width >= 10


def test_no_covariance_nearby_is_likelier_and_the_fixed_effects_are_the_dense_ones(both):
    y, x, terms, fit = both
    v = dense_v(terms, fit.covariances, fit.residual_variance)
    least = deviance(y, x, v, reml=True)
    # The deviance of some hundreds carries rounding of 1e-10 through a V of condition 1e5 (intercepts at week 0).
    assert -2.0 * fit.log_likelihood == pytest.approx(least, abs=1e-8)
    rng = np.random.default_rng(3)
    for size in [0.3] * 20 + [0.01] * 20:
        moved = []
        for term, covariance in zip(terms, fit.covariances, strict=True):
            change = np.eye(term.width) + size * np.diag(rng.normal(size=term.width))
            if term.correlated and term.width > 1:
                change[1, 0] = size * 0.1 * rng.normal()
            moved.append(change @ (covariance + 1e-3 * size * np.eye(term.width)) @ change.T)
        other = dense_v(terms, tuple(moved), fit.residual_variance * np.exp(size * rng.normal()))
        assert deviance(y, x, other, reml=True) > least
    beta, phi = gls(y, x, v)
    np.testing.assert_allclose(fit.beta, beta, rtol=1e-7)
    np.testing.assert_allclose(fit.phi, phi, rtol=1e-6)


def test_kenward_roger_is_that_of_the_paper(both):
    _, x, terms, fit = both
    dense = dense_kenward_roger(x, terms, fit.covariances, fit.residual_variance)
    # The dense route inverts an information matrix in units where weeks start at zero: 1e-5 of its digits are left.
    np.testing.assert_allclose(kenward_roger(fit.ingredients()), dense.adjusted, rtol=1e-5)
    assert np.isfinite(satterthwaite_df(fit.ingredients())).all()


def test_predictions_and_influence_are_the_dense_ones(both):
    y, x, terms, fit = both
    p = dense_p(x, dense_v(terms, fit.covariances, fit.residual_variance))
    for term, covariance, effects in zip(terms, fit.covariances, fit.random_effects(), strict=True):
        for place, level in enumerate(effects.levels):
            z = term.columns * (term.codes == level)[:, None]
            # Effects at week 0 are far from the data: 1e-6 of the largest.
            size = 1e-6 * np.abs(effects.effects).max() + 1e-9
            np.testing.assert_allclose(effects.effects[place], covariance @ z.T @ p @ y, atol=size)
            error = covariance - covariance @ z.T @ p @ z @ covariance
            np.testing.assert_allclose(
                effects.error_covariance[place], error, atol=1e-6 * np.abs(covariance).max() + 1e-9
            )
    np.testing.assert_allclose(fit.residuals(), fit.residual_variance * p @ y, atol=1e-7)
    found = fit.influence(terms[1].codes)
    kept = terms[1].codes != found.codes[0]
    v = dense_v(terms, fit.covariances, fit.residual_variance)
    np.testing.assert_allclose(found.change[0], fit.beta - gls(y[kept], x[kept], v[np.ix_(kept, kept)])[0], rtol=1e-5)


def test_profiles_of_crossed_slopes_hold_their_estimates(both):
    *_, terms, fit = both
    intervals = fit.profile_intervals(0.8, deviance="reml")
    expected = 3 + (3 if terms[1].correlated else 2) + 1 + 1
    assert len(intervals) == expected
    assert all(i.low - 1e-9 <= i.estimate <= i.high + 1e-9 for i in intervals)
