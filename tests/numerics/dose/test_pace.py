"""Own pace and departures: exact small courses, and what must not enter them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from studykit.errors import CallError
from studykit.numerics.dose.pace import own_pace

WEEKS = np.array([0.0, 4.0, 8.0, 12.0])


def test_a_busy_start_and_an_idle_end_by_hand() -> None:
    """0, 40, 60, 60 minutes by weeks 0, 4, 8, 12: least squares 10 + 5 w, so -10, 10, 10, -10 beyond it."""
    found = own_pace(np.zeros(4, dtype=int), WEEKS, np.array([0.0, 40.0, 60.0, 60.0]))
    assert found.pace == pytest.approx([5.0], rel=1e-14)
    assert found.deviation == pytest.approx([-10.0, 10.0, 10.0, -10.0], rel=1e-12)


def test_steady_practice_has_no_departures() -> None:
    found = own_pace(np.repeat([0, 1], 4), np.tile(WEEKS, 2), np.concatenate([3.0 * WEEKS, 7.0 * WEEKS]))
    assert found.pace == pytest.approx([3.0, 7.0], rel=1e-14)
    assert found.deviation == pytest.approx(0.0, abs=1e-12)


def test_two_times_have_a_pace_and_no_departure_one_has_neither() -> None:
    found = own_pace(np.array([0, 0, 1]), np.array([0.0, 4.0, 0.0]), np.array([0.0, 20.0, 0.0]))
    assert found.pace[0] == 5.0
    assert np.isnan(found.pace[1])
    assert found.deviation.tolist() == [0.0, 0.0, 0.0]


@given(level=st.floats(-50, 50), course=st.floats(-20, 20), seed=st.integers(0, 1000))
def test_departures_are_blind_to_any_steady_course(level: float, course: float, seed: int) -> None:
    done = np.random.default_rng(seed).uniform(0, 100, 8)
    person, time = np.repeat([0, 1], 4), np.tile(WEEKS, 2)
    plain = own_pace(person, time, done).deviation
    moved = own_pace(person, time, done + np.where(person == 1, level + course * time, 0.0)).deviation
    assert moved == pytest.approx(plain, abs=1e-9)
    for who in (0, 1):
        assert plain[person == who].sum() == pytest.approx(0.0, abs=1e-9)
        assert plain[person == who] @ time[person == who] == pytest.approx(0.0, abs=1e-8)


def test_shapes_that_do_not_fit_are_refused() -> None:
    with pytest.raises(CallError, match="shapes"):
        own_pace(np.zeros(3, dtype=int), WEEKS, WEEKS)
