"""Variances of differences at a visit: special cases in closed form, a brute-force route, the engine itself."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.errors import CallError
from studykit.numerics.mixed.fit import fit_variance_components, prepare_design
from studykit.numerics.mixed.small_sample import kenward_roger, kenward_roger_df
from studykit.numerics.mixed.terms import RandomTerm, intercept_by
from studykit.numerics.planning.planned_variances import planned_contrast, planned_ingredients
from studykit.numerics.planning.visits import (
    Spreads,
    covariance_of_visits,
    shares_of_patterns,
    variance_of_differences,
)

SPREADS = Spreads(5.0, limb=2.0, participant_visit=0.9, limb_visit=0.7, trial=1.2, slope=0.08, further_slope=0.1)
WEEKS = (0.0, 4.0, 12.0)


def test_two_visits_give_the_analysis_of_covariance():
    sigma2, rho, n = 30.0, 0.7, 25
    covariance = sigma2 * np.array([[1.0, rho], [rho, 1.0]])
    counts = np.array([[0.0, n], [0.0, n]])
    found = variance_of_differences([covariance, covariance], counts, visit=1)
    # 2 sigma^2 (1 - rho^2) / n: the large-sample variance of the analysis of covariance.
    assert found == pytest.approx([0.0, 2 * sigma2 * (1 - rho**2) / n], rel=1e-12, abs=1e-12)


def test_differences_by_brute_force_with_people_who_leave():
    """One row a person and visit, the whole covariance matrix written out."""
    covariances = [
        covariance_of_visits(WEEKS, SPREADS, limbs=2, raters=1, trials=3, treated=treated) for treated in (False, True)
    ]
    counts = np.array([[1.0, 2.0, 7.0], [0.0, 3.0, 6.0]])
    rows, blocks = [], []
    for arm in (0, 1):
        for last in range(3):
            for _ in range(int(counts[arm, last])):
                x = np.zeros((last + 1, 5))
                x[0, 0] = 1.0
                for visit in range(1, last + 1):
                    x[visit, 2 * arm + visit] = 1.0
                rows.append(x)
                blocks.append(covariances[arm][: last + 1, : last + 1])
    information = sum(x.T @ np.linalg.solve(v, x) for x, v in zip(rows, blocks, strict=True))
    contrast = np.array([0.0, 0.0, -1.0, 0.0, 1.0])
    expected = contrast @ np.linalg.solve(information, contrast)
    assert variance_of_differences(covariances, counts, visit=2)[1] == pytest.approx(expected, rel=1e-10)


def _design(n: int) -> tuple[np.ndarray, list[RandomTerm], np.ndarray]:
    """n people in each of two arms, two limbs, three visits; a shared baseline; columns and the contrast."""
    person, limb, visit = (axis.ravel() for axis in np.indices((2 * n, 2, 3)))
    arm, week = person % 2, np.asarray(WEEKS)[visit]
    cells = [visit == 0, *[(arm == a) & (visit == v) for a in (0, 1) for v in (1, 2)]]
    slope = RandomTerm("person", person, np.column_stack([np.ones(person.size), week]))
    further = RandomTerm("further", person, week * arm)
    terms = [slope, intercept_by("limb", 2 * person + limb), intercept_by("day", 3 * person + visit), further]
    return np.column_stack(cells).astype(float), terms, np.array([0.0, 0.0, -1.0, 0.0, 1.0])


def test_the_engine_at_planned_variances_has_the_closed_form_variance():
    n = 9
    x, terms, contrast = _design(n)
    covariances = [np.diag([25.0, 0.0064]), np.array([[4.0]]), np.array([[0.81]]), np.array([[0.01]])]
    made = planned_ingredients(prepare_design(x, terms), covariances, 0.49 + 1.44 / 3)
    closed = variance_of_differences(
        [covariance_of_visits(WEEKS, SPREADS, limbs=2, raters=1, trials=3, treated=t) for t in (False, True)],
        np.array([[0.0, 0.0, n], [0.0, 0.0, n]]),
        visit=2,
    )[1]
    assert contrast @ made.phi @ contrast == pytest.approx(closed, rel=1e-9)


def test_planned_inference_is_that_of_a_fit_with_these_variances():
    """A fit, then the same ingredients from its estimates alone."""
    x, terms, contrast = _design(12)
    rng = np.random.default_rng(2)
    y = 5.0 * rng.normal(size=24)[terms[0].codes] + rng.normal(size=72)[terms[2].codes] + rng.normal(size=len(x))
    y = (
        y
        + 2.0 * rng.normal(size=48)[terms[1].codes]
        + 0.1 * rng.normal(size=24)[terms[0].codes] * terms[0].columns[:, 1]
    )
    fit = fit_variance_components(y, x, terms)
    made = planned_ingredients(fit.design, fit.covariances, fit.residual_variance)
    np.testing.assert_allclose(kenward_roger(made), kenward_roger(fit.ingredients()), rtol=1e-8, atol=1e-12)
    df = kenward_roger_df(fit.ingredients(), contrast[:, None])[0]
    planned = planned_contrast(made, contrast, 3.0)
    assert planned.df == pytest.approx(df, rel=1e-8)
    ends = [float(np.sqrt(contrast @ m @ contrast)) for m in (fit.phi, kenward_roger(made))]
    assert ends[0] < planned.std_error < ends[1]


def test_same_raters_cancel_and_new_ones_add():
    spreads = Spreads(5.0, rater=1.0, participant_rater=0.5, trial=1.0)
    same = covariance_of_visits(WEEKS, spreads, limbs=1, raters=2, trials=2, treated=False, same_raters=True)
    new = covariance_of_visits(WEEKS, spreads, limbs=1, raters=2, trials=2, treated=False)
    np.testing.assert_allclose(same, 25.0 + 0.125 + 0.25 * np.eye(3), rtol=1e-12)
    np.testing.assert_allclose(new, 25.0 + (0.625 + 0.25) * np.eye(3), rtol=1e-12)


def test_patterns_of_people_who_leave():
    np.testing.assert_allclose(shares_of_patterns((0.0, 0.1, 0.25)), [0.1, 0.15, 0.75], rtol=1e-12)
    for wrong in ((0.1, 0.2), (0.0, 0.3, 0.2), (0.0, 1.0), ()):
        with pytest.raises(CallError, match="must begin with 0 at the baseline, never fall, and stay below 1"):
            shares_of_patterns(wrong)
