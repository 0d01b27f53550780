"""Rubin's rules: one estimate and its interval from several completed data sets.

With Q_k and U_k the estimate and its variance in set k of m:

    Q = mean Q_k,   U = mean U_k,   B = sum (Q_k - Q)^2 / (m - 1),   T = U + (1 + 1/m) B
    r = (1 + 1/m) B / U,   lambda = (1 + 1/m) B / T
    df_old = (m - 1) / lambda^2                                                      (Rubin 1987, p. 77)
    df_obs = (df_com + 1) / (df_com + 3) df_com (1 - lambda),   df = 1 / (1/df_old + 1/df_obs)
                                                        (Barnard & Rubin 1999, Biometrika 86, 948–955)
    fmi = (r + 2 / (df + 3)) / (r + 1)                              fraction of information that is missing

All from memory; checked against mice 3.15 and mitools 2.4.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from studykit.errors import CallError


@dataclass(frozen=True, slots=True)
class Pooled:
    """Pooled estimates, each attribute of one shape.

    Attributes:
        estimate, within, between, total: Q, U, B, T.
        increase: r; share: lambda; fmi.
        df_rubin: of Rubin (1987); df: of Barnard & Rubin, which the intervals use.
    """

    estimate: np.ndarray
    within: np.ndarray
    between: np.ndarray
    total: np.ndarray
    increase: np.ndarray
    share: np.ndarray
    fmi: np.ndarray
    df_rubin: np.ndarray
    df: np.ndarray

    @property
    def std_error(self) -> np.ndarray:
        """sqrt(T)."""
        error: np.ndarray = np.sqrt(self.total)
        return error

    def limits(self, confidence: float) -> tuple[np.ndarray, np.ndarray]:
        """Lower and upper t limits."""
        reach = stats.t.ppf(0.5 + confidence / 2.0, self.df) * self.std_error
        return self.estimate - reach, self.estimate + reach

    def p(self) -> np.ndarray:
        """Two-sided p of zero."""
        beyond: np.ndarray = 2.0 * stats.t.sf(np.abs(self.estimate) / self.std_error, self.df)
        return beyond


def pooled(estimates: ArrayLike, variances: ArrayLike, *, df_complete: float) -> Pooled:
    """Pool by Rubin's rules.

    Args:
        estimates, variances: (m, ...) of each completed set.
        df_complete: degrees of freedom that the analysis would have without missing values.

    Raises:
        CallError: fewer than two sets, or a variance that is not positive.
    """
    q, u = np.asarray(estimates, dtype=float), np.asarray(variances, dtype=float)
    if len(q) < 2 or q.shape != u.shape:
        raise CallError(f"Pooling needs two or more completed sets with a variance each; {len(q)} were given.")
    if not np.all(u > 0.0):
        raise CallError("A variance to be pooled is not above 0.")
    m = len(q)
    within, between = u.mean(axis=0), q.var(axis=0, ddof=1)
    extra = (1.0 + 1.0 / m) * between
    total = within + extra
    share = extra / total
    with np.errstate(divide="ignore"):
        # Sets that agree exactly leave no error of imputation: its df are infinite, and 1 / inf is 0 below.
        df_rubin = (m - 1) / share**2
    df_observed = (df_complete + 1.0) / (df_complete + 3.0) * df_complete * (1.0 - share)
    df = 1.0 / (1.0 / df_rubin + 1.0 / df_observed)
    increase = extra / within
    fmi = (increase + 2.0 / (df + 3.0)) / (increase + 1.0)
    return Pooled(q.mean(axis=0), within, between, total, increase, share, fmi, df_rubin, df)
