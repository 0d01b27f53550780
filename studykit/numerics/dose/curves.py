"""Curves of dose through the means of arms, inside a mixed model: fits by maximum likelihood, errors by Kenward–Roger.

The whole model has a mean of its own for each arm at the visit that is asked about (and whatever else it has). A curve
holds these means to c_0 + f(dose), f(0) = 0, and leaves everything else free; it is fitted by ML, so that shapes can be
compared. A shape with one parameter that is not linear (`shapes.saturating`) is fitted for every value of it, which
gives its profile likelihood; the slope of the profile is

    d D / d u = -2 score' (d mean / d u)

by the envelope theorem, so that the least is found as the root of a slope.

Standard errors of f(d) are those of a REML fit of the same columns (Kenward–Roger), with the derivative by the
parameter that is not linear as a further column (linearised at the estimate: Seber & Wild 1989, Nonlinear Regression,
section 2.1, from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise
from typing import Final

import numpy as np
from scipy import optimize, stats

from studykit.numerics.dose import shapes
from studykit.numerics.dose.monotone import limits_within, monotone_means, step_columns
from studykit.numerics.mixed.restricted_means import RestrictedFit, RestrictedMeans
from studykit.numerics.mixed.small_sample import Ingredients, kenward_roger, kenward_roger_df

Columns = Callable[[np.ndarray], np.ndarray]

NONE: Final = "none"
STRAIGHT: Final = "straight"
LOGARITHM: Final = "logarithm"
SATURATING: Final = "saturating"
SPLINE: Final = "spline"
STEPS: Final = "steps"
FREE: Final = "free"

_GRID: Final = 11
_SHARE_PRECISION: Final = 1e-10
_PATTERNS: Final = 10


@dataclass(frozen=True, slots=True)
class ArmMeans:
    """The means that a curve goes through.

    Attributes:
        means: the whole model and its fits.
        places: (a,) which fixed effects of the whole are the arms' means at the visit.
        doses: (a,) dose of each arm, 0 or more, 0 among them.
        count: p, fixed effects of the whole.
    """

    means: RestrictedMeans = field(repr=False)
    places: np.ndarray
    doses: np.ndarray
    count: int

    @property
    def top(self) -> float:
        """The largest dose."""
        return float(self.doses.max())

    @property
    def different(self) -> np.ndarray:
        """(k,) different doses above 0, rising."""
        found = np.unique(self.doses)
        return found[found > 0.0]

    def constraint(self, columns: np.ndarray) -> np.ndarray:
        """(p, p - a + 1 + k): everything else free, then c_0, then the k columns (a, k) of the curve, last."""
        others = np.setdiff1d(np.arange(self.count), self.places)
        held = np.zeros((self.count, len(others) + 1 + columns.shape[1]))
        held[others, np.arange(len(others))] = 1.0
        held[self.places, len(others)] = 1.0
        held[self.places, len(others) + 1 :] = columns
        return held

    def fit(self, columns: np.ndarray, *, method: str = "ml", start: np.ndarray | None = None) -> RestrictedFit:
        """The whole model with the arms' means held to c_0 + columns c."""
        return self.means.fit(self.constraint(columns), method=method, start=start)


@dataclass(frozen=True, slots=True)
class Curve:
    """A fitted curve.

    Attributes:
        shape: one of the words above.
        deviance: -2 log-likelihood; parameters: of mean and covariance together.
        at_zero: c_0, the mean at dose 0; coefficients: (k,) of the columns.
        columns: d -> (m, k); wide: d -> (m, w) the columns that carry the error, those of the curve first.
        made: of the REML fit with the wide columns, whose last w coefficients they have; None without any.
        share: u of the saturating shape, else nan.
    """

    shape: str
    deviance: float
    parameters: int
    at_zero: float
    coefficients: np.ndarray
    columns: Columns = field(repr=False, compare=False)
    wide: Columns = field(repr=False, compare=False)
    made: Ingredients | None = field(repr=False, compare=False)
    share: float = float("nan")

    def rise(self, dose: np.ndarray) -> np.ndarray:
        """(m,) f(d): the mean at each dose less that at dose 0."""
        risen: np.ndarray = self.columns(np.asarray(dose, dtype=float)) @ self.coefficients
        return risen

    def rise_interval(self, dose: np.ndarray, *, confidence: float) -> tuple[np.ndarray, np.ndarray]:
        """(m,) limits of f(d) with Kenward–Roger errors; nan at dose 0 and for a curve without errors."""
        d = np.asarray(dose, dtype=float)
        empty = np.full(len(d), np.nan)
        if self.made is None:
            return empty, empty.copy()
        above = d > 0.0
        wide = self.wide(d[above])
        contrast = np.zeros((self.made.beta.shape[0], len(wide)))
        contrast[-wide.shape[1] :] = wide.T
        error = np.sqrt(np.einsum("il,ij,jl->l", contrast, kenward_roger(self.made), contrast))
        reach = stats.t.ppf(0.5 + confidence / 2.0, kenward_roger_df(self.made, contrast)) * error
        low, high = empty, empty.copy()
        low[above], high[above] = self.rise(d[above]) - reach, self.rise(d[above]) + reach
        return low, high


