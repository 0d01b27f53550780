"""Weights of components of a dose: exact small designs."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.numerics.dose.components import interaction_weights, lack_of_fit, slope_weights

FACTORIAL = np.array([[30.0, 3.0], [30.0, 6.0], [60.0, 3.0], [60.0, 6.0]])


def test_complete_factorial_gives_the_classical_main_effects() -> None:
    """Means 1, 2, 4, 7: hold (4 + 7 - 1 - 2) / 2 = 4 over 30 s, days (2 + 7 - 1 - 4) / 2 = 2 over 3 days."""
    means = np.array([1.0, 2.0, 4.0, 7.0])
    assert means @ slope_weights(FACTORIAL) == pytest.approx([4.0 / 30.0, 2.0 / 3.0], rel=1e-13)


def test_interaction_is_the_difference_of_the_differences() -> None:
    """(7 - 4) - (2 - 1) = 2 over both ranges."""
    weights = interaction_weights(FACTORIAL, 0, 1)
    assert weights is not None
    assert weights * 30.0 * 3.0 == pytest.approx([1.0, -1.0, -1.0, 1.0], rel=1e-13)


def test_weights_see_no_level_and_no_other_component() -> None:
    """Sum zero, zero along the other component, one along its own."""
    weights = slope_weights(np.array([[30.0, 3.0], [30.0, 5.0], [45.0, 3.0], [60.0, 6.0]]))
    levels = np.array([[30.0, 3.0], [30.0, 5.0], [45.0, 3.0], [60.0, 6.0]])
    assert weights.sum(axis=0) == pytest.approx(0.0, abs=1e-13)
    assert levels.T @ weights == pytest.approx(np.eye(2), abs=1e-12)


def test_components_that_change_together_are_told_from_none() -> None:
    together = np.array([[30.0, 3.0, 4.0], [45.0, 4.5, 8.0], [60.0, 6.0, 4.0]])
    weights = slope_weights(together)
    assert np.isnan(weights[:, :2]).all()
    assert np.isfinite(weights[:, 2]).all()


def test_three_arms_show_no_interaction() -> None:
    assert interaction_weights(FACTORIAL[:3], 0, 1) is None


def test_lack_of_fit_sees_what_a_line_cannot() -> None:
    doses = np.array([0.0, 6.0, 12.0, 12.0, 24.0])
    beyond = lack_of_fit(np.column_stack([np.ones(5), doses]))
    assert beyond.shape == (5, 3)
    assert (3.0 + 2.0 * doses) @ beyond == pytest.approx(0.0, abs=1e-12)
    assert np.linalg.norm(np.array([0.0, 0.0, 1.0, -1.0, 0.0]) @ beyond) == pytest.approx(np.sqrt(2.0), rel=1e-12)
