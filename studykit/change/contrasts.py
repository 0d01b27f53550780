"""Estimates of a fitted model with their Kenward–Roger intervals, each on its own or several of one visit together."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from scipy import stats

from studykit.errors import CallError, DesignError
from studykit.numerics.mixed.small_sample import Ingredients, kenward_roger, kenward_roger_df
from studykit.numerics.multiplicity import adjust_contrasts

ESTIMATE_COLUMNS: Final = ("estimate", "std_error", "df", "low", "high", "p")
ALONE_COLUMNS: Final = ("low_alone", "high_alone", "p_alone")
"""Interval and p of a comparison as if it were the only one; equal to the others where nothing was adjusted."""
EACH_ON_ITS_OWN: Final = "each on its own"
HOLM: Final = "holm"
TOGETHER: Final = "together"


def estimates(ingredients: Ingredients, contrasts: np.ndarray, confidence: float) -> pd.DataFrame:
    """Estimate, Kenward–Roger standard error and df, interval and p of each contrast on its own.

    Args:
        ingredients: of the fit.
        contrasts: (p, m), one column a contrast of the fixed effects.
        confidence: level of each interval.

    Returns:
        m rows with `ESTIMATE_COLUMNS`; all but the estimate nan where the adjusted variance is not positive.
    """
    if contrasts.shape[1] == 0:
        return pd.DataFrame({name: pd.Series(dtype="float64") for name in ESTIMATE_COLUMNS})
    estimate = contrasts.T @ ingredients.beta
    variance = np.einsum("il,ij,jl->l", contrasts, kenward_roger(ingredients), contrasts)
    # With hardly any people the adjustment may leave no variance at all; such an estimate has no interval.
    error = np.sqrt(np.where(variance > 0.0, variance, np.nan))
    df = kenward_roger_df(ingredients, contrasts)
    reach = stats.t.ppf(0.5 + confidence / 2.0, df) * error
    p = 2.0 * stats.t.sf(np.abs(estimate) / error, df)
    columns = (estimate, error, df, estimate - reach, estimate + reach, p)
    return pd.DataFrame(dict(zip(ESTIMATE_COLUMNS, columns, strict=True)))


def as_families(
    found: pd.DataFrame,
    ingredients: Ingredients,
    contrasts: np.ndarray,
    *,
    family: pd.Series,
    multiplicity: str,
    confidence: float,
    one_reference: bool,
) -> pd.DataFrame:
    """The estimates with interval and p adjusted within each family, as declared; `ALONE_COLUMNS` keep the others.

    "holm": p by Holm's step-down rule, intervals as they are. "together" with one reference: p and intervals from the
    multivariate t of the contrasts' Kenward–Roger covariance (Dunnett's method), each at its own df; without one
    reference (pairs, which determine each other) Holm's p and Bonferroni's intervals.

    Args:
        found: what `estimates` gave.
        contrasts: (p, m) its contrasts.
        family: (m,) which estimates are one family, such as the comparisons of one visit.
        one_reference: all contrasts of a family have the same arm to compare with.

    Raises:
        DesignError: too many comparisons for their joint distribution.
    """
    adjusted = found.assign(**{alone: found[alone.removesuffix("_alone")] for alone in ALONE_COLUMNS})
    if multiplicity == EACH_ON_ITS_OWN or found.empty:
        return adjusted
    covariance = contrasts.T @ kenward_roger(ingredients) @ contrasts
    method = "dunnett" if multiplicity == TOGETHER and one_reference else "holm"
    for name in family.unique():
        own = np.flatnonzero((family == name).to_numpy())
        if len(own) < 2:
            continue
        rows = found.iloc[own]
        try:
            several = adjust_contrasts(
                rows["estimate"].to_numpy(),
                covariance[np.ix_(own, own)],
                rows["df"].to_numpy(),
                method=method,
                confidence=confidence,
            )
        except CallError as refusal:
            raise DesignError(f"The {len(own)} comparisons of one visit cannot be taken together. {refusal}") from None
        adjusted.iloc[own, adjusted.columns.get_loc("p")] = several.p
        if multiplicity == TOGETHER:
            adjusted.iloc[own, adjusted.columns.get_loc("low")] = several.low
            adjusted.iloc[own, adjusted.columns.get_loc("high")] = several.high
    return adjusted