@dataclass(frozen=True, slots=True)
class HalfDose:
    """The half-maximal dose of a saturating curve, from the profile of its share u = h / (h + top).

    Attributes:
        curve: the fit at the best share.
        low, high: limits of u; 0 or 1 where the interval is open on that side: a step (h = 0) or a straight line
            (h infinite) cannot be ruled out.
        top: the largest dose studied.
        profile: (g, 2) u and the deviance less the least, rising in u.
    """

    curve: Curve
    low: float
    high: float
    top: float
    profile: np.ndarray = field(repr=False)

    @property
    def dose(self) -> float:
        """h in the unit of the dose; infinite for a straight line."""
        return shapes.half_dose(self.curve.share, self.top)

    @property
    def limits(self) -> tuple[float, float]:
        """The interval of h; 0 or infinity where it is open."""
        return shapes.half_dose(self.low, self.top), shapes.half_dose(self.high, self.top)


def linear_curve(shape: str, arms: ArmMeans, columns: Columns) -> Curve:
    """A curve whose columns hold no unknown."""
    fit = arms.fit(columns(arms.doses))
    return _curve(shape, arms, fit, columns, columns)


def no_curve(arms: ArmMeans) -> Curve:
    """The same mean at every dose."""
    nothing: Columns = _nothing
    return _curve(NONE, arms, arms.fit(nothing(arms.doses)), nothing, nothing)


def half_maximal(arms: ArmMeans, *, confidence: float) -> HalfDose:
    """The saturating curve, and its half-maximal dose with a profile-likelihood interval.

    The deviance is profiled over everything else, covariance parameters among it. The interval holds every u whose
    deviance is within the chi-squared quantile (1 df) of the least; between two places that belong to it nothing is
    left out.

    Args:
        arms: at least three different doses, 0 among them.
        confidence: such as 0.95.
    """
    profile = _Profile(arms)
    grid = [float(share) for share in np.linspace(0.0, 1.0, _GRID)]
    best = min(profile.lowest(grid), key=profile.deviance)
    target = profile.deviance(best) + float(stats.chi2.ppf(confidence, 1))
    known = sorted({*grid, best})
    columns = partial(_saturating, share=best, top=arms.top)
    wide = partial(_saturating_wide, share=best, top=arms.top, theta=profile.theta(best))
    inside = 0.0 < best < 1.0
    curve = _curve(SATURATING, arms, profile.at(best), columns, wide if inside else columns, share=best, further=1)
    return HalfDose(
        curve=curve,
        low=profile.crossing(known, best, target),
        high=profile.crossing(known[::-1], best, target),
        top=arms.top,
        profile=np.array([(share, profile.deviance(share) - profile.deviance(best)) for share in known]),
    )


def monotone_curve(arms: ArmMeans, *, rising: bool) -> Curve:
    """Means that never fall (or never rise) from dose to dose, by ML: steps at some of the doses.

    Which steps are zero follows from the free means; the covariance parameters are then estimated anew under these
    steps, and so on until the steps stay the same. The parameters counted are the steps that are not zero.
    """
    sign = 1.0 if rising else -1.0
    all_steps = step_columns(arms.doses, arms.different)
    fit = arms.means.fit(np.eye(arms.count), method="ml")
    kept: tuple[int, ...] | None = None
    for _ in range(_PATTERNS):
        means = sign * fit.free_beta[arms.places]
        weight = np.linalg.inv(fit.free_covariance[np.ix_(arms.places, arms.places)])
        stepping = tuple(int(place) for place in np.flatnonzero(monotone_means(means, weight, all_steps).steps))
        if stepping == kept:
            break
        kept = stepping
        fit = arms.fit(all_steps[:, list(stepping)], start=fit.factor)
    columns = partial(step_columns, doses=arms.different[list(kept or ())])
    return _curve(STEPS, arms, fit, columns, None)


