"""Expected mean squares of random terms, and the intervals that follow from them, with or without gaps.

Every term of a design that is crossed and nested at random has a mean square A whose expectation is

    E(A) = sum over the terms B that hold all facets of A of  c_B variance_B,   c_B = number of values of one level of B

(1 for the residual), and its degrees of freedom are its levels less 1 and less those of the terms inside it. A table
without gaps has these mean squares exactly. With gaps c_B is the harmonic mean over the levels of B, and the mean
squares are those that a table of this size would have had with the components found by REML: the unweighted-means
device of Burdick & Graybill (1992), Confidence Intervals on Variance Components (from memory).

A share of variance r = u / (u + e), with u and e sums of components, is 0 = u - r (u + e): some mean squares enter
with plus, some with minus. Their ratio is taken as F with Satterthwaite's degrees of freedom on both sides; the limits
are the r at which it reaches the quantiles. Tables without gaps give the intervals of McGraw & Wong (1996) and, with
trials, of Eliasziw et al. (1994). A standard deviation sqrt(e) gets the interval of Graybill & Wang (1980), a
component that of Williams (1962).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.numerics.intervals import (
    FloatArray,
    chi_square_quantile,
    f_quantile,
    mean_square_sum_interval,
    satterthwaite_df,
    tails,
    variance_interval,
)

Facets = tuple[str, ...]
Codes = NDArray[np.intp]
_DUST = 1e-10
"""A weight below this part of the largest one is the rounding of an exact 0."""


@dataclass(frozen=True, slots=True)
class ExpectedSquares:
    """Mean squares of q terms, the residual last.

    Attributes:
        mean_squares: shape (q,), in the unit of the values, squared.
        df: shape (q,), degrees of freedom.
        coefficients: shape (q, q); row i times the components is the expectation of mean square i.
    """

    mean_squares: FloatArray
    df: FloatArray
    coefficients: FloatArray

    @property
    def usable(self) -> bool:
        """Whether every term has a degree of freedom of its own."""
        return bool((self.df >= 1.0).all())

    def weights(self, of_components: FloatArray) -> FloatArray:
        """Weights (q,) of mean squares that make the same sum as these weights of components; dust is cleared."""
        found = np.linalg.solve(self.coefficients.T, of_components)
        return np.where(np.abs(found) < _DUST * np.abs(found).max(), 0.0, found)


def expected_squares(facets: Sequence[Facets], codes: Mapping[str, Codes], variances: FloatArray) -> ExpectedSquares:
    """Mean squares that belong to variance components in the design of these values.

    Args:
        facets: of every random term; the last is the residual and holds every value for itself.
        codes: facet -> shape (N,), the level of each value; facets of the residual alone need none.
        variances: shape (q,), components in the order of `facets`.
    """
    n = len(next(iter(codes.values())))
    q = len(facets)
    sizes = [_values_per_level([codes[name] for name in term]) for term in facets[:-1]] + [np.ones(n)]
    df, inside = np.zeros(q), np.zeros((q, q), dtype=bool)
    for a, term in enumerate(facets):
        for b, other in enumerate(facets):
            inside[a, b] = a == b or (b == q - 1) or (a != q - 1 and set(term) <= set(other))
    order = [*sorted(range(q - 1), key=lambda place: len(facets[place])), q - 1]
    for b in order:
        within = sum(df[a] for a in range(q) if a != b and inside[a, b])
        df[b] = len(sizes[b]) - 1.0 - within
    per_level = np.array([1.0 / float(np.mean(1.0 / size)) for size in sizes])
    coefficients = np.where(inside, per_level[None, :], 0.0)
    return ExpectedSquares(coefficients @ np.asarray(variances, dtype=np.float64), df, coefficients)


def share_interval(
    squares: ExpectedSquares, universe: FloatArray, error: FloatArray, confidence: float
) -> tuple[float, float]:
    """Interval of u / (u + e), where u and e are the components weighted by `universe` and `error`, shape (q,).

    nan where no mean square enters with plus or none with minus. Limits stay at or below 1.
    """
    plus, slope = squares.weights(universe), squares.weights(universe + error)
    terms, steps = plus * squares.mean_squares, slope * squares.mean_squares
    if not (steps.sum() > 0.0 and squares.usable):
        return float("nan"), float("nan")
    balance = terms - terms.sum() / steps.sum() * steps
    above, below = balance > 0.0, balance < 0.0
    if not (above.any() and below.any()):
        return float("nan"), float("nan")
    df1 = satterthwaite_df(balance[above], squares.df[above])
    df2 = satterthwaite_df(balance[below], squares.df[below])
    upper = tails(confidence)[1]
    limits = []
    for f in (float(f_quantile(upper, df1, df2)), 1.0 / float(f_quantile(upper, df2, df1))):
        top = terms[above].sum() + f * terms[below].sum()
        bottom = steps[above].sum() + f * steps[below].sum()
        limits.append(min(float(top / bottom), 1.0) if bottom > 0.0 else float("nan"))
    return limits[0], limits[1]


def size_interval(squares: ExpectedSquares, error: FloatArray, confidence: float) -> tuple[float, float]:
    """Interval of the root of the components weighted by `error`, shape (q,).

    Weights of mean squares at or above 0 allow the interval of Graybill & Wang; a negative one (more readings are
    averaged than were taken) leads to Satterthwaite's chi-square. nan where the variance is not above 0.
    """
    weights = squares.weights(error)
    used = weights != 0.0
    terms, df = (weights * squares.mean_squares)[used], squares.df[used]
    if not (terms.sum() > 0.0 and squares.usable):
        return float("nan"), float("nan")
    if (terms >= 0.0).all():
        low, high = mean_square_sum_interval(terms, df, confidence)
    else:
        low, high = variance_interval(terms.sum(), satterthwaite_df(terms, df), confidence)
    return float(np.sqrt(low)), float(np.sqrt(high))


def component_interval(squares: ExpectedSquares, place: int, confidence: float) -> tuple[float, float]:
    """Interval of one component, the difference of two sums of mean squares; low is cut at 0.

    Each sum has Satterthwaite's degrees of freedom, and their difference the interval of Williams (1962), Biometrika
    49, 278-281 (from memory), which is exact in form where each sum is one mean square; chi-square for the residual.
    """
    weights = squares.weights(np.eye(len(squares.df))[place])
    above, below = weights > 0.0, weights < 0.0
    if not squares.usable:
        return float("nan"), float("nan")
    plus, minus = (weights[side] * squares.mean_squares[side] for side in (above, below))
    df = satterthwaite_df(plus, squares.df[above])
    if not below.any():
        low, high = variance_interval(plus.sum(), df, confidence)
        return float(low), float(high)
    df_below = satterthwaite_df(minus, squares.df[below])
    edges = [
        df * (plus.sum() + minus.sum() * f_quantile(tail, df, df_below)) / chi_square_quantile(tail, df)
        for tail in tails(confidence)[::-1]
    ]
    return max(float(edges[0]), 0.0), max(float(edges[1]), 0.0)


def _values_per_level(codes: Sequence[Codes]) -> FloatArray:
    """How many values each level holds; a level is a combination of codes that occurs."""
    key = codes[0].astype(np.int64)
    for more in codes[1:]:
        key = np.unique(key, return_inverse=True)[1] * (int(more.max()) + 1) + more
    return np.unique(key, return_counts=True)[1].astype(np.float64)
