"""Chance-corrected agreement of two raters: kappa, weighted kappa, and what distorts them.

With cell shares p_ij of a q x q table, row shares r_i, column shares c_j and agreement weights w_ij:

    observed = sum w_ij p_ij        expected = sum w_ij r_i c_j        kappa = (observed - expected) / (1 - expected)

Weights: none 1 on the diagonal and 0 elsewhere; linear 1 - |i - j| / (q - 1); quadratic 1 - (i - j)^2 / (q - 1)^2.
Sources: Cohen (1960), Educ. Psychol. Meas. 20, 37-46; Cohen (1968), Psychol. Bull. 70, 213-220; large-sample standard
errors: Fleiss, Cohen & Everitt (1969), Psychol. Bull. 72, 323-327; prevalence and bias: Byrt, Bishop & Carlin (1993),
J. Clin. Epidemiol. 46, 423-429 (all from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from studykit.errors import CallError, DataError, DesignError, check_choice
from studykit.numerics.intervals import FloatArray, two_sided_z

WEIGHTS = ("none", "linear", "quadratic")


@dataclass(frozen=True, slots=True)
class Kappa:
    """Kappa of one table or many; every field has the shape of the table's leading axes.

    `se` is the large-sample standard error behind the interval, `se_null` the one under kappa = 0 behind `p`
    (two-sided).
    """

    value: FloatArray
    low: FloatArray
    high: FloatArray
    se: FloatArray
    se_null: FloatArray
    p: FloatArray
    observed: FloatArray
    expected: FloatArray


@dataclass(frozen=True, slots=True)
class Distortion:
    """What pulls kappa away from plain agreement.

    Attributes:
        largest_share: share of all ratings that fall in the most used category.
        prevalence: |n_11 - n_22| / n for two categories, nan for more.
        bias: half the summed difference between the raters' category shares; |n_12 - n_21| / n for two categories.
        adjusted: (q observed - 1) / (q - 1), kappa if all categories were equally used by both raters.
    """

    largest_share: float
    prevalence: float
    bias: float
    adjusted: float


def agreement_weights(categories: int, weights: str) -> FloatArray:
    """The q x q agreement weights: 1 on the diagonal, less the further apart two grades are.

    Raises:
        CallError: unknown word.
    """
    check_choice(weights, WEIGHTS, "weights")
    if weights == "none" or categories < 2:
        return np.eye(categories)
    grade = np.arange(categories)
    apart = np.abs(grade[:, None] - grade[None, :]) / (categories - 1)
    return np.asarray(1.0 - (apart if weights == "linear" else apart**2))


def cross_table(first: ArrayLike, second: ArrayLike, categories: int) -> FloatArray:
    """Counts of (first rater's category, second rater's category), categories numbered from 0."""
    a, b = np.asarray(first, dtype=np.intp), np.asarray(second, dtype=np.intp)
    counts = np.bincount(a * categories + b, minlength=categories * categories)
    return counts.reshape(categories, categories).astype(np.float64)


def kappa(table: ArrayLike, *, weights: str | FloatArray = "none", confidence: float = 0.95) -> Kappa:
    """Kappa with its large-sample interval, cut at -1 and 1.

    Args:
        table: counts, shape (..., q, q); rows are the first rater.
        weights: "none", "linear", "quadratic", or a q x q array of agreement weights.
        confidence: level of the interval.

    Where both raters used one and the same category only, kappa is 0/0: nan. Where agreement is perfect the standard
    error is 0 and the interval collapses; the data then say nothing about how much agreement might be lost elsewhere.

    Raises:
        DataError: negative or empty tables. CallError: unknown weights, or weights of another size.
    """
    counts = _checked_table(table)
    q = counts.shape[-1]
    w = agreement_weights(q, weights) if isinstance(weights, str) else np.asarray(weights, dtype=np.float64)
    if w.shape != (q, q):
        raise CallError(f"weights have shape {w.shape}; the table has {q} categories.")
    n = counts.sum(axis=(-2, -1))
    p = counts / n[..., None, None]
    row, column = p.sum(axis=-1), p.sum(axis=-2)
    chance = row[..., :, None] * column[..., None, :]
    observed, expected = (w * p).sum(axis=(-2, -1)), (w * chance).sum(axis=(-2, -1))
    room = 1.0 - expected
    room = np.where(room <= 4.0 * np.finfo(np.float64).eps, 0.0, room)
    mean_weights = (column @ w.T)[..., :, None] + (row @ w)[..., None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        value = (observed - expected) / room
        loss = np.asarray(1.0 - value)[..., None, None]
        spread = (p * (w - mean_weights * loss) ** 2).sum(axis=(-2, -1)) - (value - expected * (1.0 - value)) ** 2
        se = np.sqrt(np.maximum(_cleared(spread), 0.0) / n) / room
        null_spread = (chance * (w - mean_weights) ** 2).sum(axis=(-2, -1)) - expected**2
        se_null = np.sqrt(np.maximum(_cleared(null_spread), 0.0) / n) / room
        p_value = 2.0 * special.ndtr(-np.abs(value / se_null))
    half = two_sided_z(confidence) * se
    low, high = np.maximum(value - half, -1.0), np.minimum(value + half, 1.0)
    return Kappa(value, low, high, se, se_null, p_value, observed, expected)


def distortion(table: ArrayLike) -> Distortion:
    """Prevalence and bias beside a kappa; the table is q x q counts."""
    counts = _checked_table(table)
    q = counts.shape[-1]
    p = counts / counts.sum()
    row, column = p.sum(axis=1), p.sum(axis=0)
    observed = float(np.trace(p))
    return Distortion(
        largest_share=float(((row + column) / 2.0).max()),
        prevalence=float(abs(p[0, 0] - p[1, 1])) if q == 2 else float("nan"),
        bias=float(np.abs(row - column).sum() / 2.0),
        adjusted=(q * observed - 1.0) / (q - 1.0),
    )


def _checked_table(table: ArrayLike) -> FloatArray:
    counts = np.asarray(table, dtype=np.float64)
    if counts.ndim < 2 or counts.shape[-1] != counts.shape[-2]:
        raise DataError(f"The table of two raters has shape {counts.shape}; it needs as many rows as columns.")
    if counts.shape[-1] < 2:
        raise DesignError("There is one category: agreement beyond chance needs at least 2.")
    if not np.isfinite(counts).all() or (counts < 0.0).any() or (counts.sum(axis=(-2, -1)) <= 0.0).any():
        raise DataError("The table of two raters is empty or holds counts that are negative or missing.")
    return counts


def _cleared(spread: FloatArray) -> FloatArray:
    """A variance that is no larger than the rounding of terms of size 1 is 0."""
    return np.where(np.abs(spread) <= 16.0 * np.finfo(np.float64).eps, 0.0, spread)
