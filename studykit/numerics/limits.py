"""Limits of agreement: between which bounds does the difference of two looks at one target lie?

Two-sided limits bias -/+ z s. Sources: Bland & Altman (1986), Lancet 327, 307-310; (1999), Stat. Methods Med. Res. 8,
135-160; (2007), J. Biopharm. Stat. 17, 571-582. Exact intervals of the limits by the noncentral t distribution:
Carkeet (2015), Optom. Vis. Sci. 92, e71-e80 (from memory). Limits with several pairs a target get their intervals by
combining the interval of the mean with the interval of the variance: Zou (2013), Stat. Methods Med. Res. 22, 630-642
(from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from studykit.errors import DataError, DesignError
from studykit.numerics.anova import GroupedMeanSquares, check_ratings, grouped_mean_squares
from studykit.numerics.intervals import (
    FloatArray,
    mean_square_sum_interval,
    noncentral_t_quantile,
    t_quantile,
    tails,
    two_sided_z,
    variance_interval,
)


@dataclass(frozen=True, slots=True)
class Limits:
    """Bias and limits, each with its interval; unit: that of the differences. Fields have shape (...)."""

    n: int
    bias: FloatArray
    bias_low: FloatArray
    bias_high: FloatArray
    sd: FloatArray
    sd_low: FloatArray
    sd_high: FloatArray
    lower: FloatArray
    lower_low: FloatArray
    lower_high: FloatArray
    upper: FloatArray
    upper_low: FloatArray
    upper_high: FloatArray
    coverage: float
    confidence: float


@dataclass(frozen=True, slots=True)
class RegressionLimits:
    """Limits that move with the mean: bias = a + b mean, limits = bias -/+ multiplier (c + d mean).

    `slope_p` and `spread_p` test b = 0 and d = 0.
    """

    intercept: float
    slope: float
    slope_p: float
    residual_sd: float
    spread_intercept: float
    spread_slope: float
    spread_p: float
    multiplier: float

    def at(self, mean: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Bias, lower and upper limit at these means (same shape); a spread below 0 counts as 0."""
        x = np.asarray(mean, dtype=np.float64)
        bias = self.intercept + self.slope * x
        half = self.multiplier * np.maximum(self.spread_intercept + self.spread_slope * x, 0.0)
        return bias, bias - half, bias + half


def limits(differences: ArrayLike, *, coverage: float = 0.95, confidence: float = 0.95) -> Limits:
    """Limits from one difference a target, with exact intervals under normality.

    limits = d -/+ z s; the limit is a normal percentile mu -/+ z sigma, whose exact interval is
    d -/+ s t'(p; n - 1, z sqrt(n)) / sqrt(n) with t' the noncentral t quantile at both tails of `confidence`.

    Args:
        differences: shape (..., n).
        coverage: share of differences that the limits hold (0.95 gives z = 1.96).
        confidence: level of the intervals of bias, SD and limits.

    Raises:
        DesignError: fewer than two differences.
    """
    d = check_ratings(differences, axes=1, name="differences")
    n = d.shape[-1]
    if n < 2:
        raise DesignError(f"There is {n} difference: limits of agreement need the spread of at least 2 targets.")
    z = two_sided_z(coverage)
    low, high = tails(confidence)
    bias, sd = d.mean(axis=-1), d.std(axis=-1, ddof=1)
    sd = np.where(sd <= 8.0 * np.finfo(np.float64).eps * np.abs(d).max(axis=-1), 0.0, sd)
    half = t_quantile(high, n - 1) * sd / np.sqrt(n)
    near, far = (noncentral_t_quantile(p, n - 1, z * np.sqrt(n)) * sd / np.sqrt(n) for p in (low, high))
    var_low, var_high = variance_interval(sd**2, n - 1, confidence)
    return Limits(
        n=n,
        bias=bias,
        bias_low=bias - half,
        bias_high=bias + half,
        sd=sd,
        sd_low=np.sqrt(var_low),
        sd_high=np.sqrt(var_high),
        lower=bias - z * sd,
        lower_low=bias - far,
        lower_high=bias - near,
        upper=bias + z * sd,
        upper_low=bias + near,
        upper_high=bias + far,
        coverage=coverage,
        confidence=confidence,
    )


