"""How many targets does an SEM, an MDC or a limit of agreement need to be known well?

An SEM from d degrees of freedom has d s^2 / sigma^2 ~ chi-square(d) under normality; a limit of agreement from n
differences has its exact interval from the noncentral t (Carkeet 2015, Optom. Vis. Sci. 92, e71-e80, from memory).
E(s) = c4(d) sigma, c4(d) = sqrt(2 / d) Gamma((d + 1) / 2) / Gamma(d / 2).
"""

from __future__ import annotations

import math

import numpy as np
from scipy import special

from studykit.errors import CallError, check_choice
from studykit.numerics.intervals import chi_square_quantile, noncentral_t_quantile, tails, two_sided_z
from studykit.numerics.planning.icc_sizes import FORMS
from studykit.numerics.planning.wishes import check_positive, smallest


def mean_of_sd(df: float) -> float:
    """c4: mean of a standard deviation from `df` degrees of freedom, in units of the true one."""
    return float(np.sqrt(2.0 / df) * np.exp(special.gammaln((df + 1.0) / 2.0) - special.gammaln(df / 2.0)))


def sem_degrees_of_freedom(targets: int, readings: int, *, form: str = "one-way") -> int:
    """Degrees of freedom of the SEM: targets (readings - 1), or (targets - 1)(readings - 1) with raters crossed."""
    check_choice(form, FORMS, "form")
    return (targets if form == "one-way" else targets - 1) * (readings - 1)


def sem_relative_width(df: float, *, confidence: float = 0.95) -> float:
    """Exact mean width of the interval of an SEM (and of every MDC, a multiple of it), as a share of the SEM.

    c4(d) ( sqrt(d / chi2_lower) - sqrt(d / chi2_upper) )
    """
    lower, upper = tails(confidence)
    high, low = (math.sqrt(df / float(chi_square_quantile(p, df))) for p in (lower, upper))
    return mean_of_sd(df) * (high - low)


def sem_size_approximate(relative_width: float, readings: int, *, confidence: float = 0.95) -> float:
    """Targets for an SEM interval of this whole width, as a share of the SEM, in large samples (one-way).

    The standard error of s is sigma / sqrt(2 d), so d = 2 (z / width)^2 and targets = d / (readings - 1).

    Raises:
        CallError: a width that is not above 0, or fewer than two readings.
    """
    _check_relative(relative_width, readings)
    return 2.0 * (two_sided_z(confidence) / relative_width) ** 2 / (readings - 1)


def sem_size(relative_width: float, readings: int, *, confidence: float = 0.95, form: str = "one-way") -> int:
    """Smallest number of targets whose exact mean relative width is at most that wished for."""
    _check_relative(relative_width, readings)
    check_choice(form, FORMS, "form")
    return smallest(
        lambda targets: (
            sem_relative_width(sem_degrees_of_freedom(targets, readings, form=form), confidence=confidence)
            <= relative_width
        ),
        low=2,
        what="targets",
    )


def limit_width(pairs: int, *, coverage: float = 0.95, confidence: float = 0.95) -> float:
    """Exact mean width of the exact interval of one limit of agreement, in SDs of the differences.

    c4(n - 1) ( t'_upper - t'_lower ) / sqrt(n), t' the noncentral t quantiles with noncentrality z sqrt(n).
    """
    centre = two_sided_z(coverage) * math.sqrt(pairs)
    low, high = (float(noncentral_t_quantile(p, pairs - 1, centre)) for p in tails(confidence))
    return mean_of_sd(pairs - 1) * (high - low) / math.sqrt(pairs)


def limit_size_approximate(width: float, sd: float, *, coverage: float = 0.95, confidence: float = 0.95) -> float:
    """Targets for an interval of this whole width of a limit, from the standard error s sqrt((1 + z^2 / 2) / n).

    That is 1.71 s / sqrt(n) for 95 % limits (Bland & Altman 1986, Lancet 327, 307-310; 1999, section 2.1, with 1.71
    for sqrt(2.92); from memory).

    Args:
        width: upper less lower end of the interval of one limit, in the unit of `sd`.
        sd: expected SD of the differences.
        coverage: share of differences between the limits.
        confidence: level of the interval.

    Raises:
        CallError: a width or an SD that is not above 0.
    """
    check_positive(width, "The width of the interval")
    check_positive(sd, "The SD of the differences")
    z = two_sided_z(coverage)
    return (2.0 * two_sided_z(confidence) * sd / width) ** 2 * (1.0 + z**2 / 2.0)


def limit_size(width: float, sd: float, *, coverage: float = 0.95, confidence: float = 0.95) -> int:
    """Smallest number of targets whose exact mean width is at most `width`; arguments as in the approximation."""
    check_positive(width, "The width of the interval")
    check_positive(sd, "The SD of the differences")
    return smallest(
        lambda pairs: sd * limit_width(pairs, coverage=coverage, confidence=confidence) <= width, low=3, what="targets"
    )


def _check_relative(relative_width: float, readings: int) -> None:
    check_positive(relative_width, "The width of the interval as a share of the SEM")
    if readings < 2:
        raise CallError(f"{readings} reading of each target has no error to be seen; plan 2 or more.")
