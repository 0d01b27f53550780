"""Residuals of a repeated-visits fit, and what each subject does to its fixed effects, without refitting.

With H_i = X_i Phi X_i', r_i the residuals of subject i and the covariance S held at its estimate:

    leverage_i           tr(S_i^-1 H_i); they sum to p
    beta - beta_(-i)     Phi X_i' (S_i - H_i)^-1 r_i       exact for fixed S
    Cook's distance      (beta - beta_(-i))' Phi^-1 (beta - beta_(-i)) / p
    studentised residual r / sqrt(diagonal of S_i - H_i)

Source: Christensen, Pearson & Johnson (1992), Technometrics 34, 38-45 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.numerics.mixed.repeated import RepeatedCovarianceFit

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RepeatedResiduals:
    """Row by row, in the order of the rows that were fitted.

    Attributes:
        fitted: X beta, outcome units, (n,).
        residual: outcome minus fitted, outcome units, (n,).
        studentised: residual over its own standard deviation, (n,).
    """

    fitted: Array
    residual: Array
    studentised: Array


@dataclass(frozen=True, slots=True)
class SubjectInfluence:
    """One line a subject, in the order of the subject codes.

    Attributes:
        leverage: share of the p fixed effects that this subject carries, (n_subjects,).
        beta_shift: beta minus beta without the subject, (n_subjects, p); nan where the subject alone informs an effect.
        cook_distance: (n_subjects,), nan likewise.
    """

    leverage: Array
    beta_shift: Array
    cook_distance: Array


def repeated_residuals(fit: RepeatedCovarianceFit, y: Array, x: Array) -> RepeatedResiduals:
    """Marginal residuals; there is no random effect to condition on.

    Args:
        fit: the fit.
        y, x: the outcome and the columns that were fitted.
    """
    fitted = x @ fit.beta
    residual = y - fitted
    studentised = np.empty_like(residual)
    for pattern in fit.products.patterns:
        block = x[pattern.rows]
        hat = np.einsum("nap,pq,naq->na", block, fit.phi, block)
        variance = np.diag(fit.covariance)[pattern.visits] - hat
        floor = 1e-12 * np.diag(fit.covariance)[pattern.visits]
        with np.errstate(invalid="ignore"):
            studentised[pattern.rows] = np.where(
                variance > floor, residual[pattern.rows] / np.sqrt(np.maximum(variance, floor)), np.nan
            )
    return RepeatedResiduals(fitted=fitted, residual=residual, studentised=studentised)


def subject_influence(fit: RepeatedCovarianceFit, y: Array, x: Array) -> SubjectInfluence:
    """Leverage, shift of the fixed effects and Cook's distance of every subject.

    Args:
        fit: the fit.
        y, x: the outcome and the columns that were fitted.
    """
    n, p = fit.products.n_subjects, x.shape[1]
    leverage, shift, cook = np.zeros(n), np.full((n, p), np.nan), np.full(n, np.nan)
    precision = np.linalg.inv(fit.phi)
    residual = y - x @ fit.beta
    for pattern in fit.products.patterns:
        covariance = fit.covariance[np.ix_(pattern.visits, pattern.visits)]
        inverse = np.linalg.inv(covariance)
        for rows, subject in zip(pattern.rows, pattern.subjects, strict=True):
            hat = x[rows] @ fit.phi @ x[rows].T
            leverage[subject] = float(np.sum(inverse * hat))
            rest = covariance - hat
            if np.linalg.eigvalsh(rest)[0] > 1e-10 * np.trace(covariance):
                shift[subject] = fit.phi @ x[rows].T @ np.linalg.solve(rest, residual[rows])
                cook[subject] = float(shift[subject] @ precision @ shift[subject]) / p
    return SubjectInfluence(leverage=leverage, beta_shift=shift, cook_distance=cook)
