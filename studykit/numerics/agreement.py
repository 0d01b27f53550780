"""Agreement of any number of raters on categories: percent agreement, Fleiss' kappa, Gwet's AC1 and AC2.

Every statistic here reads counts r_ik: how many raters put target i in category k, n x q, with r_i ratings in total
(targets may have different numbers of ratings). With agreement weights w_kl:

    p_i      = sum_k r_ik (sum_l w_kl r_il - 1) / (r_i (r_i - 1))       agreeing pairs of raters on target i
    observed = mean of p_i over targets with two ratings or more
    share_k  = mean over all targets of r_ik / r_i
    expected = sum w_kl share_k share_l                                 Fleiss' kappa
             = sum w_kl / (q (q - 1)) sum share_k (1 - share_k)         AC1 (no weights), AC2 (weights)

Sources: Fleiss (1971), Psychol. Bull. 76, 378-382; Fleiss, Nee & Landis (1979), Psychol. Bull. 86, 974-977; Gwet
(2008), Br. J. Math. Stat. Psychol. 61, 29-48; standard errors by linearisation over targets (Gwet, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from studykit.errors import CallError, DataError, DesignError, check_choice
from studykit.numerics.intervals import FloatArray, t_quantile, tails
from studykit.numerics.kappa import agreement_weights

STATISTICS = ("fleiss", "gwet", "percent")


@dataclass(frozen=True, slots=True)
class Agreement:
    """One statistic: estimate, interval over targets (t, n - 1 degrees of freedom, cut at -1 and 1), its parts.

    `se_null` and `se_original` are those of Fleiss' kappa under chance agreement (1979, and the first one of 1971);
    nan for the other statistics or where the numbers of ratings differ.
    """

    value: float
    low: float
    high: float
    se: float
    observed: float
    expected: float
    targets: int
    targets_compared: int
    se_null: float
    se_original: float


def category_counts(codes: ArrayLike, categories: int) -> FloatArray:
    """Counts n x q from codes n x raters; a negative code means "not rated".

    Raises:
        CallError: a code at or above `categories`.
    """
    table = np.asarray(codes, dtype=np.intp)
    if table.size and int(table.max()) >= categories:
        raise CallError(f"A category is numbered {int(table.max())}; {categories} categories are numbered from 0.")
    return np.stack([(table == k).sum(axis=1) for k in range(categories)], axis=1).astype(np.float64)


def agreement(counts: ArrayLike, *, statistic: str, weights: str = "none", confidence: float = 0.95) -> Agreement:
    """Fleiss' kappa, Gwet's AC1/AC2 or percent agreement with an interval over targets.

    Args:
        counts: shape (n, q), whole numbers; targets with a single rating help the shares only.
        statistic: "fleiss", "gwet" or "percent".
        weights: "none", "linear" or "quadratic" (grades in order); with "gwet" these make AC2 out of AC1.
        confidence: level of the interval.

    Where all ratings fall in one category Fleiss' kappa is 0/0 (nan) while AC1 is 1: that is why it is reported.

    Raises:
        DesignError: fewer than two targets with two ratings. DataError: negative counts. CallError: unknown word.
    """
    check_choice(statistic, STATISTICS, "statistic")
    r, total, compared = _checked_counts(counts)
    n, q = r.shape
    w = agreement_weights(q, weights)
    pairs = np.zeros(n)
    together = np.sum(r * (r @ w.T - 1.0), axis=1)
    pairs[compared] = together[compared] / (total * (total - 1.0))[compared]
    observed = float(pairs[compared].mean())
    share_i = r / total[:, None]
    share = share_i.mean(axis=0)
    expected, expected_i = _chance(statistic, w, share, share_i)
    used = int(compared.sum())
    with np.errstate(divide="ignore", invalid="ignore"):
        room = np.float64(1.0 - expected)
        value = float((observed - expected) / room) if room > 4.0 * np.finfo(float).eps else float("nan")
        each = np.where(compared, (pairs - expected) / room * n / used, 0.0)
        each = each - 2.0 * (1.0 - value) * (expected_i - expected) / room
    se = float(np.sqrt(np.sum((each - value) ** 2) / (n * (n - 1.0))))
    half = float(t_quantile(tails(confidence)[1], n - 1)) * se
    low, high = (value - half, value + half) if value == value else (float("nan"), float("nan"))
    null, original = (
        _fleiss_errors(r, total, share) if statistic == "fleiss" and weights == "none" else (np.nan, np.nan)
    )
    return Agreement(
        value=value,
        low=max(low, -1.0) if low == low else low,
        high=min(high, 1.0) if high == high else high,
        se=se,
        observed=observed,
        expected=expected,
        targets=n,
        targets_compared=used,
        se_null=null,
        se_original=original,
    )


def agreement_features(counts: ArrayLike, *, weights: str = "none") -> FloatArray:
    """One row a target whose sums over any resample give the statistics through `agreement_of_sums`.

    Columns: 1, whether two ratings or more, agreeing pairs p_i (0 without two ratings), the q shares r_ik / r_i.

    Args:
        counts: shape (n, q); every target with at least one rating.
    """
    r, total, compared = _checked_counts(counts)
    w = agreement_weights(r.shape[1], weights)
    pairs = np.zeros(len(r))
    together = np.sum(r * (r @ w.T - 1.0), axis=1)
    pairs[compared] = together[compared] / (total * (total - 1.0))[compared]
    return np.column_stack([np.ones(len(r)), compared, pairs, r / total[:, None]])


def agreement_of_sums(sums: FloatArray, *, statistic: str, weights: str = "none") -> FloatArray:
    """The statistic from summed features (..., 3 + q); nan where it is 0/0."""
    check_choice(statistic, STATISTICS, "statistic")
    q = sums.shape[-1] - 3
    w = agreement_weights(q, weights)
    with np.errstate(divide="ignore", invalid="ignore"):
        observed = sums[..., 2] / sums[..., 1]
        share = sums[..., 3:] / sums[..., :1]
        if statistic == "percent":
            return np.asarray(observed)
        if statistic == "fleiss":
            expected = np.einsum("...k,kl,...l->...", share, w, share)
        else:
            expected = w.sum() / (q * (q - 1.0)) * np.sum(share * (1.0 - share), axis=-1)
        room = 1.0 - expected
        return np.where(room > 4.0 * np.finfo(float).eps, (observed - expected) / room, np.nan)


def _checked_counts(counts: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Counts of rated targets, their totals, and which of them have two ratings."""
    r = np.asarray(counts, dtype=np.float64)
    if r.ndim != 2 or r.shape[1] < 2:
        raise DesignError("Agreement on categories needs a table of targets by at least 2 categories.")
    if not np.isfinite(r).all() or (r < 0.0).any():
        raise DataError("The counts of ratings hold negative or missing numbers.")
    r = r[r.sum(axis=1) > 0.0]
    total = r.sum(axis=1)
    compared = total >= 2.0
    if int(compared.sum()) < 2:
        raise DesignError(
            f"Rated by two raters or more: {int(compared.sum())} of the targets. Agreement needs at least 2 of them."
        )
    return r, total, compared


