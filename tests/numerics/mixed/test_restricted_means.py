"""Mean models held to a subspace: the reference's dose slopes, a second route, and what must hold of any of them.

rom_trial_dev_fits.json: lme4 1.1-31 with pbkrtest 0.5.2 on simulated readings (tests/reference/README.md). Its dose
slopes C, D, E and G are all restrictions of free means by arm and week.
"""

from __future__ import annotations

import numpy as np
import pytest
from reference_mixed_models import CASES, Case

from studykit.errors import DesignError
from studykit.numerics.mixed.fit import fit_variance_components
from studykit.numerics.mixed.restricted_means import RestrictedMeans
from studykit.numerics.mixed.small_sample import kenward_roger, kenward_roger_df
from studykit.numerics.mixed.terms import RandomTerm

DOSE_SLOPES = {
    "C_dose_slope_trial_means": "A_cLDA_trial_means",
    "D_dose_slope_random_time_slope_trial_means": "A_cLDA_trial_means",
    "E_dose_by_visit_trial_means": "A_cLDA_trial_means",
    "G_dose_slope_trial_level_with_limb_session": "F_cLDA_trial_level_with_limb_session",
}


def case(kind: str) -> Case:
    return CASES[f"trial {kind[0]}"]()


def held(kind: str) -> tuple[RestrictedMeans, np.ndarray, Case]:
    """Free means by arm and week with the random terms of a dose slope, and the restriction that leads to it."""
    small, free = case(kind), case(DOSE_SLOPES[kind])
    constraint = np.linalg.lstsq(free.x, small.x, rcond=None)[0]
    assert np.abs(free.x @ constraint - small.x).max() < 1e-11
    return RestrictedMeans(fit_variance_components(small.y, free.x, small.terms)), constraint, small


@pytest.mark.parametrize("kind", DOSE_SLOPES)
def test_dose_slopes_agree_with_the_reference(kind: str) -> None:
    means, constraint, small = held(kind)
    found = means.fit(constraint, method="reml")
    expected = small.expected
    # Tolerances of the reference set: 1e-9 for likelihoods, 1e-7 for estimates, 1e-6 for Kenward–Roger.
    assert found.deviance == pytest.approx(-2.0 * expected["REML"]["logLik"], rel=1e-9)
    assert found.coefficients == pytest.approx(np.array(list(expected["REML"]["fixef"].values())), rel=1e-7)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(
        np.array(list(expected["REML"]["se"].values())), rel=1e-7
    )
    lines = expected.get("KR_coef")
    if lines is None:
        slope = expected["KR_dose_slope"]
        error, df = np.sqrt(kenward_roger(found.made)[-1, -1]), kenward_roger_df(found.made)[-1]
        assert (error, df) == pytest.approx((slope["se"], slope["ddf"]), rel=1e-6)
    else:
        errors = np.sqrt(np.diag(kenward_roger(found.made)))
        assert errors == pytest.approx(np.array([line["Std. Error"] for line in lines]), rel=1e-6)
        assert kenward_roger_df(found.made) == pytest.approx(np.array([line["df"] for line in lines]), rel=1e-6)
    likelihood = means.fit(constraint, method="ml")
    assert likelihood.deviance == pytest.approx(-2.0 * expected["ML"]["logLik"], rel=1e-9)
    assert likelihood.parameters == expected["ML"]["npar"]


@pytest.mark.parametrize("method", ["reml", "ml"])
def test_agrees_with_a_fit_of_the_smaller_columns(method: str) -> None:
    """Second route: the same columns given to the engine as a model of their own."""
    means, constraint, small = held("E_dose_by_visit_trial_means")
    found = means.fit(constraint, method=method)
    direct = fit_variance_components(small.y, small.x, small.terms, method=method)
    # Both searches end where the decrement is below 1e-10; the criterion then agrees to rounding, 1e-12 of its size.
    assert found.deviance == pytest.approx(-2.0 * direct.log_likelihood, rel=1e-12)
    assert found.coefficients == pytest.approx(direct.beta, rel=1e-8)
    assert kenward_roger(found.made) == pytest.approx(kenward_roger(direct.ingredients()), rel=1e-6, abs=1e-12)


def test_the_slope_of_the_likelihood_is_its_derivative() -> None:
    """`score` against half a central difference of the deviance when the mean is moved off the subspace."""
    means, constraint, small = held("E_dose_by_visit_trial_means")
    found = means.fit(constraint, method="ml")
    assert constraint.T @ found.score == pytest.approx(0.0, abs=1e-7 * np.abs(found.score).max())
    step, off = 1e-4, np.eye(len(found.beta))[:, -1]
    free = case("A_cLDA_trial_means").x
    deviances = [
        fit_variance_components(small.y - move * free @ off, small.x, small.terms, method="ml").log_likelihood
        for move in (step, -step)
    ]
    # A central difference is off by its third derivative times step squared, and by rounding of 1e-11 over the step.
    assert (deviances[0] - deviances[1]) / (2.0 * step) == pytest.approx(off @ found.score, rel=1e-5, abs=1e-6)


def test_without_a_restriction_the_whole_comes_back() -> None:
    free = case("A_cLDA_trial_means")
    whole = fit_variance_components(free.y, free.x, free.terms)
    found = RestrictedMeans(whole).fit(np.eye(free.x.shape[1]), method="reml")
    assert found.deviance == pytest.approx(-2.0 * whole.log_likelihood, rel=1e-12)
    assert found.beta == pytest.approx(whole.beta, rel=1e-8)


def test_columns_that_repeat_each_other_are_refused() -> None:
    free = case("A_cLDA_trial_means")
    means = RestrictedMeans(fit_variance_components(free.y, free.x, free.terms))
    one = np.eye(free.x.shape[1])[:, :1]
    with pytest.raises(DesignError, match="repeat each other"):
        means.fit(np.hstack([one, 2.0 * one]), method="ml")


def test_readings_almost_without_error_are_fitted_from_their_rows() -> None:
    """Variance ratios of 60,000 leave too few digits for the detour; the answer is that of a fit of the columns."""
    rng = np.random.default_rng(4)
    person = np.repeat(np.arange(40), 3)
    arm, week = person % 4, np.tile([0.0, 6.0, 12.0], 40)
    y = 100.0 + rng.normal(0, 5.0, 40)[person] + 0.2 * arm * week + rng.normal(0, 0.01, 120)
    cells = np.where(week == 0.0, 0, 1 + 4 * (week == 12.0) + arm).astype(int)
    x = (cells[:, None] == np.arange(9)).astype(float)
    terms = [RandomTerm("person", person, np.column_stack([np.ones(120), week]))]
    constraint = np.zeros((9, 7))
    constraint[:5, :5] = np.eye(5)
    constraint[5:, 5], constraint[5:, 6] = 1.0, np.arange(4)
    found = RestrictedMeans(fit_variance_components(y, x, terms)).fit(constraint, method="reml")
    direct = fit_variance_components(y, x @ constraint, terms)
    assert found.deviance == pytest.approx(-2.0 * direct.log_likelihood, abs=1e-6)
    assert found.coefficients == pytest.approx(direct.beta, rel=1e-6)