def limits_linked(
    differences: ArrayLike, targets: ArrayLike, *, coverage: float = 0.95, confidence: float = 0.95
) -> Limits:
    """Limits from several paired differences a target (the true value may move between pairs), or from two limbs.

    Total variance = (B - W) / m0 + W = B / m0 + (1 - 1 / m0) W from the one-way mean squares of the differences;
    bias is the mean of all differences. `n` of the answer counts targets, never pairs. With both limbs of a person
    as "pairs" the person is the target: limbs are clustered, not counted twice. The intervals of the limits are
    approximate: nominal 95 % cover 95 to 97 % at 10 to 50 persons with two limbs.

    Args:
        differences: shape (N,).
        targets: shape (N,), whole numbers from 0.

    Raises:
        DesignError: fewer than two targets, or no target with two differences.
    """
    ms = grouped_mean_squares(differences, targets)
    variance, terms, dfs = _linked_variance(ms)
    sum_sq = float(np.sum(ms.sizes**2)) / ms.values**2
    between = (ms.between - ms.within) / ms.divisor
    se = float(np.sqrt(max(between * sum_sq + ms.within / ms.values, 0.0)))
    return _combined(ms.mean, se, ms.groups, variance, terms, dfs, coverage, confidence)


def limits_unlinked(
    first: ArrayLike,
    first_targets: ArrayLike,
    second: ArrayLike,
    second_targets: ArrayLike,
    *,
    coverage: float = 0.95,
    confidence: float = 0.95,
) -> Limits:
    """Limits from separate repeats by two methods while the true value stays put.

    Variance = var(differences of target means) + (1 - h1) W1 + (1 - h2) W2, with W the one-way mean squares within
    targets and h the mean of 1 / (number of repeats); bias is the mean difference of target means (first - second).

    Args:
        first, second: shape (N1,), (N2,).
        first_targets, second_targets: whole numbers from 0; the same targets in both.

    Raises:
        DesignError: the two methods measured different numbers of targets.
    """
    one, two = grouped_mean_squares(first, first_targets), grouped_mean_squares(second, second_targets)
    if one.groups != two.groups:
        raise DesignError(
            f"The first method measured {one.groups} targets, the second {two.groups}: limits need the same targets. "
            "Keep the targets measured by both."
        )
    gap = _group_means(first, first_targets) - _group_means(second, second_targets)
    h1, h2 = (float(np.mean(1.0 / g.sizes)) for g in (one, two))
    spread = float(gap.var(ddof=1))
    terms = np.array([spread, (1.0 - h1) * one.within, (1.0 - h2) * two.within])
    dfs = np.array([one.groups - 1, one.df_within, two.df_within], dtype=np.float64)
    se = float(np.sqrt(spread / one.groups))
    return _combined(float(gap.mean()), se, one.groups, float(terms.sum()), terms, dfs, coverage, confidence)


def limits_by_regression(means: ArrayLike, differences: ArrayLike, *, coverage: float = 0.95) -> RegressionLimits:
    """Limits that follow a spread growing with the mean.

    difference = a + b mean by least squares; |residual| = c + d mean by least squares; SD at a mean is
    sqrt(pi / 2) (c + d mean). Source: Bland & Altman (1999), section 3.2.

    Args:
        means, differences: shape (n,), n >= 3.

    Raises:
        DesignError: fewer than three targets, or all means equal.
    """
    x = check_ratings(means, axes=1, name="means")
    y = check_ratings(differences, axes=1, name="differences")
    if x.size < 3 or float(np.ptp(x)) == 0.0:
        raise DesignError("Limits by regression need at least 3 targets with different means; use plain limits.")
    line = _straight_line(x, y)
    residual = np.abs(y - line[0] - line[1] * x)
    spread = _straight_line(x, residual)
    multiplier = two_sided_z(coverage) * float(np.sqrt(np.pi / 2.0))
    return RegressionLimits(line[0], line[1], line[2], line[3], spread[0], spread[1], spread[2], multiplier)