def _chance(statistic: str, w: FloatArray, share: FloatArray, share_i: FloatArray) -> tuple[float, FloatArray]:
    """Expected agreement, and each target's part in it."""
    q = share.size
    if statistic == "percent":
        return 0.0, np.zeros(share_i.shape[0])
    if statistic == "fleiss":
        return float(share @ w @ share), share_i @ ((w @ share + w.T @ share) / 2.0)
    scale = float(w.sum()) / (q * (q - 1.0))
    return scale * float(np.sum(share * (1.0 - share))), scale * (share_i @ (1.0 - share))


def _fleiss_errors(r: FloatArray, total: FloatArray, share: FloatArray) -> tuple[float, float]:
    """Standard errors under chance agreement, 1979 and 1971; nan where the numbers of ratings differ."""
    n, m = r.shape[0], float(total[0])
    spread = float(np.sum(share * (1.0 - share)))
    if not np.all(total == m) or m < 2.0 or spread == 0.0:
        return float("nan"), float("nan")
    third = float(np.sum(share * (1.0 - share) * (1.0 - 2.0 * share)))
    new = 2.0 * (spread**2 - third) / (n * m * (m - 1.0) * spread**2)
    chance = float(share @ share)
    cubes = float(np.sum(share**3))
    old = chance - (2.0 * m - 3.0) * chance**2 + 2.0 * (m - 2.0) * cubes
    old *= 2.0 / (n * m * (m - 1.0) * (1.0 - chance) ** 2)
    return float(np.sqrt(new)), float(np.sqrt(max(old, 0.0)))
