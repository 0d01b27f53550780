"""Bootstrap: against a plain loop, scipy's own intervals, and its own rules."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from studykit.errors import CallError, DesignError
from studykit.numerics.agreement import agreement, agreement_features, agreement_of_sums, category_counts
from studykit.numerics.anova import crossed_mean_squares, two_way_mean_squares
from studykit.numerics.concurrent import concurrent_reliability, concurrent_values
from studykit.numerics.icc import icc_value
from studykit.numerics.intervals import FloatArray
from studykit.numerics.precision import sem_value
from studykit.numerics.resampling import (
    bootstrap,
    clustered,
    crossed_features,
    crossed_squares_of_sums,
    mean_squares_of_sums,
    two_way_features,
)


def ratings(n: int, seed: int = 4) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return rng.normal(50, 8, (n, 1)) + rng.normal(0, 1, (1, 3)) + rng.normal(0, 3, (n, 3))


def both(sums: FloatArray) -> FloatArray:
    ms = mean_squares_of_sums(sums)
    return np.stack([icc_value(ms, form="agreement"), sem_value(ms, form="consistency")], axis=-1)


def test_sums_of_a_resample_give_the_mean_squares_of_its_rows() -> None:
    table = ratings(12)
    rows = np.random.default_rng(1).integers(0, 12, 12)
    counts = np.bincount(rows, minlength=12)
    from_sums = mean_squares_of_sums(counts @ two_way_features(table))
    direct = two_way_mean_squares(table[rows])
    for name in ("rows", "columns", "within", "error"):
        assert float(getattr(from_sums, name)) == pytest.approx(float(getattr(direct, name)), rel=1e-11)


@pytest.mark.parametrize("raters", ["random", "fixed"])
def test_sums_of_a_resample_give_the_crossed_analysis_of_its_rows(raters: str) -> None:
    rng = np.random.default_rng(8)
    table = rng.normal(50, 8, (12, 1, 1)) + rng.normal(0, 2, (1, 3, 1)) + rng.normal(0, 3, (12, 3, 2))
    rows = rng.integers(0, 12, 12)
    sums = np.bincount(rows, minlength=12) @ crossed_features(table)
    from_sums = concurrent_values(crossed_squares_of_sums(sums, trials=2), raters=raters, readings=2)
    direct = concurrent_reliability(crossed_mean_squares(table[rows]), raters=raters, readings=2)
    expected = [direct.inter, direct.intra, *direct.intra_by_rater]
    sizes = [direct.sem_inter.sem, direct.sem_intra.sem, *direct.sem_intra_by_rater.sem]
    assert from_sums.tolist() == pytest.approx([float(v) for v in (*expected, *sizes)], rel=1e-10)


@pytest.mark.parametrize("weights", ["none", "quadratic"])
@pytest.mark.parametrize("statistic", ["fleiss", "gwet", "percent"])
def test_sums_of_a_resample_give_the_agreement_of_its_targets(statistic: str, weights: str) -> None:
    rng = np.random.default_rng(22)
    ratings_of_grades = category_counts(rng.integers(0, 3, (20, 3)), 3)
    rows = rng.integers(0, 20, 20)
    sums = np.bincount(rows, minlength=20) @ agreement_features(ratings_of_grades, weights=weights)
    direct = agreement(ratings_of_grades[rows], statistic=statistic, weights=weights)
    assert float(agreement_of_sums(sums, statistic=statistic, weights=weights)) == pytest.approx(
        direct.value, rel=1e-11
    )


@pytest.mark.parametrize("method", ["percentile", "bca"])
def test_intervals_agree_with_scipy(method: str) -> None:
    """Two independent sets of 10,000 resamples: limits differ by Monte Carlo error, about 2 % of the SE each."""
    table = ratings(40)
    mine = bootstrap(two_way_features(table), both, rng=np.random.default_rng(2), method=method)

    def consistency_sem(index: np.ndarray) -> float:
        return float(sem_value(two_way_mean_squares(table[index]), form="consistency"))

    other = stats.bootstrap(
        (np.arange(40),),
        consistency_sem,
        method=method,
        n_resamples=10_000,
        vectorized=False,
        rng=np.random.default_rng(3),
    )
    # at the 2.5 % point a quantile's Monte Carlo SE is sqrt(p q / B) / density = 0.027 SE; 0.12 SE are three of both
    tolerance = 0.12 * float(mine.se[1])
    assert mine.low[1] == pytest.approx(other.confidence_interval.low, abs=tolerance)
    assert mine.high[1] == pytest.approx(other.confidence_interval.high, abs=tolerance)


def test_same_seed_same_limits_and_value_is_that_of_the_data() -> None:
    table = ratings(20)
    one, two = (bootstrap(two_way_features(table), both, rng=np.random.default_rng(7)) for _ in range(2))
    assert one.low.tolist() == two.low.tolist()
    ms = two_way_mean_squares(table)
    assert one.value[0] == pytest.approx(float(icc_value(ms, form="agreement")), rel=1e-11)
    assert (one.low < one.value).all()
    assert (one.value < one.high).all()
    assert one.used.tolist() == [10_000, 10_000]


def test_clusters_are_drawn_whole() -> None:
    """Two limbs that are copies of each other carry no more information than one: the interval must not shrink."""
    table = ratings(25)
    doubled = np.repeat(table, 2, axis=0)
    people = np.repeat(np.arange(25), 2)
    alone = bootstrap(two_way_features(table), both, rng=np.random.default_rng(8), method="percentile")
    pairs = clustered(two_way_features(doubled), people)
    whole = bootstrap(pairs, both, rng=np.random.default_rng(8), method="percentile")
    apart = bootstrap(two_way_features(doubled), both, rng=np.random.default_rng(8), method="percentile")
    width = [float(b.high[1] - b.low[1]) for b in (alone, whole, apart)]
    assert whole.clusters == 25
    # the same people are drawn; SEMs differ by the factor sqrt((n-1)/n) of the degrees of freedom only
    assert width[1] == pytest.approx(width[0], rel=0.03)
    assert width[2] < 0.8 * width[0]


def test_a_statistic_that_fails_too_often_has_no_interval() -> None:
    table = np.repeat([[40.0], [50.0], [60.0]], 2, axis=1)

    def never(sums: FloatArray) -> FloatArray:
        return np.full((*sums.shape[:-1], 1), np.nan)

    got = bootstrap(two_way_features(table), never, rng=np.random.default_rng(0))
    assert np.isnan(got.low[0])
    assert got.used[0] == 0


def test_refusals() -> None:
    with pytest.raises(DesignError, match="at least 3"):
        bootstrap(np.ones((2, 3)), both, rng=np.random.default_rng(0))
    with pytest.raises(CallError, match="at least 100"):
        bootstrap(two_way_features(ratings(5)), both, rng=np.random.default_rng(0), resamples=50)
    with pytest.raises(CallError, match="method"):
        bootstrap(two_way_features(ratings(5)), both, rng=np.random.default_rng(0), method="normal")