def log_ratios(first: ArrayLike, second: ArrayLike) -> FloatArray:
    """log(first / second) for ratio limits: take `limits` of these and exponentiate every bound.

    Raises:
        DataError: a value at or below 0.
    """
    a, b = check_ratings(first, axes=1, name="first values"), check_ratings(second, axes=1, name="second values")
    below = int((a <= 0.0).sum() + (b <= 0.0).sum())
    if below:
        raise DataError(f"{below} values are 0 or below: a ratio needs values above 0. Use limits of the differences.")
    return np.asarray(np.log(a) - np.log(b))


def _linked_variance(ms: GroupedMeanSquares) -> tuple[float, FloatArray, FloatArray]:
    """Total variance, its two weighted mean squares and their degrees of freedom."""
    terms = np.array([ms.between / ms.divisor, (1.0 - 1.0 / ms.divisor) * ms.within])
    return float(terms.sum()), terms, np.array([ms.df_between, ms.df_within], dtype=np.float64)


def _combined(
    bias: float,
    se: float,
    n: int,
    variance: float,
    terms: FloatArray,
    dfs: FloatArray,
    coverage: float,
    confidence: float,
) -> Limits:
    """Intervals of bias + z s from those of the bias and of the variance, kept apart in each direction."""
    z, sd = two_sided_z(coverage), float(np.sqrt(variance))
    half = float(t_quantile(tails(confidence)[1], n - 1)) * se
    var_low, var_high = mean_square_sum_interval(terms, dfs, confidence)
    sd_low, sd_high = np.sqrt(var_low), np.sqrt(var_high)
    inward = np.sqrt(half**2 + z**2 * (sd - sd_low) ** 2)
    outward = np.sqrt(half**2 + z**2 * (sd_high - sd) ** 2)
    lower, upper = bias - z * sd, bias + z * sd
    return Limits(
        n=n,
        bias=np.asarray(bias),
        bias_low=np.asarray(bias - half),
        bias_high=np.asarray(bias + half),
        sd=np.asarray(sd),
        sd_low=sd_low,
        sd_high=sd_high,
        lower=np.asarray(lower),
        lower_low=lower - outward,
        lower_high=lower + inward,
        upper=np.asarray(upper),
        upper_low=upper - inward,
        upper_high=upper + outward,
        coverage=coverage,
        confidence=confidence,
    )


def _group_means(values: ArrayLike, groups: ArrayLike) -> FloatArray:
    index = np.asarray(groups, dtype=np.intp)
    total = np.bincount(index, weights=np.asarray(values, dtype=np.float64))
    return np.asarray(total / np.bincount(index))


def _straight_line(x: FloatArray, y: FloatArray) -> tuple[float, float, float, float]:
    """Intercept, slope, two-sided p of the slope and residual SD of a least-squares line."""
    centred = x - x.mean()
    sxx = float(centred @ centred)
    slope = float(centred @ y) / sxx
    intercept = float(y.mean() - slope * x.mean())
    residual = y - intercept - slope * x
    df = x.size - 2
    s2 = float(residual @ residual) / df
    p = _two_sided_t(slope, float(np.sqrt(s2 / sxx)), df)
    return intercept, slope, p, float(np.sqrt(s2))


def _two_sided_t(value: float, se: float, df: int) -> float:
    if se == 0.0:
        return 1.0 if value == 0.0 else 0.0
    return float(2.0 * special.stdtr(df, -abs(value / se)))
