"""Do people respond differently? The spread of changes beyond that of a control group, and what shrinks a change.

Changes of treated people spread by measurement error, by what happens to anybody in that time, and by how differently
they respond; changes of a control group spread by the first two. With independent groups the difference of the two
variances is the variance of the individual response. An estimate below zero is an answer: the treated spread no more
than the control group did. It is kept as it is, and its root is shown with the sign of the variance.

Sources: Hopkins (2015) J. Appl. Physiol. 118, 1444-1446; Atkinson & Batterham (2015) Exp. Physiol. 100, 577-588;
interval of a difference of two mean squares: Ting, Burdick, Graybill, Jeyaratnam & Lu (1990) J. Stat. Comput. Simul.
35, 135-143 (all from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.errors import CallError, check_choice
from studykit.numerics.intervals import (
    FloatArray,
    chi_square_quantile,
    f_quantile,
    tails,
    two_sided_z,
)

INTERVALS = ("mean squares", "normal")


@dataclass(frozen=True, slots=True)
class ResponseSpread:
    """Variance of the individual response with its interval; unit: that of the changes, squared.

    Attributes:
        variance, low, high: the estimate and its limits; any of them may be below zero.
    """

    variance: float
    low: float
    high: float

    @property
    def sd(self) -> float:
        """Signed root of the variance, in the unit of the changes."""
        return signed_root(self.variance)

    @property
    def sd_low(self) -> float:
        """Signed root of the lower limit."""
        return signed_root(self.low)

    @property
    def sd_high(self) -> float:
        """Signed root of the upper limit."""
        return signed_root(self.high)


def signed_root(variance: float) -> float:
    """sqrt(|v|) with the sign of v, so that a variance below zero is seen as one."""
    return float(np.copysign(np.sqrt(abs(variance)), variance))


def response_spread(
    variance: float,
    df: float,
    control_variance: float,
    control_df: float,
    *,
    confidence: float = 0.95,
    interval: str = "mean squares",
) -> ResponseSpread:
    """Variance of treated people's changes less that of the control group's.

    "normal" is estimate plus or minus z sqrt(2 (v^2 / df + v'^2 / df')), the interval of Hopkins. "mean squares" is
    that of Ting et al. (1990): its lower limit is zero exactly where an F test of the two is at that level.

    Args:
        variance, df: sample variance of the treated people's changes and its degrees of freedom.
        control_variance, control_df: the same of the control group.
        confidence: level of the interval.
        interval: "mean squares" or "normal".

    Raises:
        CallError: a variance below zero, or less than one degree of freedom.
    """
    check_choice(interval, INTERVALS, "interval")
    if min(df, control_df) < 1.0 or min(variance, control_variance) < 0.0:
        raise CallError("A spread of responses needs two variances of at least 0 with at least one degree of freedom.")
    found = variance - control_variance
    if interval == "normal":
        reach = two_sided_z(confidence) * np.sqrt(2.0 * (variance**2 / df + control_variance**2 / control_df))
        return ResponseSpread(found, float(found - reach), float(found + reach))
    down, up = _squared_reaches(variance, df, control_variance, control_df, confidence)
    return ResponseSpread(found, float(found - np.sqrt(max(down, 0.0))), float(found + np.sqrt(max(up, 0.0))))


def estimated_spread(
    difference: float,
    std_error: float,
    df: float,
    control_std_error: float,
    control_df: float,
    *,
    confidence: float = 0.95,
) -> ResponseSpread:
    """Interval of a difference of two variances that were estimated otherwise than from a sample, by a mixed model say.

    Each is taken to be as uncertain, and as skew, as a mean square on its degrees of freedom that has the same standard
    error, m = std_error sqrt(df / 2); the limits lie as far from the estimate as those of Ting et al. from m - m'. For
    two sample variances, whose standard error is v sqrt(2 / df), this is `response_spread` itself.

    Args:
        difference: treated less control.
        std_error, df: of the treated people's variance, and about how many people less one it rests on.
        control_std_error, control_df: the same of the control group's.

    Raises:
        CallError: a standard error below zero, or less than one degree of freedom.
    """
    as_mean_square, control = std_error * np.sqrt(df / 2.0), control_std_error * np.sqrt(control_df / 2.0)
    found = response_spread(float(as_mean_square), df, float(control), control_df, confidence=confidence)
    moved = difference - found.variance
    return ResponseSpread(difference, found.low + moved, found.high + moved)


def _squared_reaches(
    variance: float, df: float, other: float, other_df: float, confidence: float
) -> tuple[float, float]:
    """Squares of estimate less lower limit, and upper limit less estimate, of a difference of two mean squares."""
    lower, upper = tails(confidence)
    large, small = (float(f_quantile(tail, df, other_df)) for tail in (upper, lower))
    g1, g2 = (1.0 - float(d / chi_square_quantile(upper, d)) for d in (df, other_df))
    h1, h2 = (float(d / chi_square_quantile(lower, d)) - 1.0 for d in (df, other_df))
    g12 = ((large - 1.0) ** 2 - g1**2 * large**2 - h2**2) / large
    h12 = ((1.0 - small) ** 2 - h1**2 * small**2 - g2**2) / small
    down = g1**2 * variance**2 + h2**2 * other**2 + g12 * variance * other
    up = h1**2 * variance**2 + g2**2 * other**2 + h12 * variance * other
    return down, up


def pooled_variance(variances: FloatArray, dfs: FloatArray) -> tuple[float, float]:
    """Mean of sample variances weighted by their degrees of freedom, and the sum of these."""
    v, d = np.asarray(variances, dtype=np.float64), np.asarray(dfs, dtype=np.float64)
    return float(np.sum(v * d) / np.sum(d)), float(np.sum(d))


def expected_regression(distance_from_mean: float, reliability: float) -> float:
    """How far the next reading of an unchanged person is expected to lie towards the mean: (1 - r) times the distance.

    Args:
        distance_from_mean: first reading less the mean, in the unit of the measure; below zero for those who begin low.
        reliability: correlation of two readings of unchanged people.

    Returns:
        expected difference of the second reading from the first: below zero for those who began above the mean.
    """
    return -(1.0 - reliability) * distance_from_mean


def shrunken_towards(
    changes: FloatArray, mean: float, error_variance: float, variance: float
) -> tuple[FloatArray, float]:
    """Each change drawn towards the mean of its group by the share of its variance that is error.

    shrunken = mean + w (change - mean), w = max(0, 1 - error variance / variance of the changes).

    Source: Efron & Morris (1975) J. Am. Stat. Assoc. 70, 311-319, without their small-sample factor (from memory).

    Returns:
        the shrunken changes, and the weight w that each keeps of its own.
    """
    weight = max(0.0, 1.0 - error_variance / variance) if variance > 0.0 else 0.0
    return np.asarray(mean + weight * (np.asarray(changes, dtype=np.float64) - mean)), weight
