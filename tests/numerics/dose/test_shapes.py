"""Shapes of a curve: exact values, ends of the saturating share, and splines against SciPy's."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import CubicSpline

from studykit.numerics.dose import shapes

DOSES = np.array([0.0, 6.0, 12.0, 24.0])


def test_every_shape_is_zero_at_dose_zero() -> None:
    zero = np.zeros(1)
    knots = shapes.spline_knots(DOSES)
    for columns in (
        shapes.straight(zero),
        shapes.logarithm(zero),
        shapes.natural_spline(zero, knots),
        *(shapes.saturating(zero, share, 24.0) for share in (0.0, 0.3, 1.0)),
    ):
        assert np.array_equal(columns, np.zeros_like(columns))


def test_saturating_curve_is_d_over_half_plus_d() -> None:
    """Half of the most at the half-maximal dose: 6 / (8 + 6) of it at 6, 24 / 32 at 24; scaled to 1 at 24."""
    share = shapes.share_of(8.0, 24.0)
    assert share == 0.25
    assert shapes.half_dose(share, 24.0) == pytest.approx(8.0, rel=1e-15)
    plain = DOSES / (8.0 + DOSES)
    assert shapes.saturating(DOSES, share, 24.0)[:, 0] == pytest.approx(plain / plain[-1], rel=1e-14)


def test_ends_of_the_share_are_a_step_and_a_straight_line() -> None:
    assert shapes.saturating(DOSES, 0.0, 24.0)[:, 0].tolist() == [0.0, 1.0, 1.0, 1.0]
    assert shapes.saturating(DOSES, 1.0, 24.0)[:, 0].tolist() == [0.0, 0.25, 0.5, 1.0]
    assert shapes.half_dose(0.0, 24.0) == 0.0
    assert shapes.half_dose(1.0, 24.0) == np.inf
    assert shapes.share_of(np.inf, 24.0) == 1.0


@given(share=st.floats(0.05, 0.95))
def test_slope_by_the_share_is_its_derivative(share: float) -> None:
    step = 1e-6
    above, below = (shapes.saturating(DOSES, share + move, 24.0) for move in (step, -step))
    difference = (above - below) / (2.0 * step)
    # A central difference is off by step squared times a third derivative, at most 6 / 0.05^3 here.
    assert shapes.saturating_slope(DOSES, share, 24.0) == pytest.approx(difference, abs=1e-6)


def test_natural_spline_spans_the_splines_of_scipy() -> None:
    """Second route: SciPy's natural cubic spline through any three values lies in the span of the columns and 1."""
    knots = shapes.spline_knots(DOSES)
    assert knots.tolist() == [0.0, 9.0, 24.0]
    grid = np.linspace(0.0, 24.0, 49)
    values = CubicSpline(knots, [1.0, 5.0, 2.0], bc_type="natural")(grid)
    columns = np.column_stack([np.ones(len(grid)), shapes.natural_spline(grid, knots)])
    fitted = columns @ np.linalg.lstsq(columns, values, rcond=None)[0]
    assert fitted == pytest.approx(values, abs=1e-11)


def test_natural_spline_is_straight_beyond_its_knots() -> None:
    columns = shapes.natural_spline(np.array([24.0, 30.0, 36.0]), shapes.spline_knots(DOSES))
    assert columns[2] - columns[1] == pytest.approx(columns[1] - columns[0], rel=1e-12)
