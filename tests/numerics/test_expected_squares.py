"""Mean squares from components: those of complete tables exactly, the intervals of their formulas, decided edges."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from studykit.numerics.anova import crossed_mean_squares, two_way_mean_squares
from studykit.numerics.components import crossed_components
from studykit.numerics.concurrent import concurrent_reliability
from studykit.numerics.decision import decide, error_weights
from studykit.numerics.expected_squares import (
    ExpectedSquares,
    component_interval,
    expected_squares,
    share_interval,
    size_interval,
)
from studykit.numerics.icc import icc

CROSSED = [("target",), ("rater",), ("target", "rater"), ("target", "rater", "trial")]
ROUNDING = 1e-10  # two routes through the same sums at double precision


@pytest.fixture
def table() -> np.ndarray:
    rng = np.random.default_rng(12)
    return (
        rng.normal(50, 6, (15, 1, 1))
        + rng.normal(0, 2, (1, 3, 1))
        + rng.normal(0, 2, (15, 3, 1))
        + rng.normal(0, 1.5, (15, 3, 2))
    )


@pytest.fixture
def squares(table: np.ndarray) -> ExpectedSquares:
    n, t, m = table.shape
    target, rater, _ = (grid.ravel() for grid in np.indices((n, t, m)))
    parts = crossed_components(crossed_mean_squares(table))
    assert all(part.raw > 0.0 for part in parts)
    return expected_squares(CROSSED, {"target": target, "rater": rater}, np.array([part.variance for part in parts]))


def test_a_complete_table_gets_its_own_mean_squares_back(table: np.ndarray, squares: ExpectedSquares) -> None:
    ms = crossed_mean_squares(table)
    own = [float(v) for v in (ms.targets, ms.raters, ms.interaction, ms.error)]
    assert squares.mean_squares.tolist() == pytest.approx(own, rel=ROUNDING)
    assert squares.df.tolist() == [14.0, 2.0, 28.0, 45.0]
    assert squares.usable


def test_intervals_of_a_complete_table_are_the_published_ones(table: np.ndarray, squares: ExpectedSquares) -> None:
    direct = concurrent_reliability(crossed_mean_squares(table), raters="random")
    universe, absolute, _ = error_weights(CROSSED, {"rater": 1, "trial": 1})
    assert share_interval(squares, universe, absolute, 0.95) == pytest.approx(
        [float(v) for v in direct.inter_interval], rel=ROUNDING
    )
    assert size_interval(squares, absolute, 0.95) == pytest.approx(
        [float(direct.sem_inter.low), float(direct.sem_inter.high)], rel=ROUNDING
    )
    for place, part in enumerate(crossed_components(crossed_mean_squares(table))):
        assert component_interval(squares, place, 0.95) == pytest.approx((part.low, part.high), rel=ROUNDING)


def test_two_way_intervals_at_another_level(table: np.ndarray) -> None:
    single = table[:, :, 0]
    ms = two_way_mean_squares(single)
    error = float(ms.error)
    parts = np.array([(float(ms.rows) - error) / 3, (float(ms.columns) - error) / 15, error])
    target, rater = (grid.ravel() for grid in np.indices(single.shape))
    facets = [("target",), ("rater",), ("target", "rater", "trial")]
    got = expected_squares(facets, {"target": target, "rater": rater}, parts)
    universe, absolute, relative = error_weights(facets, {})
    for form, weights in (("agreement", absolute), ("consistency", relative)):
        found = icc(ms, form=form, confidence=0.8)
        assert share_interval(got, universe, weights, 0.8) == pytest.approx(
            (float(found.low), float(found.high)), rel=ROUNDING
        )


def test_the_residual_alone_has_the_chi_square_interval(squares: ExpectedSquares) -> None:
    low, high = size_interval(squares, np.array([0.0, 0.0, 0.0, 1.0]), 0.95)
    error, df = squares.mean_squares[3], 45
    assert low == pytest.approx((df * error / stats.chi2.ppf(0.975, df)) ** 0.5, rel=ROUNDING)
    assert high == pytest.approx((df * error / stats.chi2.ppf(0.025, df)) ** 0.5, rel=ROUNDING)


def test_more_readings_than_were_taken_leave_an_interval_around_the_error(squares: ExpectedSquares) -> None:
    """A negative weight of the trials' mean square leads to Satterthwaite's chi-square."""
    _, absolute, _ = error_weights(CROSSED, {"trial": 6})
    assert (squares.weights(absolute) < 0.0).any()
    low, high = size_interval(squares, absolute, 0.95)
    variances = np.linalg.solve(squares.coefficients, squares.mean_squares)
    assert low < float(variances @ absolute) ** 0.5 < high


def test_sums_of_weights_are_the_decision_study() -> None:
    variances = dict(zip(CROSSED, (30.0, 2.0, 1.0, 4.0), strict=True))
    counts = {"rater": 2, "trial": 3}
    universe, absolute, relative = error_weights(CROSSED, counts)
    parts = np.array(list(variances.values()))
    direct = decide(variances, counts)
    assert float(direct.sem_agreement) == pytest.approx(float(parts @ absolute) ** 0.5, rel=1e-14)
    assert float(direct.sem_consistency) == pytest.approx(float(parts @ relative) ** 0.5, rel=1e-14)
    top = float(parts @ universe)
    assert float(direct.icc_agreement) == pytest.approx(top / (top + float(parts @ absolute)), rel=1e-14)


def test_with_gaps_levels_are_counted_and_means_are_harmonic() -> None:
    """Three people by two raters, one value missing: c of raters is 2 / (1/3 + 1/2), of people 3 / (1/2 + 1/2 + 1)."""
    codes = {"participant": np.array([0, 0, 1, 1, 2]), "rater": np.array([0, 1, 0, 1, 0])}
    facets = [("participant",), ("rater",), ("participant", "rater", "trial")]
    got = expected_squares(facets, codes, np.array([4.0, 2.0, 1.0]))
    assert got.df.tolist() == [2.0, 1.0, 1.0]
    assert got.mean_squares == pytest.approx([1.5 * 4.0 + 1.0, 2.4 * 2.0 + 1.0, 1.0], rel=1e-14)


def test_a_term_without_a_degree_of_freedom_has_no_interval() -> None:
    codes = {"participant": np.array([0, 0, 1]), "rater": np.array([0, 1, 0])}
    facets = [("participant",), ("rater",), ("participant", "rater", "trial")]
    got = expected_squares(facets, codes, np.array([4.0, 2.0, 1.0]))
    assert not got.usable
    universe, absolute, _ = error_weights(facets, {}, objects=("participant",))
    for limits in (
        share_interval(got, universe, absolute, 0.95),
        size_interval(got, absolute, 0.95),
        component_interval(got, 0, 0.95),
    ):
        assert np.isnan(limits).all()


def test_no_error_at_all_has_no_interval(squares: ExpectedSquares) -> None:
    still = ExpectedSquares(np.zeros(4), squares.df, squares.coefficients)
    universe, absolute, _ = error_weights(CROSSED, {})
    assert np.isnan(share_interval(still, universe, absolute, 0.95)).all()
    assert np.isnan(size_interval(still, absolute, 0.95)).all()
