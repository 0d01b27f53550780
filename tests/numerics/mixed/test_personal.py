"""What a model says of one person: lme4's predictions, the textbook formula with n x n matrices, and chance."""

from __future__ import annotations

import numpy as np
import pytest
from dense_mixed_model import dense_v, gls
from reference_mixed_models import codes, expected, table

from studykit.errors import CallError
from studykit.numerics.mixed.fit import fit_variance_components
from studykit.numerics.mixed.personal import personal_predictions
from studykit.numerics.mixed.terms import RandomTerm, intercept_by

WEEKS = np.array([0.0, 4.0, 8.0, 12.0])


def trial(seed: int, people: int = 14) -> tuple[np.ndarray, np.ndarray, list[RandomTerm], np.ndarray, np.ndarray]:
    """Two arms, four visits with gaps, two raters; slopes differ between people, more in the second arm."""
    rng = np.random.default_rng(seed)
    person = np.repeat(np.arange(people), 4)
    week, rater = np.tile(WEEKS, people), rng.integers(0, 2, 4 * people)
    treated = (person % 2).astype(float)
    intercept, slope = rng.normal(0, 3, people), rng.normal(0, 0.25, people)
    slope = slope + (np.arange(people) % 2) * rng.normal(0, 0.4, people)
    y = 40 + intercept[person] + (0.1 * treated + slope[person]) * week + np.array([0.0, 0.8])[rater]
    y = y + rng.normal(0, 1.0, y.size)
    kept = (week == 0.0) | (rng.random(y.size) > 0.2)
    x = np.column_stack([np.ones(y.size), *[(week == w) * 1.0 for w in WEEKS[1:]], treated * week])
    terms = [
        RandomTerm("person", person[kept], np.column_stack([np.ones(y.size), week])[kept]),
        RandomTerm("further", person[kept], (week * treated)[kept]),
        intercept_by("rater", rater[kept]),
    ]
    return y[kept], x[kept], terms, person[kept], treated


def test_predictions_are_those_of_lme4() -> None:
    """sleepstudy: change from day 0 to day 9 of each subject is 9 times the slope, its own effect included."""
    d = table("sleepstudy")
    x = np.column_stack([np.ones(len(d)), d["Days"]])
    by = codes(d["Subject"])
    fit = fit_variance_components(d["Reaction"].to_numpy(float), x, [RandomTerm("Subject", by, x)])
    covariance = fit.covariances[0]
    with_rows = 9.0 * x @ covariance[:, 1]
    weights = np.tile(np.array([[0.0], [9.0]]), (1, 18))
    found = personal_predictions(fit, by, with_rows, np.full(18, 81.0 * covariance[1, 1]), weights)
    record = expected("lmm_sleepstudy")["random_intercept_slope"]["ranef_REML"]["Subject"]
    order = np.argsort(np.array(record["levels"], dtype=str))
    slopes = np.array(record["blup"], dtype=float).reshape(18, 2)[order, 1]
    # Variances of the two fits agree to 1e-7 (README of the reference data); predictions divide by them.
    np.testing.assert_allclose(found.random_part, 9.0 * slopes, atol=1e-5)
    np.testing.assert_allclose(found.predicted, 9.0 * (fit.beta[1] + slopes), atol=1e-5)


@pytest.mark.parametrize("seed", range(6))
def test_predictions_and_errors_equal_the_dense_formula(seed: int) -> None:
    y, x, terms, person, treated = trial(seed)
    fit = fit_variance_components(y, x, terms)
    people, weeks = np.unique(person), terms[0].columns[:, 1]
    common, further = fit.covariances[0], float(fit.covariances[1][0, 0])
    arm = treated[np.searchsorted(person, people)] if treated.size == person.size else people % 2
    with_rows = 12.0 * (common[0, 1] + weeks * common[1, 1] + weeks * (person % 2) * further)
    variances = 144.0 * (common[1, 1] + arm * further)
    weights = np.zeros((x.shape[1], people.size))
    weights[3], weights[4] = 1.0, 12.0 * arm
    found = personal_predictions(fit, person, with_rows, variances, weights)
    v = dense_v(terms, fit.covariances, fit.residual_variance)
    inverse = np.linalg.inv(v)
    beta, phi = gls(y, x, v)
    p = inverse - inverse @ x @ phi @ x.T @ inverse
    for place, who in enumerate(people):
        c = np.where(person == who, with_rows, 0.0)
        own = float(c @ inverse @ (y - x @ beta))
        left = weights[:, place] - x.T @ inverse @ c
        error = variances[place] - c @ inverse @ c + left @ phi @ left
        # One dense inverse against one structured solve: 1e-16 times a condition number below 1e6.
        assert found.random_part[place] == pytest.approx(own, rel=1e-8, abs=1e-9)
        assert found.predicted[place] == pytest.approx(weights[:, place] @ beta + own, rel=1e-8)
        assert found.error_variance[place] == pytest.approx(error, rel=1e-7, abs=1e-9)
        assert found.random_part[place] == pytest.approx(c @ p @ y, rel=1e-8, abs=1e-8)


def test_errors_are_as_large_as_stated() -> None:
    """60 people drawn anew: mean squared error of the predicted against the true change, over its stated variance."""
    rng = np.random.default_rng(5)
    people, ratio = 60, []
    for _ in range(40):
        person, week = np.repeat(np.arange(people), 4), np.tile(WEEKS, people)
        slope = rng.normal(0.3, 0.3, people)
        y = 40 + rng.normal(0, 3, people)[person] + slope[person] * week + rng.normal(0, 1.2, week.size)
        columns = np.column_stack([np.ones(week.size), week])
        fit = fit_variance_components(y, columns, [RandomTerm("person", person, columns)])
        covariance = fit.covariances[0]
        found = personal_predictions(
            fit,
            person,
            12.0 * columns @ covariance[:, 1],
            np.full(people, 144.0 * covariance[1, 1]),
            np.tile(np.array([[0.0], [12.0]]), (1, people)),
        )
        ratio.append(np.mean((found.predicted - 12.0 * slope) ** 2) / np.mean(found.error_variance))
    # 2,400 squared errors: a standard error of 3 % of their mean; variances are estimated, which adds a few per cent.
    assert np.mean(ratio) == pytest.approx(1.0, abs=0.1)


def test_shapes_that_do_not_fit_are_refused() -> None:
    y, x, terms, person, _ = trial(0)
    fit = fit_variance_components(y, x, terms)
    with pytest.raises(CallError, match="14 people of"):
        personal_predictions(fit, person, np.zeros(fit.n), np.zeros(13), np.zeros((fit.p, 14)))
