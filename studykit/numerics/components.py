"""Where does the error come from? Variance components from mean squares.

A component is a difference of two mean squares over the number of values it is averaged over, so its estimate may be
negative: then the component is taken as 0 and the raw estimate is kept beside it. Intervals: chi-square for the
residual; for a difference of mean squares those of Williams (1962), Biometrika 49, 278-281 (from memory), whose
coverage is never far below the stated level. Generalisability theory: Brennan (2001), Generalizability Theory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.numerics.anova import CrossedMeanSquares, MeanSquares
from studykit.numerics.intervals import chi_square_quantile, f_quantile, tails, variance_interval


@dataclass(frozen=True, slots=True)
class Component:
    """One variance component; unit: that of the ratings, squared.

    Attributes:
        facets: what it belongs to, such as ("target",), ("rater",), ("target", "rater"), ("target", "rater", "trial").
        variance: the estimate, never below 0.
        raw: the estimate before a negative one became 0.
        low, high: interval; low is cut at 0.
        share: of the sum of all components, nan when that sum is 0.
    """

    facets: tuple[str, ...]
    variance: float
    raw: float
    low: float
    high: float
    share: float


def two_way_components(ms: MeanSquares, *, confidence: float = 0.95) -> tuple[Component, ...]:
    """Target, rater and residual of one n x k table; the residual holds interaction and trial, which one rating
    a cell cannot tell apart."""
    n, k = int(ms.n), ms.k
    error, df_error = float(ms.error), (n - 1) * (k - 1)
    return _with_shares(
        [
            _difference(("target",), float(ms.rows), n - 1, error, df_error, k, confidence),
            _difference(("rater",), float(ms.columns), k - 1, error, df_error, n, confidence),
            _residual(("target", "rater", "trial"), error, df_error, confidence),
        ]
    )


def one_way_components(ms: MeanSquares, *, confidence: float = 0.95) -> tuple[Component, ...]:
    """Target and residual where every target had raters of its own, or raters are not named."""
    n, k = int(ms.n), ms.k
    within, df = float(ms.within), n * (k - 1)
    return _with_shares(
        [
            _difference(("target",), float(ms.rows), n - 1, within, df, k, confidence),
            _residual(("target", "trial"), within, df, confidence),
        ]
    )


def crossed_components(ms: CrossedMeanSquares, *, confidence: float = 0.95) -> tuple[Component, ...]:
    """Target, rater, target by rater and trial of one n x t x m table, all raters random."""
    n, t, m = int(ms.n), ms.t, ms.m
    both, error = float(ms.interaction), float(ms.error)
    df_both, df_error = (n - 1) * (t - 1), n * t * (m - 1)
    return _with_shares(
        [
            _difference(("target",), float(ms.targets), n - 1, both, df_both, m * t, confidence),
            _difference(("rater",), float(ms.raters), t - 1, both, df_both, m * n, confidence),
            _difference(("target", "rater"), both, df_both, error, df_error, m, confidence),
            _residual(("target", "rater", "trial"), error, df_error, confidence),
        ]
    )


def _difference(
    facets: tuple[str, ...],
    upper: float,
    df_upper: int,
    lower: float,
    df_lower: int,
    divisor: int,
    confidence: float,
) -> Component:
    """Component (upper - lower) / divisor with the interval of Williams; nan shares are filled in later."""
    raw = (upper - lower) / divisor
    edges = []
    for tail in tails(confidence)[::-1]:
        f, chi2 = float(f_quantile(tail, df_upper, df_lower)), float(chi_square_quantile(tail, df_upper))
        edges.append(df_upper * (upper - lower * f) / (divisor * chi2))
    low, high = (max(edge, 0.0) for edge in edges)
    return Component(facets, max(raw, 0.0), raw, low, high, float("nan"))


def _residual(facets: tuple[str, ...], variance: float, df: int, confidence: float) -> Component:
    low, high = variance_interval(variance, df, confidence)
    return Component(facets, variance, variance, float(low), float(high), float("nan"))


def _with_shares(parts: list[Component]) -> tuple[Component, ...]:
    total = float(np.sum([part.variance for part in parts]))
    share = [part.variance / total if total > 0.0 else float("nan") for part in parts]
    return tuple(Component(p.facets, p.variance, p.raw, p.low, p.high, s) for p, s in zip(parts, share, strict=True))
