"""A chart of single values: the handbook's example, its constants, and rules that fire where they should."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from studykit.errors import CallError, DesignError
from studykit.numerics.control_chart import D2, D4, individuals_chart, runs_on_one_side

FLOW_RATE = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
"""Ten batches of NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2, from memory."""


def test_limits_as_printed_in_the_handbook() -> None:
    """Printed: centre 50.81, limits 45.8159 and 55.8041, with d2 = 1.128."""
    chart = individuals_chart(FLOW_RATE)
    assert chart.centre == pytest.approx(50.81, abs=1e-9)
    assert chart.ranges == pytest.approx([2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5], abs=1e-9)
    # d2 rounded to 1.128 moves a limit that lies 4.994 from the centre by 4.994 x 0.00038 / 1.128 = 0.0017.
    assert (chart.low, chart.high) == pytest.approx((45.8159, 55.8041), abs=0.0018)
    assert not chart.beyond.any()


def test_constants_are_moments_of_the_range_of_two_normal_values() -> None:
    """Printed in every table: d2 = 1.128, D4 = 3.267. Second route: the half-normal |x - y| integrated."""
    spread = np.sqrt(2.0)
    mean = integrate.quad(lambda r: r * 2.0 * stats.norm.pdf(r / spread) / spread, 0.0, 20.0)[0]
    square = integrate.quad(lambda r: r * r * 2.0 * stats.norm.pdf(r / spread) / spread, 0.0, 20.0)[0]
    assert pytest.approx(mean, rel=1e-9) == D2
    assert pytest.approx(1.0 + 3.0 * np.sqrt(square - mean**2) / mean, rel=1e-9) == D4
    assert (round(D2, 3), round(D4, 3)) == (1.128, 3.267)


def test_spread_of_normal_values_is_their_standard_deviation() -> None:
    chart = individuals_chart(np.random.default_rng(1).normal(7.0, 2.5, 40_000))
    # The standard error of a mean of 40,000 ranges is about 0.004 of it.
    assert chart.spread == pytest.approx(2.5, rel=0.015)


def test_a_slow_drift_does_not_widen_the_limits() -> None:
    noise = np.random.default_rng(2).normal(0.0, 1.0, 200)
    drifting = noise + np.linspace(0.0, 10.0, 200)
    assert individuals_chart(drifting).spread == pytest.approx(individuals_chart(noise).spread, rel=0.02)
    assert individuals_chart(drifting, baseline=40).beyond[-40:].all()


def test_a_value_beyond_and_a_jump_are_seen() -> None:
    values = np.array([10.0, 11.0] * 10 + [25.0])
    chart = individuals_chart(values, baseline=20)
    assert np.flatnonzero(chart.beyond).tolist() == [20]
    assert np.flatnonzero(chart.range_beyond).tolist() == [19]


def test_eight_in_a_row_are_a_run_and_a_zero_ends_one() -> None:
    assert np.flatnonzero(runs_on_one_side(np.array([1.0] * 9 + [-1.0]))).tolist() == [7, 8]
    assert not runs_on_one_side(np.array([1.0] * 7 + [0.0] + [1.0] * 7)).any()


def test_what_cannot_be_charted_is_refused() -> None:
    with pytest.raises(DesignError, match="at least two"):
        individuals_chart(np.array([1.0]))
    with pytest.raises(DesignError, match="all the same"):
        individuals_chart(np.array([3.0, 3.0, 3.0]))
    with pytest.raises(CallError, match="none of them missing"):
        individuals_chart(np.array([1.0, np.nan]))
    with pytest.raises(CallError, match="from 2 to 3"):
        individuals_chart(np.array([1.0, 2.0, 3.0]), baseline=4)


def test_a_given_centre_holds_for_limits_and_runs() -> None:
    """Exact: 1, 3 eight times over have a mean range of 2, so limits lie 3 x 2 / d2 = 5.317 from the given centre."""
    values = np.array([1.0, 3.0] * 8)
    about_mean, about_zero = individuals_chart(values), individuals_chart(values, centre=0.0)
    assert about_mean.centre == 2.0
    assert not about_mean.in_a_run.any()
    assert (about_zero.centre, about_zero.high) == (0.0, pytest.approx(6.0 / D2, rel=1e-12))
    assert np.flatnonzero(about_zero.in_a_run).tolist() == list(range(7, 16))
    with pytest.raises(CallError, match="The centre is nan"):
        individuals_chart(values, centre=float("nan"))
