"""Trials without any effect, analysed by the unstructured model: how often the tests say 5 % wrongly."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from studykit.errors import FitError
from studykit.numerics.mixed.repeated import fit_residual_covariance
from studykit.numerics.mixed.repeated_inference import repeated_ingredients
from studykit.numerics.mixed.small_sample import kenward_roger_test, wald_test

T = 4


def rejections(people: int, trials: int) -> tuple[float, float]:
    """Share of trials with a significant arm by visit (3 df): by Kenward-Roger, and with the covariance as known."""
    rng = np.random.default_rng(people)
    subject, visit = np.repeat(np.arange(people), T), np.tile(np.arange(T), people)
    arm = (subject % 2).astype(float)
    weeks = np.column_stack([visit == week for week in range(1, T)]).astype(float)
    x = np.column_stack([np.ones(people * T), weeks, arm, arm[:, None] * weeks])
    covariance = np.array([[9.0, 6, 5, 4], [6, 10, 7, 5], [5, 7, 12, 8], [4, 5, 8, 14]])
    root, contrast = np.linalg.cholesky(covariance), np.eye(8)[:, 5:]
    small = known = fitted = 0
    for _ in range(trials):
        y = (rng.normal(size=(people, T)) @ root.T).ravel()
        # drop-out: nobody returns, and at most three in ten leave
        last = np.where(rng.random(people) < 0.3, rng.integers(2, T, people), T)
        seen = visit < last[subject]
        codes = np.unique(subject[seen], return_inverse=True)[1]
        try:
            found = fit_residual_covariance(
                y[seen], x[seen], codes, visit[seen], n_visits=T, covariance="unstructured", method="reml"
            )
        except FitError:
            continue
        ingredients = repeated_ingredients(found)
        fitted += 1
        small += kenward_roger_test(ingredients, contrast).p < 0.05
        known += wald_test(ingredients, contrast).p < 0.05
    assert fitted > 0.98 * trials
    return small / fitted, known / fitted


@pytest.mark.slow
@pytest.mark.parametrize("people", [24, 40])
def test_type_one_error(people: int) -> None:
    trials = 4000
    small, known = rejections(people, trials)
    # three standard errors of a share of 5 % in 4,000 trials
    margin = 3 * float(stats.binom(trials, 0.05).std()) / trials
    assert abs(small - 0.05) < margin
    assert known > 0.05 + margin
