"""How many targets does a study of an intraclass correlation need?

With k targets, n readings of each, ICC rho and theta = rho / (1 - rho), the F ratio of the one-way analysis of variance
is (1 + n theta) times an F with k - 1 and k (n - 1) degrees of freedom; with raters crossed and their differences left
out (consistency) the second number is (k - 1)(n - 1). Everything called exact here follows from that.

Sources: Donner & Eliasziw (1987), Stat. Med. 6, 441-448 (exact power); Walter, Eliasziw & Donner (1998), Stat. Med. 17,
101-110 (approximate number); Bonett (2002), Stat. Med. 21, 1331-1335 (number for a width). Formulas from memory;
the printed table of Walter et al. was not seen, so their numbers are recomputed from the formula in the tests.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from scipy import special

from studykit.errors import CallError, check_choice
from studykit.numerics.intervals import FloatArray, f_quantile, f_upper_tail, tails, two_sided_z
from studykit.numerics.planning.wishes import check_positive, check_power, smallest

FORMS: Final = ("one-way", "consistency")
_NODES: Final = np.linspace(-8.0, 8.0, 321)
_WEIGHTS: Final = np.exp(-0.5 * _NODES**2) / np.exp(-0.5 * _NODES**2).sum()


def icc_test_size_approximate(
    rho0: float, rho1: float, readings: int, *, power: float = 0.8, alpha: float = 0.05
) -> float:
    """Targets to show that an ICC of rho1 is above rho0, one-sided, by the approximation of Walter et al.

    k = 1 + 2 (z_alpha + z_beta)^2 n / ((ln C0)^2 (n - 1)),   C0 = (1 + n theta0) / (1 + n theta1)

    Args:
        rho0, rho1: the ICC to be beaten and the ICC expected, 0 <= rho0 < rho1 < 1.
        readings: n of each target, 2 or more.
        power, alpha: of the one-sided test.

    Returns:
        a number that is not rounded up.

    Raises:
        CallError: a wish that makes no sense.
    """
    _check_test(rho0, rho1, readings, power, alpha)
    ratio = math.log(_lift(rho0, readings) / _lift(rho1, readings))
    z = float(special.ndtri(1.0 - alpha) + special.ndtri(power))
    return 1.0 + 2.0 * z**2 * readings / (ratio**2 * (readings - 1))


def icc_test_power(
    targets: int, rho0: float, rho1: float, readings: int, *, alpha: float = 0.05, form: str = "one-way"
) -> float:
    """Exact power of the one-sided F test of ICC = rho0 when it is rho1.

    P(F > (1 + n theta0) / (1 + n theta1) F_(1 - alpha)), F with the degrees of freedom of the form.
    """
    df1, df2 = _dfs(targets, readings, form)
    limit = _lift(rho0, readings) / _lift(rho1, readings) * f_quantile(1.0 - alpha, df1, df2)
    return float(f_upper_tail(limit, df1, df2))


def icc_test_size(
    rho0: float, rho1: float, readings: int, *, power: float = 0.8, alpha: float = 0.05, form: str = "one-way"
) -> int:
    """Smallest number of targets whose exact power is at least `power`; arguments as in the approximation."""
    _check_test(rho0, rho1, readings, power, alpha)
    check_choice(form, FORMS, "form")
    return smallest(
        lambda targets: icc_test_power(targets, rho0, rho1, readings, alpha=alpha, form=form) >= power,
        low=2,
        what="targets",
    )


def icc_width_size_approximate(rho: float, width: float, readings: int, *, confidence: float = 0.95) -> float:
    """Targets for an interval of this whole width about an ICC of rho, by the approximation of Bonett.

    n = 8 z^2 (1 - rho)^2 (1 + (k - 1) rho)^2 / (k (k - 1) w^2) + 1, and 5 rho more with two readings and rho >= 0.7.

    Args:
        rho: expected ICC, 0 <= rho < 1.
        width: upper less lower limit.
        readings: k of each target.
        confidence: level.

    Raises:
        CallError: a wish that makes no sense.
    """
    check_width(rho, width, readings)
    z2, k = two_sided_z(confidence) ** 2, readings
    number = 8.0 * z2 * (1.0 - rho) ** 2 * (1.0 + (k - 1) * rho) ** 2 / (k * (k - 1) * width**2) + 1.0
    return number + (5.0 * rho if k == 2 and rho >= 0.7 else 0.0)


def icc_expected_width(
    targets: int, rho: float, readings: int, *, confidence: float = 0.95, form: str = "one-way"
) -> float:
    """Exact mean width of the exact interval of an ICC: the F ratio integrated over its distribution.

    The quantiles of F are taken at the probabilities of 321 equally spaced normal deviates and weighted by the normal
    density; for a smooth function this rule is exact to about 12 digits.
    """
    df1, df2 = _dfs(targets, readings, form)
    f = _lift(rho, readings) * f_quantile(special.ndtr(_NODES), df1, df2)
    low, high = _limits(f, df1, df2, readings, confidence)
    return float(_WEIGHTS @ (high - low))


def icc_width_size(rho: float, width: float, readings: int, *, confidence: float = 0.95, form: str = "one-way") -> int:
    """Smallest number of targets whose exact mean width is at most `width`; arguments as in the approximation."""
    check_width(rho, width, readings)
    check_choice(form, FORMS, "form")
    return smallest(
        lambda targets: icc_expected_width(targets, rho, readings, confidence=confidence, form=form) <= width,
        low=2,
        what="targets",
    )


def _limits(f: FloatArray, df1: float, df2: float, readings: int, confidence: float) -> tuple[FloatArray, FloatArray]:
    lower, upper = tails(confidence)
    down, up = f / f_quantile(upper, df1, df2), f / f_quantile(lower, df1, df2)
    return (down - 1.0) / (down + readings - 1.0), (up - 1.0) / (up + readings - 1.0)


def _lift(rho: float, readings: int) -> float:
    return 1.0 + readings * rho / (1.0 - rho)


def _dfs(targets: int, readings: int, form: str) -> tuple[float, float]:
    df1 = float(targets - 1)
    return df1, (targets if form == "one-way" else df1) * float(readings - 1)


def _check_readings(readings: int) -> None:
    if readings < 2:
        raise CallError(f"{readings} reading of each target says nothing about agreement; plan 2 or more.")


def _check_test(rho0: float, rho1: float, readings: int, power: float, alpha: float) -> None:
    _check_readings(readings)
    check_power(power, alpha)
    if not 0.0 <= rho0 < rho1 < 1.0:
        raise CallError(
            f"The ICC to be beaten is {rho0:g} and the ICC expected {rho1:g}; the first must be 0 or more and "
            "below the second, the second below 1."
        )


def check_width(rho: float, width: float, readings: int) -> None:
    """Refuse an ICC outside 0 to 1, a width that is not above 0, and fewer than two readings (CallError)."""
    _check_readings(readings)
    check_positive(width, "The width of the interval")
    if not 0.0 <= rho < 1.0:
        raise CallError(f"The expected ICC is {rho:g}; give 0 or more and less than 1.")
