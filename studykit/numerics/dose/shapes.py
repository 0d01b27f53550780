"""Shapes of a curve of dose: columns that are zero at dose 0 and enter a mean linearly.

    straight       b d
    logarithm      b log(1 + d)
    saturating     b d / (h + d), rising to b, half of it at d = h
    spline         natural cubic spline with three knots: 0, the median of the doses studied, the largest of them
    steps          a mean for each dose, never falling (or never rising); `monotone`

The saturating shape is written in the share u = h / (h + top), 0 <= u <= 1, and scaled to 1 at the largest dose `top`:

    g_u(d) = d / (top u + d (1 - u)),     h = top u / (1 - u),     b = theta / (1 - u)

with theta the mean at `top`. So u = 0 is a step (any dose does the same, h = 0), u = 1 the straight line (h infinite),
and nothing is lost at either end.

Natural splines: Hastie, Tibshirani & Friedman (2009) The Elements of Statistical Learning, section 5.2.1 (from memory).
"""

from __future__ import annotations

import numpy as np


def straight(dose: np.ndarray) -> np.ndarray:
    """(a, 1) the dose itself."""
    return np.asarray(dose, dtype=float)[:, None]


def logarithm(dose: np.ndarray) -> np.ndarray:
    """(a, 1) log(1 + d); depends on the unit of the dose."""
    column: np.ndarray = np.log1p(np.asarray(dose, dtype=float))[:, None]
    return column


def saturating(dose: np.ndarray, share: float, top: float) -> np.ndarray:
    """(a, 1) g_u(d), see above; 0 at dose 0, 1 at `top`.

    Args:
        dose: (a,) doses, 0 or more.
        share: u, from 0 (a step) to 1 (a straight line).
        top: the largest dose studied, above 0.
    """
    d = np.asarray(dose, dtype=float)
    below = top * share + d * (1.0 - share)
    curve: np.ndarray = np.divide(d, below, out=np.zeros_like(d), where=d > 0.0)[:, None]
    return curve


def saturating_slope(dose: np.ndarray, share: float, top: float) -> np.ndarray:
    """(a, 1) the derivative of g_u(d) by u: -d (top - d) / (top u + d (1 - u))^2."""
    d = np.asarray(dose, dtype=float)
    below = top * share + d * (1.0 - share)
    slope: np.ndarray = np.divide(-d * (top - d), below**2, out=np.zeros_like(d), where=d > 0.0)[:, None]
    return slope


def half_dose(share: float, top: float) -> float:
    """h = top u / (1 - u), in the unit of `top`; infinite at u = 1."""
    return float("inf") if share >= 1.0 else top * share / (1.0 - share)


def share_of(half: float, top: float) -> float:
    """u = h / (h + top)."""
    return 1.0 if np.isinf(half) else half / (half + top)


def spline_knots(doses: np.ndarray) -> np.ndarray:
    """(3,) 0, the median of the different doses between 0 and the largest, the largest.

    Args:
        doses: (k,) different doses, 0 among them, at least one between 0 and the largest.
    """
    inner = np.unique(doses)[1:-1]
    return np.array([0.0, float(np.median(inner)), float(np.max(doses))])


def natural_spline(dose: np.ndarray, knots: np.ndarray) -> np.ndarray:
    """(a, m - 1) natural cubic spline through m knots without its constant: straight beyond the outer knots.

    N_1 = d, N_{j+1} = r_j - r_{m-1} with r_j = ((d - k_j)_+^3 - (d - k_m)_+^3) / (k_m - k_j), j = 1 .. m - 2. Every
    column is zero at the first knot when that is 0.
    """
    d = np.asarray(dose, dtype=float)
    last = knots[-1]
    beyond = np.maximum(d - last, 0.0) ** 3
    ratios = [(np.maximum(d - knot, 0.0) ** 3 - beyond) / (last - knot) for knot in knots[:-1]]
    # In units of the span, so that columns of doses in minutes and in hours fit equally well.
    span = float(last - knots[0])
    return np.column_stack([d, *[(ratio - ratios[-1]) / span for ratio in ratios[:-1]]])
