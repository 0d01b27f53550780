"""Log-likelihood of a repeated-visits model, its exact derivatives and its information matrices.

With V the covariance of all rows (block-diagonal by subject), D_i = dV/dtheta_i, D_ij its second derivative,
A = X'V^-1 X, Phi = A^-1, r the residual at the generalised least-squares beta, everything from cross-products:

    -2 l_ML   = n log 2 pi + log|V| + r'V^-1 r
    -2 l_REML = (n - p) log 2 pi + log|V| + log|A| + r'V^-1 r
    P_i  = -X'V^-1 D_i V^-1 X,   Q_ij = X'V^-1 D_i V^-1 D_j V^-1 X,   R_ij = X'V^-1 D_ij V^-1 X
    expected information   1/2 [tr(V^-1 D_i V^-1 D_j) - 2 tr(Phi Q_ij) + tr(Phi P_i Phi P_j)]   (REML; ML: first term)
    observed information   1/2 second derivatives of -2 l

Sources: Harville (1977), J. Am. Stat. Assoc. 72, 320-338; Kenward & Roger (1997), Biometrics 53, 983-997 (both from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from studykit.numerics.mixed.repeated_products import Pattern, RepeatedProducts
from studykit.numerics.mixed.residual_covariance import CovarianceShape

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Criterion:
    """The criterion at one covariance, in working units.

    Attributes:
        value: -2 log-likelihood with all constants, outcome units.
        gamma: working fixed effects, (p,).
        phi: (X'V^-1 X)^-1 of the working columns, (p, p).
        gradient: d value / d theta, (k,).
        expected: expected information of the log-likelihood, (k, k).
        observed: observed information of the log-likelihood, (k, k).
    """

    value: float
    gamma: Array
    phi: Array
    gradient: Array
    expected: Array
    observed: Array


@dataclass(frozen=True, slots=True)
class _Level:
    """Order zero: the value and what the derivatives start from."""

    value: float
    gamma: Array
    phi: Array
    inverses: tuple[Array, ...]


def _inverses(covariance: Array, products: RepeatedProducts) -> tuple[tuple[Array, ...], float]:
    """V^-1 of each pattern and log|V| summed over subjects.

    Raises:
        numpy.linalg.LinAlgError: the covariance is not positive definite.
    """
    inverses, log_determinant = [], 0.0
    for pattern in products.patterns:
        factor = cho_factor(covariance[np.ix_(pattern.visits, pattern.visits)], lower=True)
        log_determinant += 2.0 * len(pattern.subjects) * float(np.sum(np.log(np.diag(factor[0]))))
        inverse = cho_solve(factor, np.eye(len(pattern.visits)))
        inverses.append(0.5 * (inverse + inverse.T))
    return tuple(inverses), log_determinant


def _level(covariance: Array, products: RepeatedProducts, reml: bool) -> _Level:
    p = products.n_fixed
    inverses, log_determinant = _inverses(covariance, products)
    total = sum(
        (
            np.tensordot(inverse, pattern.products, axes=2)
            for inverse, pattern in zip(inverses, products.patterns, strict=True)
        ),
        start=np.zeros((p + 1, p + 1)),
    )
    factor = cho_factor(total[:p, :p], lower=True)
    gamma = cho_solve(factor, total[:p, p])
    quadratic = float(total[p, p] - total[:p, p] @ gamma)
    n_used = products.n_rows - p if reml else products.n_rows
    value = n_used * (np.log(2 * np.pi) + 2 * np.log(products.scale)) + log_determinant + quadratic
    if reml:
        value += 2.0 * float(np.sum(np.log(np.diag(factor[0]))))
        value += 2.0 * float(np.sum(np.log(np.abs(np.diag(products.rotation)))))
    return _Level(value=float(value), gamma=gamma, phi=cho_solve(factor, np.eye(p)), inverses=inverses)


def criterion_value(covariance: Array, products: RepeatedProducts, *, reml: bool) -> float:
    """-2 log-likelihood at a covariance in working units; infinity where that is not positive definite."""
    try:
        return _level(covariance, products, reml).value
    except np.linalg.LinAlgError:
        return float("inf")


def criterion(theta: Array, shape: CovarianceShape, products: RepeatedProducts, *, reml: bool) -> Criterion:
    """Value, gradient and both informations at natural parameters in working units.

    Raises:
        numpy.linalg.LinAlgError: the covariance is not positive definite.
    """
    level = _level(shape.covariance(theta), products, reml)
    first, second = shape.first(theta), shape.second(theta)
    k, p = theta.size, products.n_fixed
    contrast = np.append(-level.gamma, 1.0)
    gradient, trace, phi_q, residual_q, curved = np.zeros(k), *(np.zeros((k, k)) for _ in range(4))
    p_matrices, scores = np.zeros((k, p, p)), np.zeros((k, p))
    for pattern, inverse in zip(products.patterns, level.inverses, strict=True):
        at = np.ix_(np.arange(k), pattern.visits, pattern.visits)
        changed = inverse @ first[at]
        sandwich = changed @ inverse
        by_phi, by_residual = _contractions(pattern, level.phi, contrast, p)
        n = len(pattern.subjects)
        spread = by_phi + by_residual if reml else by_residual
        weight = n * inverse - inverse @ spread @ inverse
        gradient += np.tensordot(first[at], weight, axes=2)
        trace += n * _traces(changed, changed)
        phi_q += _traces(changed, changed @ (inverse @ by_phi))
        residual_q += _traces(changed, changed @ (inverse @ by_residual))
        if second is not None:
            curved += np.tensordot(second[:, :, pattern.visits[:, None], pattern.visits[None, :]], weight, axes=2)
        border = np.tensordot(sandwich, pattern.products, axes=2)
        p_matrices -= border[:, :p, :p]
        scores += border[:, :p, :] @ contrast
    score_term = scores @ level.phi @ scores.T
    information, hessian = trace, -trace + 2.0 * residual_q - 2.0 * score_term + curved
    if reml:
        phi_p = level.phi @ p_matrices
        phi_pp = np.einsum("iab,jba->ij", phi_p, phi_p)
        information = trace - 2.0 * phi_q + phi_pp
        hessian = hessian + 2.0 * phi_q - phi_pp
    return Criterion(
        value=level.value,
        gamma=level.gamma,
        phi=level.phi,
        gradient=gradient,
        expected=0.25 * (information + information.T),
        observed=0.25 * (hessian + hessian.T),
    )


def _traces(first: Array, second: Array) -> Array:
    """tr(first_i second_j) for two stacks of square matrices, (k, k)."""
    k = len(first)
    return np.asarray(first.reshape(k, -1) @ second.transpose(0, 2, 1).reshape(k, -1).T, dtype=np.float64)


def _contractions(pattern: Pattern, phi: Array, contrast: Array, p: int) -> tuple[Array, Array]:
    """Sums over the subjects of a pattern of X_i Phi X_i' and of r_i r_i', both (m, m)."""
    by_phi = np.tensordot(pattern.products[:, :, :p, :p], phi, axes=2)
    by_residual = pattern.products @ contrast @ contrast
    return 0.5 * (by_phi + by_phi.T), 0.5 * (by_residual + by_residual.T)


@dataclass(frozen=True, slots=True)
class Pieces:
    """The matrices that small-sample inference is made of, for the working columns.

    Attributes:
        p_matrices: P_i, (k, p, p).
        q_matrices: Q_ij, (k, k, p, p).
        r_matrices: R_ij, (k, k, p, p), or None for a linear shape.
    """

    p_matrices: Array
    q_matrices: Array
    r_matrices: Array | None


def pieces(theta: Array, shape: CovarianceShape, products: RepeatedProducts) -> Pieces:
    """P, Q and R of Kenward & Roger at natural parameters in working units."""
    first, second = shape.first(theta), shape.second(theta)
    k, p = theta.size, products.n_fixed
    inverses, _ = _inverses(shape.covariance(theta), products)
    p_matrices, q_matrices = np.zeros((k, p, p)), np.zeros((k, k, p, p))
    r_matrices = None if second is None else np.zeros((k, k, p, p))
    upper = np.triu_indices(k)
    for pattern, inverse in zip(products.patterns, inverses, strict=True):
        cross = pattern.products[:, :, :p, :p]
        changed = inverse @ first[np.ix_(np.arange(k), pattern.visits, pattern.visits)]
        sandwich = changed @ inverse
        p_matrices -= np.tensordot(sandwich, cross, axes=2)
        q_matrices[upper] += np.tensordot(changed[upper[0]] @ sandwich[upper[1]], cross, axes=2)
        if second is not None and r_matrices is not None:
            bent = inverse @ second[:, :, pattern.visits[:, None], pattern.visits[None, :]] @ inverse
            r_matrices += np.tensordot(bent, cross, axes=2)
    q_matrices[upper[1], upper[0]] = q_matrices[upper].transpose(0, 2, 1)
    return Pieces(p_matrices=p_matrices, q_matrices=q_matrices, r_matrices=r_matrices)
