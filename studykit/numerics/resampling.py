"""Bootstrap of whole targets, ten thousand resamples in one matrix product.

Every statistic of this workshop is a function of sums over targets. A resample is therefore a row of counts (how
often each target was drawn) and the sums of all resamples are `counts @ features`: nothing is copied or looped over.
Clusters (a person with two limbs) enter as one row of features, the sum over the cluster, so that a person is drawn
whole. Sources: Efron (1987), J. Am. Stat. Assoc. 82, 171-185 (BCa); Davison & Hinkley (1997), ch. 5.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from studykit.errors import CallError, DesignError, check_choice
from studykit.numerics.anova import CrossedMeanSquares, MeanSquares, check_ratings
from studykit.numerics.intervals import FloatArray, tails

METHODS = ("percentile", "bca")
Statistic = Callable[[FloatArray], FloatArray]
"""Maps sums over targets, shape (..., features), to values, shape (..., statistics)."""


@dataclass(frozen=True, slots=True)
class Bootstrap:
    """Intervals of one or several statistics, shape (statistics,).

    Attributes:
        value: the statistics of the data themselves.
        low, high: interval limits; nan where `used` is below 100.
        se: standard deviation over resamples.
        used: resamples with a finite value; the others drew a sample without the spread that the statistic needs.
    """

    value: FloatArray
    low: FloatArray
    high: FloatArray
    se: FloatArray
    used: FloatArray
    resamples: int
    clusters: int
    method: str
    confidence: float


def bootstrap(
    features: ArrayLike,
    statistic: Statistic,
    *,
    rng: np.random.Generator,
    method: str = "bca",
    confidence: float = 0.95,
    resamples: int = 10_000,
) -> Bootstrap:
    """Percentile or bias-corrected and accelerated intervals by resampling rows of `features`.

    Args:
        features: shape (targets or clusters, q).
        statistic: sums (..., q) -> values (..., s).
        rng: the source of chance.
        method: "percentile" or "bca". BCa takes its acceleration from leaving out one row at a time.
        confidence: level of the interval.
        resamples: how many; at least 100.

    Raises:
        DesignError: fewer than three rows. CallError: unknown method or too few resamples.
    """
    check_choice(method, METHODS, "method")
    rows = check_ratings(features, axes=2, name="features")
    n = rows.shape[0]
    if n < 3:
        raise DesignError(f"There are {n} targets or clusters: resampling them needs at least 3.")
    if resamples < 100:
        raise CallError(f"resamples is {resamples}; an interval needs at least 100 (10000 are usual).")
    total = rows.sum(axis=0)
    value = np.atleast_1d(statistic(total))
    counts = rng.multinomial(n, np.full(n, 1.0 / n), size=resamples)
    drawn = statistic(counts.astype(np.float64) @ rows).reshape(resamples, -1)
    left_out = statistic(total - rows).reshape(n, -1) if method == "bca" else None
    finite = np.isfinite(drawn)
    limits = [
        _limits(drawn[finite[:, s], s], value[s], None if left_out is None else left_out[:, s], confidence)
        for s in range(value.size)
    ]
    spread = np.array(
        [drawn[finite[:, s], s].std(ddof=1) if finite[:, s].sum() > 1 else np.nan for s in range(value.size)]
    )
    low, high = np.array(limits).T
    used = finite.sum(axis=0).astype(np.float64)
    return Bootstrap(value, low, high, spread, used, resamples, n, method, confidence)


def two_way_features(ratings: ArrayLike) -> FloatArray:
    """Features of an n x k table from which `mean_squares_of_sums` rebuilds its mean squares for any resample.

    Columns: 1, row mean, its square, sum of squares within the row, the k ratings; centred on the grand mean.
    """
    table = check_ratings(ratings, axes=2)
    x = table - table.mean()
    mean = x.mean(axis=1)
    within = np.sum((x - mean[:, None]) ** 2, axis=1)
    return np.column_stack([np.ones(len(x)), mean, mean**2, within, x])


def mean_squares_of_sums(sums: FloatArray) -> MeanSquares:
    """Two-way mean squares from summed features, shape (..., 4 + k); `n` is the number of targets of the data.

    Where clusters hold different numbers of targets a resample's own number of targets is used throughout.
    """
    k = sums.shape[-1] - 4
    n = sums[..., 0]
    grand = sums[..., 1] / n
    rows = np.maximum(k * (sums[..., 2] - n * grand**2), 0.0)
    columns = n * np.sum((sums[..., 4:] / n[..., None] - grand[..., None]) ** 2, axis=-1)
    within = sums[..., 3]
    error = np.maximum(within - columns, 0.0)
    return MeanSquares(
        n=n,
        k=k,
        grand_mean=grand,
        rows=rows / (n - 1.0),
        columns=columns / (k - 1.0),
        within=within / (n * (k - 1.0)),
        error=error / ((n - 1.0) * (k - 1.0)),
    )


def crossed_features(ratings: ArrayLike) -> FloatArray:
    """Features of an n x t x m array from which `crossed_squares_of_sums` rebuilds its mean squares for any resample.

    Columns: 1, target mean, its square, sum of squares of the cell means about it, the t cell means, the t sums of
    squares of trials; centred on the grand mean.
    """
    table = check_ratings(ratings, axes=3)
    x = table - table.mean()
    cell = x.mean(axis=2)
    mean = cell.mean(axis=1)
    both = np.sum((cell - mean[:, None]) ** 2, axis=1)
    trial = np.sum((x - cell[..., None]) ** 2, axis=2)
    return np.column_stack([np.ones(len(x)), mean, mean**2, both, cell, trial])


def crossed_squares_of_sums(sums: FloatArray, *, trials: int) -> CrossedMeanSquares:
    """Mean squares of targets by raters by trials from summed features, shape (..., 4 + 2 t)."""
    t, m = (sums.shape[-1] - 4) // 2, trials
    n = sums[..., 0]
    grand = sums[..., 1] / n
    targets = np.maximum(m * t * (sums[..., 2] - n * grand**2), 0.0)
    raters = m * n * np.sum((sums[..., 4 : 4 + t] / n[..., None] - grand[..., None]) ** 2, axis=-1)
    both = np.maximum(m * sums[..., 3] - raters, 0.0)
    by_rater = sums[..., 4 + t :]
    return CrossedMeanSquares(
        n=n,
        t=t,
        m=m,
        targets=targets / (n - 1.0),
        raters=raters / (t - 1.0),
        interaction=both / ((n - 1.0) * (t - 1.0)),
        error=by_rater.sum(axis=-1) / (n * t * (m - 1.0)),
        error_by_rater=by_rater / (n[..., None] * (m - 1.0)),
    )


def clustered(features: ArrayLike, clusters: ArrayLike) -> FloatArray:
    """Features summed over clusters (numbered from 0): one row a person, however many limbs the person brought."""
    rows = np.asarray(features, dtype=np.float64)
    index = np.asarray(clusters, dtype=np.intp)
    out = np.zeros((int(index.max()) + 1, rows.shape[1]))
    np.add.at(out, index, rows)
    return out


def _limits(drawn: FloatArray, value: float, left_out: FloatArray | None, confidence: float) -> tuple[float, float]:
    if drawn.size < 100:
        return float("nan"), float("nan")
    levels = np.array(tails(confidence))
    if left_out is not None:
        levels = _bca_levels(drawn, value, left_out, levels)
    low, high = np.quantile(drawn, levels)
    return float(low), float(high)


def _bca_levels(drawn: FloatArray, value: float, left_out: FloatArray, levels: FloatArray) -> FloatArray:
    """Tail levels moved by the bias z0 and the acceleration a: Phi(z0 + (z0 + z) / (1 - a (z0 + z)))."""
    below = (np.sum(drawn < value) + 0.5 * np.sum(drawn == value)) / drawn.size
    inside = np.clip(below, 0.5 / drawn.size, 1.0 - 0.5 / drawn.size)
    gap = left_out[np.isfinite(left_out)]
    gap = gap.mean() - gap
    size = float(np.sum(gap**2)) ** 1.5
    acceleration = float(np.sum(gap**3)) / (6.0 * size) if size > 0.0 else 0.0
    shifted = special.ndtri(inside) + special.ndtri(levels)
    return np.asarray(special.ndtr(special.ndtri(inside) + shifted / (1.0 - acceleration * shifted)))
