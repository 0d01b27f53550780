"""Profile-likelihood intervals for the covariance parameters of a repeated-visits fit.

For a natural parameter held at c, the others are optimised; the interval holds the c whose criterion exceeds the
optimum by no more than the chi-squared quantile with one degree of freedom. The walk follows the profile in steps,
predicts the others by the implicit slope -H^-1 h, corrects them by Newton, and ends with a secant on the signed root.

Source: Venzon & Moolgavkar (1988), Appl. Stat. 37, 87-94 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from studykit.errors import FitError, check_confidence
from studykit.numerics.mixed.repeated import RepeatedCovarianceFit, fit_shape, newton_direction
from studykit.numerics.mixed.repeated_criterion import Criterion, criterion, criterion_value
from studykit.numerics.mixed.repeated_products import RepeatedProducts
from studykit.numerics.mixed.residual_covariance import CovarianceShape

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ProfileIntervals:
    """Limits of every natural parameter, outcome units, (k,); `criterion` says which likelihood was profiled."""

    low: Array
    high: Array
    criterion: str


@dataclass(frozen=True, slots=True)
class _Point:
    """A point of the profile: natural parameters in working units, and the criterion with its derivatives there."""

    theta: Array
    at: Criterion


@dataclass(frozen=True, slots=True)
class _Problem:
    shape: CovarianceShape
    products: RepeatedProducts
    reml: bool

    def point(self, theta: Array) -> _Point:
        return _Point(theta, criterion(theta, self.shape, self.products, reml=self.reml))

    def value(self, theta: Array) -> float:
        if not self.inside(theta):
            return float("inf")
        return criterion_value(self.shape.covariance(theta), self.products, reml=self.reml)

    def inside(self, theta: Array) -> bool:
        """True where every natural parameter lies inside its own range and the covariance is positive definite."""
        try:
            with np.errstate(invalid="ignore", divide="ignore"):
                return bool(np.all(np.isfinite(self.shape.free(theta))))
        except np.linalg.LinAlgError:
            return False


def profile_intervals(fit: RepeatedCovarianceFit, *, method: str, confidence: float = 0.95) -> ProfileIntervals:
    """Profile the ML or REML criterion of every covariance parameter.

    Args:
        fit: the fit; refitted when `method` is not its own.
        method: "ml" or "reml".
        confidence: level of each interval.

    Raises:
        FitError: the profile could not be followed to its limit.
    """
    check_confidence(confidence)
    best = fit if fit.method == method else fit_shape(fit.shape, fit.products, method=method)
    units = fit.shape.units(fit.products.scale)
    problem = _Problem(fit.shape, fit.products, method == "reml")
    top = problem.point(best.theta / units)
    root = float(np.sqrt(stats.chi2.ppf(confidence, 1)))
    limits = np.array([[_limit(problem, top, index, side * root) for side in (-1, 1)] for index in range(units.size)])
    return ProfileIntervals(low=limits[:, 0] * units, high=limits[:, 1] * units, criterion=method)


def _limit(problem: _Problem, top: _Point, index: int, target: float) -> float:
    """Value of parameter `index` at which the signed root of the criterion's excess is `target`.

    Where the covariance becomes singular before the criterion has risen so far, the limit is that edge.
    """
    spread = abs(float(np.linalg.inv(top.at.observed)[index, index]))
    stride = 0.5 * target * float(np.sqrt(spread))
    first = abs(stride)
    inner, inner_root = top, 0.0
    for _ in range(400):
        outer = _moved(problem, inner, index, inner.theta[index] + stride)
        if outer is None:
            stride *= 0.5
            if abs(stride) < 1e-6 * first:
                return float(inner.theta[index])
            continue
        outer_root = _signed_root(outer, top, target)
        if abs(outer_root) >= abs(target):
            return _between(problem, top, index, target, (inner, inner_root), (outer, outer_root))
        inner, inner_root = outer, outer_root
        stride *= 1.3
    raise FitError(
        "A profile likelihood did not reach its limit within 400 steps; the data hardly bound this parameter."
    )


def _between(
    problem: _Problem,
    top: _Point,
    index: int,
    target: float,
    inner: tuple[_Point, float],
    outer: tuple[_Point, float],
) -> float:
    """Secant with bisection between a point inside and a point outside the interval."""
    for step in range(100):
        low, high = inner[0].theta[index], outer[0].theta[index]
        share = (target - inner[1]) / (outer[1] - inner[1])
        share = 0.5 if step % 4 == 3 else float(np.clip(share, 0.02, 0.98))
        middle = _moved(problem, inner[0], index, low + share * (high - low))
        if middle is None:
            middle = _moved(problem, outer[0], index, low + share * (high - low))
        if middle is None:
            raise FitError("A profile likelihood broke off before its limit; try a covariance with fewer parameters.")
        root = _signed_root(middle, top, target)
        if abs(root - target) < 1e-9 or abs(high - low) < 1e-10 * (abs(high) + abs(low)):
            return float(middle.theta[index])
        if abs(root) < abs(target):
            inner = (middle, root)
        else:
            outer = (middle, root)
    return float(0.5 * (inner[0].theta[index] + outer[0].theta[index]))


def _signed_root(point: _Point, top: _Point, target: float) -> float:
    return float(np.sign(target) * np.sqrt(max(point.at.value - top.at.value, 0.0)))


def _moved(problem: _Problem, start: _Point, index: int, value: float) -> _Point | None:
    """The profile at `value` of parameter `index`, reached from a nearby point; None when the step is too long."""
    others = np.arange(start.theta.size) != index
    theta = start.theta.copy()
    if np.any(others):
        slope = np.linalg.solve(start.at.observed[np.ix_(others, others)], start.at.observed[others, index])
        theta[others] -= slope * (value - theta[index])
    theta[index] = value
    if not problem.inside(theta):
        theta[others] = start.theta[others]
        if not problem.inside(theta):
            return None
    for _ in range(60):
        point = problem.point(theta)
        if not np.any(others):
            return point
        direction, decrement = _inner_direction(point, others)
        if decrement < 1e-16:
            return point
        length = 1.0
        while length > 1e-8:
            trial = theta.copy()
            trial[others] += length * direction
            if problem.value(trial) <= point.at.value - 1e-4 * length * decrement or (
                decrement < 1e-10 and problem.inside(trial)
            ):
                break
            length *= 0.5
        else:
            return point if decrement < 1e-8 else None
        theta = trial
    return None


def _inner_direction(point: _Point, others: NDArray[np.bool_]) -> tuple[Array, float]:
    at = np.ix_(others, others)
    return newton_direction(point.at.gradient[others], [2.0 * point.at.observed[at], 2.0 * point.at.expected[at]])