def step_limits(arms: ArmMeans, steps: Curve, *, rising: bool, confidence: float) -> tuple[np.ndarray, np.ndarray]:
    """(k,) limits of the rise to each dose above 0 among means that never turn back (`monotone.limits_within`).

    Args:
        steps: what `monotone_curve` gave.
        rising: as it was there.
        confidence: such as 0.95; of the means of the doses without any condition, with Kenward–Roger errors.
    """
    doses = arms.different
    low, high = linear_curve(STEPS, arms, partial(step_columns, doses=doses)).rise_interval(
        doses, confidence=confidence
    )
    if rising:
        return limits_within(low, high, steps.rise(doses))
    low, high = limits_within(-high, -low, -steps.rise(doses))
    return -high, -low


def free_deviance(arms: ArmMeans) -> tuple[float, int]:
    """Deviance and parameters of the whole model, a mean of its own for each arm."""
    fit = arms.means.fit(np.eye(arms.count), method="ml")
    return fit.deviance, fit.parameters


def _curve(
    shape: str,
    arms: ArmMeans,
    fit: RestrictedFit,
    columns: Columns,
    wide: Columns | None,
    *,
    share: float = float("nan"),
    further: int = 0,
) -> Curve:
    count = columns(arms.doses).shape[1]
    start = len(fit.coefficients) - count
    made = None
    if wide is not None and count:
        made = arms.fit(wide(arms.doses), method="reml", start=fit.factor).made
    return Curve(
        shape=shape,
        deviance=fit.deviance,
        parameters=fit.parameters + further,
        at_zero=float(fit.coefficients[start - 1]),
        coefficients=fit.coefficients[start:],
        columns=columns,
        wide=wide or columns,
        made=made,
        share=share,
    )


def _nothing(dose: np.ndarray) -> np.ndarray:
    return np.empty((len(dose), 0))


def _saturating(dose: np.ndarray, *, share: float, top: float) -> np.ndarray:
    return shapes.saturating(dose, share, top)


def _saturating_wide(dose: np.ndarray, *, share: float, top: float, theta: float) -> np.ndarray:
    """The curve and its derivative by the share: an error of the share moves f(d) by theta times that."""
    slope = (theta if theta != 0.0 else 1.0) * shapes.saturating_slope(dose, share, top)
    return np.hstack([shapes.saturating(dose, share, top), slope])


class _Profile:
    """Deviance of the saturating curve at any share, each fit remembered and begun where its neighbour ended."""

    __slots__ = ("_arms", "_fits")

    def __init__(self, arms: ArmMeans) -> None:
        self._arms = arms
        self._fits: dict[float, RestrictedFit] = {}

    def at(self, share: float) -> RestrictedFit:
        if share not in self._fits:
            start = None
            if self._fits:
                start = self._fits[min(self._fits, key=lambda known: abs(known - share))].factor
            columns = shapes.saturating(self._arms.doses, share, self._arms.top)
            self._fits[share] = self._arms.fit(columns, start=start)
        return self._fits[share]

    def deviance(self, share: float) -> float:
        return self.at(share).deviance

    def theta(self, share: float) -> float:
        """The rise to the largest dose."""
        return float(self.at(share).coefficients[-1])

    def slope(self, share: float) -> float:
        fit, arms = self.at(share), self._arms
        bend = self.theta(share) * shapes.saturating_slope(arms.doses, share, arms.top)[:, 0]
        return -2.0 * float(fit.score[arms.places] @ bend)

    def lowest(self, grid: list[float]) -> list[float]:
        """Every place between neighbours of the grid where the slope turns from falling to rising, and both ends."""
        found = [grid[0], grid[-1]]
        for left, right in pairwise(grid):
            if self.slope(left) < 0.0 < self.slope(right):
                found.append(float(optimize.brentq(self.slope, left, right, xtol=_SHARE_PRECISION)))
        return found

    def crossing(self, known: list[float], best: float, target: float) -> float:
        """The first place on the way from the end of `known` inward where the deviance comes down to the target."""
        if self.deviance(known[0]) <= target:
            return known[0]
        outer = known[0]
        for inner in known[1:]:
            if self.deviance(inner) <= target or inner == best:
                low, high = sorted((outer, inner))
                found = optimize.brentq(lambda u: self.deviance(u) - target, low, high, xtol=_SHARE_PRECISION)
                return float(found)
            outer = inner
        return best
