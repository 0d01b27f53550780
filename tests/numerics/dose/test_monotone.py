"""Means that never fall: pooling by hand, every set of zero steps tried, and limits that hold their level."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from studykit.numerics.dose.monotone import limits_within, monotone_means, step_columns

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


def test_limits_are_cut_at_zero_and_hold_their_estimate() -> None:
    """By hand: cut below, left alone, pooled below its own limits, pooled above them."""
    low, high = limits_within(
        np.array([-1.0, 0.5, 1.0, -3.0]), np.array([2.0, 2.5, 4.0, -0.5]), np.array([0.4, 1.0, 0.8, 0.2])
    )
    assert low.tolist() == [0.0, 0.5, 0.8, 0.0]
    assert high.tolist() == [2.0, 2.5, 4.0, 0.2]


@pytest.mark.parametrize("steps", [(0.0, 0.0, 0.0), (2.0, 0.0, 0.0), (0.0, 0.0, 3.0), (3.0, 3.0, 3.0)])
def test_limits_hold_their_level_wherever_means_never_fall(steps: tuple[float, float, float]) -> None:
    """4,000 draws of five means with known errors, also on flat stretches, where limits by pooled likelihood fail."""
    rng = np.random.default_rng(20261213)
    truth = np.cumsum(steps)
    x = np.column_stack([np.ones(5), COLUMNS])
    to_rises = np.column_stack([np.zeros(3), np.tril(np.ones((3, 3)))]) @ np.linalg.solve(x.T @ x, x.T)
    reach = 1.959963984540054 * np.sqrt(np.diag(to_rises @ to_rises.T))
    held = np.zeros(3)
    for _ in range(4000):
        means = COLUMNS @ np.array(steps) + rng.normal(size=5)
        free = to_rises @ means
        low, high = limits_within(free - reach, free + reach, monotone_means(means, np.eye(5), COLUMNS).rises)
        held += (low <= truth + 1e-12) & (truth - 1e-12 <= high)
    # Three binomial standard errors of 95% in 4,000 draws are 1.0 point; where no dose acts only one side can miss.
    assert (held / 4000 > 0.94).all(), held / 4000
