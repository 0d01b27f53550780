"""Power and numbers for means: two arms, several arms, a baseline taken into account, a line over doses.

Every test is two-sided at alpha with a common standard deviation. With delta the effect and se its standard error, the
t statistic is noncentral t with noncentrality delta / se; with several arms F is noncentral with
lambda = sum n_a (mu_a - mean)^2 / sigma^2.

Sources: Cohen (1988), Statistical Power Analysis, ch. 2 and 8; analysis of covariance: Borm, Fransen & Lemmens (2007),
J. Clin. Epidemiol. 60, 1234-1238; clusters of limbs: 1 + (m - 1) rho, Donner & Klar (2000), ch. 5 (all from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from studykit.errors import CallError
from studykit.numerics.intervals import f_quantile, t_quantile, two_sided_z
from studykit.numerics.planning.wishes import check_effect, check_positive, check_power, smallest

_NODES: Final = np.linspace(-8.0, 8.0, 161)
_WEIGHTS: Final = np.exp(-0.5 * _NODES**2) / np.exp(-0.5 * _NODES**2).sum()


def power_of_t(noncentrality: ArrayLike, df: ArrayLike, *, alpha: float = 0.05) -> np.ndarray:
    """Two-sided power of a t test: P(|t'| > t_(1 - alpha / 2)), t' noncentral t; broadcasts."""
    centre, degrees = np.abs(np.asarray(noncentrality, dtype=float)), np.asarray(df, dtype=float)
    reach = t_quantile(1.0 - alpha / 2.0, degrees)
    return np.asarray(1.0 - special.nctdtr(degrees, centre, reach) + special.nctdtr(degrees, centre, -reach))


def power_of_f(noncentrality: float, df1: float, df2: float, *, alpha: float = 0.05) -> float:
    """Power of an F test: P(F' > F_(1 - alpha)), F' noncentral F."""
    return float(1.0 - special.ncfdtr(df1, df2, noncentrality, f_quantile(1.0 - alpha, df1, df2)))


def two_arm_power(n_control: float, n_treated: float, difference: float, sd: float, *, alpha: float = 0.05) -> float:
    """Power of the two-sample t test; difference and sd in one unit."""
    se = sd * math.sqrt(1.0 / n_control + 1.0 / n_treated)
    return float(power_of_t(difference / se, n_control + n_treated - 2.0, alpha=alpha))


def two_arm_size_approximate(
    difference: float, sd: float, *, power: float = 0.8, alpha: float = 0.05, ratio: float = 1.0
) -> float:
    """Participants in the control arm by the normal approximation: (z_(alpha/2) + z_beta)^2 (1 + 1 / ratio) (sd / d)^2.

    Args:
        difference, sd: in one unit.
        power, alpha: of the two-sided test.
        ratio: participants of the treated arm for one of the control arm.

    Raises:
        CallError: a wish that makes no sense.
    """
    _check(difference, sd, power, alpha, ratio)
    z = two_sided_z(1.0 - alpha) + float(special.ndtri(power))
    return z**2 * (1.0 + 1.0 / ratio) * (sd / difference) ** 2


def two_arm_size(
    difference: float, sd: float, *, power: float = 0.8, alpha: float = 0.05, ratio: float = 1.0
) -> tuple[int, int]:
    """Smallest (control, treated) with which the t test has the power; treated = control x ratio, rounded up."""
    _check(difference, sd, power, alpha, ratio)
    control = smallest(
        lambda n: two_arm_power(n, _times(n, ratio), difference, sd, alpha=alpha) >= power,
        low=2,
        what="participants in an arm",
    )
    return control, _times(control, ratio)


def several_arms_power(sizes: ArrayLike, means: ArrayLike, sd: float, *, alpha: float = 0.05) -> float:
    """Power of the F test that all arms have one mean.

    Args:
        sizes, means: (arms,) participants and expected means.
        sd: within arms, in the unit of the means.
    """
    n, mu = np.asarray(sizes, dtype=float), np.asarray(means, dtype=float)
    centre = float(n @ mu / n.sum())
    return power_of_f(float(n @ (mu - centre) ** 2) / sd**2, n.size - 1.0, float(n.sum()) - n.size, alpha=alpha)


def several_arms_size(means: ArrayLike, sd: float, *, power: float = 0.8, alpha: float = 0.05) -> int:
    """Smallest number in each of equal arms with which the F test has the power.

    Raises:
        CallError: equal means, or another wish that makes no sense.
    """
    mu = np.asarray(means, dtype=float)
    check_effect(float(np.ptp(mu)), "The largest difference between arms")
    check_positive(sd, "The SD within arms")
    check_power(power, alpha)
    return smallest(
        lambda n: several_arms_power(np.full(mu.size, n), mu, sd, alpha=alpha) >= power,
        low=2,
        what="participants in an arm",
    )


def ancova_power(
    n_control: float,
    n_treated: float,
    difference: float,
    sd: float,
    correlation: float,
    *,
    others: Sequence[float] = (),
    alpha: float = 0.05,
    exact: bool = True,
) -> float:
    """Power of the difference between two arms with the baseline as a covariate.

    The residual SD is sd sqrt(1 - rho^2) and the error has N - arms - 1 degrees of freedom. Arms differ at the baseline
    by chance, which widens the standard error by sqrt(1 + U), U (N - arms) ~ F(1, N - arms). The exact power averages
    over U; the usual formula takes U as 0.

    Args:
        n_control, n_treated: participants of the two arms compared.
        difference, sd: in one unit; sd of the outcome within arms.
        correlation: of baseline and outcome within arms.
        others: participants of each further arm; they add to the degrees of freedom.
        alpha: of the two-sided test.
        exact: average over chance imbalance (True) or take the usual formula.
    """
    df = n_control + n_treated + sum(others) - 2.0 - len(others)
    se = sd * math.sqrt((1.0 - correlation**2) * (1.0 / n_control + 1.0 / n_treated))
    if not exact:
        return float(power_of_t(difference / se, df - 1.0, alpha=alpha))
    imbalance = f_quantile(special.ndtr(_NODES), 1.0, df) / df
    return float(_WEIGHTS @ power_of_t(difference / (se * np.sqrt(1.0 + imbalance)), df - 1.0, alpha=alpha))


def ancova_size(
    difference: float,
    sd: float,
    correlation: float,
    *,
    power: float = 0.8,
    alpha: float = 0.05,
    ratio: float = 1.0,
    exact: bool = True,
) -> tuple[int, int]:
    """Smallest (control, treated) with which the analysis of covariance has the power.

    Raises:
        CallError: a wish that makes no sense, or a correlation that is not between -1 and 1.
    """
    _check(difference, sd, power, alpha, ratio)
    check_correlation(correlation)
    control = smallest(
        lambda n: ancova_power(n, _times(n, ratio), difference, sd, correlation, alpha=alpha, exact=exact) >= power,
        low=3,
        what="participants in an arm",
    )
    return control, _times(control, ratio)


def ancova_size_approximate(
    difference: float, sd: float, correlation: float, *, power: float = 0.8, alpha: float = 0.05, ratio: float = 1.0
) -> float:
    """Participants in the control arm: (1 - rho^2) times the number of the t test by the normal approximation."""
    check_correlation(correlation)
    return (1.0 - correlation**2) * two_arm_size_approximate(difference, sd, power=power, alpha=alpha, ratio=ratio)


def slope_power(doses: ArrayLike, sizes: ArrayLike, slope: float, sd: float, *, alpha: float = 0.05) -> float:
    """Power of the slope of a straight line over the doses of the arms.

    se = sd / sqrt( sum n_a (d_a - mean dose)^2 ), N - 2 degrees of freedom.

    Args:
        doses, sizes: (arms,) dose and participants of each arm.
        slope: change of the outcome for one unit of dose.
        sd: of the outcome within arms.
    """
    d, n = np.asarray(doses, dtype=float), np.asarray(sizes, dtype=float)
    spread = float(n @ (d - n @ d / n.sum()) ** 2)
    return float(power_of_t(slope * math.sqrt(spread) / sd, float(n.sum()) - 2.0, alpha=alpha))


def slope_size(doses: ArrayLike, slope: float, sd: float, *, power: float = 0.8, alpha: float = 0.05) -> int:
    """Smallest number in each of equal arms with which the slope over doses has the power.

    Raises:
        CallError: a slope of zero, doses that are all the same, or another wish that makes no sense.
    """
    d = np.asarray(doses, dtype=float)
    check_effect(slope, "The slope over doses")
    check_positive(float(np.ptp(d)), "The largest difference between doses")
    check_positive(sd, "The SD within arms")
    check_power(power, alpha)
    return smallest(
        lambda n: slope_power(d, np.full(d.size, n), slope, sd, alpha=alpha) >= power,
        low=2,
        what="participants in an arm",
    )


def design_effect(limbs: int, correlation: float) -> float:
    """How many times more limbs than independent ones are needed: 1 + (m - 1) rho.

    The mean of m limbs has variance sigma^2 (1 + (m - 1) rho) / m, so m limbs of one person are worth m / (1 + (m - 1)
    rho) people measured on one limb.

    Raises:
        CallError: fewer than one limb, or a correlation that is not between 0 and 1.
    """
    if limbs < 1:
        raise CallError(f"{limbs} limbs of each participant were asked for; plan 1 or 2.")
    if not 0.0 <= correlation <= 1.0:
        raise CallError(f"The correlation of two limbs is {correlation:g}; give a number from 0 to 1.")
    return 1.0 + (limbs - 1) * correlation


def check_correlation(correlation: float) -> None:
    """Refuse a correlation of baseline and outcome that leaves nothing to be explained.

    Raises:
        CallError: it is not between -1 and 1.
    """
    if not -1.0 < correlation < 1.0:
        raise CallError(f"The correlation of baseline and outcome is {correlation:g}; give a number between -1 and 1.")


def _times(n: int, ratio: float) -> int:
    return math.ceil(n * ratio - 1e-9)


def _check(difference: float, sd: float, power: float, alpha: float, ratio: float) -> None:
    check_effect(difference, "The difference between arms")
    check_positive(sd, "The SD within arms")
    check_positive(ratio, "The ratio of the arms")
    check_power(power, alpha)
