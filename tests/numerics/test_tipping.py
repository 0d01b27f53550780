"""The tipping point: every delta by brute force, exact small cases, and decided answers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studykit.numerics.least_squares import least_squares
from studykit.numerics.pooling import pooled
from studykit.numerics.tipping import ShiftedEstimates, shifted_estimates

CONTRAST = np.array([0.0, 1.0, 0.0])


def completed(effect: float = 3.0, seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """12 completed sets of 40 people in two arms; 5 of the treated and 4 of the control are filled in."""
    rng = np.random.default_rng(seed)
    arm = np.repeat([0.0, 1.0], 20)
    start = rng.normal(50, 4, 40)
    y = start + effect * arm + rng.normal(0, 3, 40)
    gone = np.zeros(40)
    gone[[1, 5, 9, 11, 22, 25, 28, 33, 39]] = 1.0
    outcomes = np.repeat(y[None], 12, axis=0)
    outcomes[:, gone == 1.0] += rng.normal(0, 3, (12, 9))
    columns = np.repeat(np.column_stack([np.ones(40), arm, start])[None], 12, axis=0)
    columns[:, 0, 2] += rng.normal(0, 1, 12)  # a baseline that was filled in too
    return outcomes, columns, gone * arm


def brute(outcomes: np.ndarray, columns: np.ndarray, shifts: np.ndarray, delta: float) -> tuple[float, float, float]:
    estimates, variances, df = [], [], 0
    for y, x in zip(outcomes, columns, strict=True):
        fit = least_squares(y - delta * shifts, x)
        estimates.append(fit.beta[1])
        variances.append(fit.covariance()[1, 1])
        df = fit.df
    one = pooled(estimates, variances, df_complete=df)
    low, high = one.limits(0.95)
    return float(one.estimate), float(low), float(high)


@settings(max_examples=25, deadline=None)
@given(delta=st.floats(-30, 30), seed=st.integers(0, 50))
def test_every_delta_equals_a_fit_of_shifted_outcomes(delta: float, seed: int) -> None:
    outcomes, columns, shifts = completed(seed=seed)
    mine = shifted_estimates(outcomes, columns, shifts, CONTRAST).at(delta)
    low, high = mine.limits(0.95)
    # The residual sum of squares is put together from three parts: rounding of about 1e-12 of the largest.
    assert [float(mine.estimate[0]), float(low[0]), float(high[0])] == pytest.approx(
        brute(outcomes, columns, shifts, delta), rel=1e-8, abs=1e-8
    )


def test_at_the_tipping_point_a_limit_is_zero_and_before_it_is_not() -> None:
    outcomes, columns, shifts = completed()
    found = shifted_estimates(outcomes, columns, shifts, CONTRAST)
    point = found.tipping_point(40.0, 0.95)
    assert 0.0 < point < 40.0
    assert brute(outcomes, columns, shifts, point)[1] == pytest.approx(0.0, abs=1e-7)
    assert set(found.says(np.linspace(0, 0.999 * point, 500), 0.95)) == {1}
    assert found.says(1.001 * point, 0.95)[0] == 0


def test_of_a_lower_outcome_the_upper_limit_tips() -> None:
    outcomes, columns, shifts = completed()
    mirrored = shifted_estimates(-outcomes, columns, shifts, CONTRAST)
    plain = shifted_estimates(outcomes, columns, shifts, CONTRAST)
    assert mirrored.tipping_point(-40.0, 0.95) == pytest.approx(-plain.tipping_point(40.0, 0.95), rel=1e-8)


def test_an_interval_that_holds_zero_may_leave_it_either_way() -> None:
    found = shifted_estimates(*completed(effect=0.0), CONTRAST)
    assert found.says(0.0, 0.95)[0] == 0
    worse, better = found.tipping_point(60.0, 0.95), found.tipping_point(-60.0, 0.95)
    for point, side in ((worse, -1), (better, 1)):
        if np.isfinite(point):
            assert found.says(1.001 * point, 0.95)[0] == side
    assert np.isfinite(worse) or np.isfinite(better)


def test_nobody_shifted_never_tips() -> None:
    outcomes, columns, shifts = completed()
    found = shifted_estimates(outcomes, columns, np.zeros_like(shifts), CONTRAST)
    assert np.isnan(found.tipping_point(1000.0, 0.95))


def test_by_hand_without_columns() -> None:
    """Two sets that agree, two people of four filled in, mean only: Q = 2.5 - delta / 2, and the interval is known."""
    y = np.array([[1.0, 2.0, 3.0, 4.0]] * 2)
    found = shifted_estimates(y, np.ones((2, 4, 1)), np.array([0.0, 0.0, 1.0, 1.0]), np.ones(1))
    assert isinstance(found, ShiftedEstimates)
    at_two = found.at(2.0)
    assert at_two.estimate[0] == pytest.approx(1.5)
    # Outcomes 1, 2, 1, 2: sum of squares 1, variance of the mean 1 / 3 / 4.
    assert at_two.within[0] == pytest.approx(1 / 12)
