"""Quantiles and intervals that several statistics share.

Everything here accepts scalars or arrays that broadcast, and returns `float64` arrays of the broadcast shape.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from studykit.errors import CallError, check_confidence

FloatArray = NDArray[np.float64]


def tails(confidence: float) -> tuple[float, float]:
    """Lower and upper tail probability of a two-sided interval, e.g. (0.025, 0.975).

    Raises:
        CallError: `confidence` is not between 0 and 1.
    """
    check_confidence(confidence)
    alpha = 1.0 - confidence
    return alpha / 2.0, 1.0 - alpha / 2.0


def two_sided_z(confidence: float) -> float:
    """Normal multiplier of a two-sided interval: 1.959964 for 0.95."""
    return float(special.ndtri(tails(confidence)[1]))


def f_quantile(probability: ArrayLike, df1: ArrayLike, df2: ArrayLike) -> FloatArray:
    """Quantile of the F distribution for whole or fractional degrees of freedom.

    F = (df2 / df1) x / (1 - x) with x the beta(df1/2, df2/2) quantile; 1 - x is computed as the complementary
    quantile, so that large F keep their digits.
    """
    p, d1, d2 = (np.asarray(v, dtype=np.float64) for v in (probability, df1, df2))
    with np.errstate(divide="ignore", over="ignore"):
        x = special.betaincinv(d1 / 2.0, d2 / 2.0, p)
        rest = special.betainccinv(d2 / 2.0, d1 / 2.0, p)
        return np.asarray(d2 / d1 * x / rest)


def f_upper_tail(f: ArrayLike, df1: ArrayLike, df2: ArrayLike) -> FloatArray:
    """P(F > f); an infinite f has probability 0."""
    value, d1, d2 = (np.asarray(v, dtype=np.float64) for v in (f, df1, df2))
    clipped = np.where(value < 0.0, 0.0, value)
    return np.asarray(special.betainc(d2 / 2.0, d1 / 2.0, d2 / (d2 + d1 * clipped)))


def t_quantile(probability: ArrayLike, df: ArrayLike) -> FloatArray:
    """Quantile of Student's t."""
    return np.asarray(special.stdtrit(np.asarray(df, dtype=np.float64), probability))


def noncentral_t_quantile(probability: ArrayLike, df: ArrayLike, noncentrality: ArrayLike) -> FloatArray:
    """Quantile of the noncentral t distribution."""
    return np.asarray(special.nctdtrit(np.asarray(df, dtype=np.float64), noncentrality, probability))


def chi_square_quantile(probability: ArrayLike, df: ArrayLike) -> FloatArray:
    """Quantile of chi-square for whole or fractional degrees of freedom (2 times a gamma quantile)."""
    return np.asarray(2.0 * special.gammaincinv(np.asarray(df, dtype=np.float64) / 2.0, probability))


def variance_interval(variance: ArrayLike, df: ArrayLike, confidence: float) -> tuple[FloatArray, FloatArray]:
    """Interval of a variance whose estimate times df over the true value is chi-square.

    low = df s2 / chi2(upper tail), high = df s2 / chi2(lower tail); unit: that of `variance`.
    """
    lower, upper = tails(confidence)
    s2, d = np.asarray(variance, dtype=np.float64), np.asarray(df, dtype=np.float64)
    return d * s2 / chi_square_quantile(upper, d), d * s2 / chi_square_quantile(lower, d)


def satterthwaite_df(terms: ArrayLike, dfs: ArrayLike) -> FloatArray:
    """Degrees of freedom of a sum of independent mean squares, (sum t)^2 / sum(t^2 / df).

    `terms` (..., q) are the mean squares times their (positive or negative) weights, `dfs` (q,) theirs.
    Where every term is 0 the sum of the dfs is returned: a sum of zeros has no spread to weigh.
    Source: Satterthwaite (1946), Biometrics Bulletin 2, 110-114.
    """
    t, d = np.asarray(terms, dtype=np.float64), np.asarray(dfs, dtype=np.float64)
    scale = np.max(np.abs(t), axis=-1, keepdims=True)
    safe = np.where(scale == 0.0, 1.0, t / np.where(scale == 0.0, 1.0, scale))
    whole = np.sum(safe, axis=-1) ** 2 / np.sum(safe**2 / d, axis=-1)
    return np.where(scale[..., 0] == 0.0, np.sum(d), whole)


def mean_square_sum_interval(terms: ArrayLike, dfs: ArrayLike, confidence: float) -> tuple[FloatArray, FloatArray]:
    """Interval of a sum of expected mean squares with positive weights (Graybill & Wang).

    With g the sum of the terms t_i (weight times mean square, shape (..., q)) and d_i their degrees of freedom (q,):
    low = g - sqrt(sum (G_i t_i)^2), G_i = 1 - d_i / chi2(upper tail, d_i);
    high = g + sqrt(sum (H_i t_i)^2), H_i = d_i / chi2(lower tail, d_i) - 1.
    With one term it is the exact chi-square interval; with several its coverage stays near or above the stated
    confidence, which Satterthwaite's chi-square does not where a term with few degrees of freedom counts.
    Source: Graybill & Wang (1980), J. Am. Stat. Assoc. 75, 869-873 (from memory).
    """
    lower, upper = tails(confidence)
    t, d = np.asarray(terms, dtype=np.float64), np.asarray(dfs, dtype=np.float64)
    total = np.sum(t, axis=-1)
    down = 1.0 - d / chi_square_quantile(upper, d)
    up = d / chi_square_quantile(lower, d) - 1.0
    low = total - np.sqrt(np.sum((down * t) ** 2, axis=-1))
    return np.maximum(low, 0.0), total + np.sqrt(np.sum((up * t) ** 2, axis=-1))


def wilson_interval(successes: float, trials: float, confidence: float) -> tuple[float, float]:
    """Score interval of a proportion: stays inside 0 to 1 and works at 0 and at all of them.

    Source: Wilson (1927), J. Am. Stat. Assoc. 22, 209-212; method 3 of Newcombe (1998), Stat. Med. 17, 857-872.

    Raises:
        CallError: no trials, or a number of successes outside 0 to trials.
    """
    if trials <= 0 or not 0 <= successes <= trials:
        raise CallError(f"{successes} of {trials} is no proportion; give 0 <= successes <= trials and trials > 0.")
    z2 = two_sided_z(confidence) ** 2
    p = successes / trials
    centre = p + z2 / (2.0 * trials)
    half = float(np.sqrt(z2 * (p * (1.0 - p) + z2 / (4.0 * trials)) / trials))
    scale = 1.0 + z2 / trials
    low = 0.0 if successes == 0 else (centre - half) / scale
    high = 1.0 if successes == trials else (centre + half) / scale
    return low, high


def newcombe_interval(
    successes: float, trials: float, successes_other: float, trials_other: float, confidence: float
) -> tuple[float, float]:
    """Interval of a difference of two independent proportions, from the score interval of each.

    With p, l, u and p', l', u' the proportions and their Wilson limits:
    low = p - p' - sqrt((p - l)^2 + (u' - p')^2), high = p - p' + sqrt((u - p)^2 + (p' - l')^2); within -1 to 1.
    Source: method 10 of Newcombe (1998), Stat. Med. 17, 873-890.

    Raises:
        CallError: a count that is no proportion.
    """
    low, high = wilson_interval(successes, trials, confidence)
    low_other, high_other = wilson_interval(successes_other, trials_other, confidence)
    p, other = successes / trials, successes_other / trials_other
    down = float(np.hypot(p - low, high_other - other))
    up = float(np.hypot(high - p, other - low_other))
    return p - other - down, p - other + up
