"""Means that never fall: pooling by hand, every set of zero steps tried, and limits by a second route."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from studykit.numerics.dose.monotone import monotone_means, rise_interval, step_columns

DOSES = np.array([6.0, 12.0, 24.0])
ARMS = np.array([0.0, 6.0, 12.0, 12.0, 24.0])
COLUMNS = step_columns(ARMS, DOSES)


def covariance(seed: int, size: int) -> np.ndarray:
    root = np.random.default_rng(seed).normal(size=(size, size + 2))
    return root @ root.T / size


def least(means: np.ndarray, weight: np.ndarray, columns: np.ndarray, steps: np.ndarray) -> float:
    """Sum of squares with the mean at dose 0 at its best."""
    apart = means - columns @ steps
    ones = np.ones(len(means))
    apart = apart - ones * (ones @ weight @ apart) / (ones @ weight @ ones)
    return float(apart @ weight @ apart)


def by_trying_all(means: np.ndarray, weight: np.ndarray, columns: np.ndarray) -> float:
    """The least over every choice of steps that are zero, of those whose other steps are not negative."""
    best = np.inf
    k = columns.shape[1]
    for size in range(k + 1):
        for kept in combinations(range(k), size):
            x = np.column_stack([np.ones(len(means)), columns[:, list(kept)]])
            found = np.linalg.solve(x.T @ weight @ x, x.T @ weight @ means)
            if np.all(found[1:] >= 0.0):
                steps = np.zeros(k)
                steps[list(kept)] = found[1:]
                best = min(best, least(means, weight, columns, steps))
    return best


def test_adjacent_violators_are_pooled_by_their_weights() -> None:
    """Means 1, 3, 2, 5, weights 1, 1, 3, 1: 3 and 2 pool to (3 + 3 x 2) / 4 = 2.25; lack 0.75^2 + 3 x 0.25^2."""
    means = np.array([1.0, 3.0, 2.0, 5.0])
    weight = np.diag([1.0, 1.0, 3.0, 1.0])
    found = monotone_means(means, weight, step_columns(np.array([0.0, 6.0, 12.0, 24.0]), DOSES))
    assert found.at_zero == pytest.approx(1.0, rel=1e-12)
    assert found.rises == pytest.approx([1.25, 1.25, 4.0], rel=1e-12)
    assert found.steps[1] == 0.0
    assert found.lack == pytest.approx(0.75, rel=1e-12)


def test_means_that_rise_are_left_as_they_are() -> None:
    found = monotone_means(np.array([0.0, 1.0, 2.0, 2.0, 4.0]), np.linalg.inv(covariance(1, 5)), COLUMNS)
    assert found.rises == pytest.approx([1.0, 2.0, 4.0], rel=1e-10)
    assert found.lack == pytest.approx(0.0, abs=1e-12)


@given(seed=st.integers(0, 500))
def test_no_choice_of_zero_steps_is_better(seed: int) -> None:
    rng = np.random.default_rng(seed)
    means, weight = rng.normal(0, 2, 5), np.linalg.inv(covariance(seed, 5))
    found = monotone_means(means, weight, COLUMNS)
    assert found.lack == pytest.approx(by_trying_all(means, weight, COLUMNS), rel=1e-8, abs=1e-10)
    assert found.lack == pytest.approx(least(means, weight, COLUMNS, found.steps), rel=1e-8, abs=1e-10)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("place", [0, 1, 2])
def test_limits_are_where_a_profile_by_another_search_reaches_the_quantile(seed: int, place: int) -> None:
    """Second route: SLSQP with the rise held; its answers carry about seven digits."""
    rng = np.random.default_rng(seed)
    means, weight = np.sort(rng.normal(0, 2, 5)) + rng.normal(0, 0.5, 5), np.linalg.inv(covariance(seed, 5))
    low, high = rise_interval(means, weight, COLUMNS, place, confidence=0.95)
    target = by_trying_all(means, weight, COLUMNS) + stats.chi2.ppf(0.95, 1)
    for limit in (low, high):
        held = optimize.minimize(
            lambda steps: least(means, weight, COLUMNS, steps),
            np.full(3, limit / 3.0),
            method="SLSQP",
            bounds=[(0.0, None)] * 3,
            constraints={"type": "eq", "fun": lambda steps, at=limit: steps[: place + 1].sum() - at},
            options={"ftol": 1e-12, "maxiter": 500},
        )
        if limit > 0.0:
            assert held.fun == pytest.approx(target, rel=1e-5)
        else:
            assert held.fun <= target * (1.0 + 1e-6)


def test_interval_of_a_clear_rise_is_the_ordinary_one() -> None:
    """Far from every zero step the sign conditions do nothing: estimate and 1.96 standard errors."""
    spread = np.diag([0.01, 0.01, 0.01, 0.01])
    low, high = rise_interval(
        np.array([0.0, 5.0, 10.0, 15.0]),
        np.linalg.inv(spread),
        step_columns(np.array([0.0, *DOSES]), DOSES),
        1,
        confidence=0.95,
    )
    reach = 1.959963984540054 * np.sqrt(0.02)
    assert (low, high) == pytest.approx((10.0 - reach, 10.0 + reach), rel=1e-8)
