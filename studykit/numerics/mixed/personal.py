"""What a mixed model says of one person: a combination of fixed effects and of that person's random effects.

For person i with rows S, a target t_i = l_i' b + s_i whose random part s_i is independent of every other person's rows:

    c_i      = Cov(y_S, s_i)                                           (0 outside S)
    s_i      = c_i' P y
    error    = Var(s_i) - c_i' P_SS c_i + l_i' Phi l_i - 2 l_i' Phi X_S' V^-1 c_i

`error` is the variance of (predicted - true) of the whole target, variances taken as known.

Source: Robinson (1991) Statistical Science 6, 15-32 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.errors import CallError
from studykit.numerics.mixed.fit import VarianceComponentsFit
from studykit.numerics.mixed.influence import sets_of_rows
from studykit.numerics.mixed.solution import RowSolution, solve_rows


@dataclass(frozen=True, slots=True)
class PersonalPredictions:
    """Predictions for g people, in the unit of the outcome.

    Attributes:
        codes: (g,) the codes of the people, sorted.
        predicted: (g,) l' b + s.
        random_part: (g,) s alone.
        error_variance: (g,) of predicted less true.
    """

    codes: np.ndarray
    predicted: np.ndarray
    random_part: np.ndarray
    error_variance: np.ndarray


def personal_predictions(
    fit: VarianceComponentsFit,
    codes: np.ndarray,
    covariance_with_rows: np.ndarray,
    variances: np.ndarray,
    weights: np.ndarray,
) -> PersonalPredictions:
    """Predict one target for each person.

    Args:
        fit: the fitted model.
        codes: (n,) integers, one per row; equal integers are one person.
        covariance_with_rows: (n,) covariance of each row's outcome with the random part of its own person.
        variances: (g,) variance of the random part of each person, people in the order of their codes.
        weights: (p, g) what each target takes of the fixed effects.

    Raises:
        CallError: shapes that do not fit each other.
    """
    sets = sets_of_rows(codes, fit.n)
    c = np.asarray(covariance_with_rows, dtype=float)
    if c.shape != (fit.n,) or np.shape(variances) != (len(sets),) or np.shape(weights) != (fit.p, len(sets)):
        raise CallError(
            f"{len(sets)} people of {fit.n} rows need {fit.n} covariances, {len(sets)} variances and weights of shape "
            f"{(fit.p, len(sets))}; got {c.shape}, {np.shape(variances)} and {np.shape(weights)}."
        )
    rows = solve_rows(fit.design, fit.response, fit.point)
    turned = np.linalg.inv(fit.design.x_root).T @ weights
    fixed_part = np.einsum("pg,pq,qg->g", weights, fit.phi, weights)
    random_part, error = np.empty(len(sets)), np.empty(len(sets))
    for place, (_, own) in enumerate(sets):
        seen = rows.residual[own] @ c[own] / fit.residual_variance
        random_part[place] = seen
        both = turned[:, place] @ fit.point.phi @ rows.fixed[own].T @ c[own]
        error[place] = variances[place] - _learned(rows, fit, own, c[own]) + fixed_part[place] - 2.0 * both
    return PersonalPredictions(
        codes=np.array([code for code, _ in sets]),
        predicted=weights.T @ fit.beta + random_part,
        random_part=random_part,
        error_variance=np.maximum(error, 0.0),
    )


def _learned(rows: RowSolution, fit: VarianceComponentsFit, own: np.ndarray, c: np.ndarray) -> float:
    """c' P_SS c of one person's rows."""
    same = rows.block_of_row[own][:, None] == rows.block_of_row[own][None, :]
    inner = np.where(same, rows.basis[own] @ rows.shrink[own].T, 0.0) + np.eye(own.size)
    inner = inner - rows.border[own] @ rows.gain @ rows.border[own].T
    inner = inner - rows.fixed[own] @ fit.point.phi @ rows.fixed[own].T
    return float(c @ inner @ c) / fit.residual_variance
