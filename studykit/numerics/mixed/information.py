"""From a look at a model to its deviance, derivatives, information and the ingredients of small-sample inference.

Profiled deviance (s2 and b at their best for given ratios gamma; m = n - p for REML, n for ML, up to a constant):

    d(gamma)      = m log(r2) + log|H| + [REML] log|X' H^-1 X|
    d_i           = T_i - m q_i / r2
    d_ij          = -T_ij + m (2 q_ij / r2 - q_i q_j / r2^2)
    T_i, T_ij     = tr(K G_i), tr(K G_i K G_j) with K = P for REML, H^-1 for ML
    q_i, q_ij     = y' P G_i P y, y' P G_i P G_j P y

Full deviance -2 log L in the parameters (s2, sigma_1 .. sigma_K) themselves: with V = s2 H every factor K, P above
is divided by s2, the gradient is T_i - q_i and the Hessian -T_ij + 2 q_ij; the expected information of the parameters
is T_ij / 2 with P for REML.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.errors import FitError
from studykit.numerics.mixed.criterion import Point
from studykit.numerics.mixed.cross_products import DesignProducts
from studykit.numerics.mixed.small_sample import Ingredients


@dataclass(frozen=True, slots=True)
class Derivatives:
    """T_i, T_ij, q_i, q_ij at the level of H, index 0 the residual: (K + 1,) and (K + 1, K + 1)."""

    traces: np.ndarray
    trace_pairs: np.ndarray
    quadratics: np.ndarray
    quadratic_pairs: np.ndarray


def derivatives(point: Point, *, reml: bool) -> Derivatives:
    """Eliminate X from the quantities of a Point."""
    p = point.beta.shape[0]
    weights = np.append(-point.beta, 1.0)
    fixed = point.first[:, :p, :p]
    seen = point.first @ weights
    quadratic_pairs = weights @ (point.second @ weights)[..., None]
    quadratic_pairs = quadratic_pairs[..., 0] - seen[:, :p] @ point.phi @ seen[:, :p].T
    traces, trace_pairs = point.traces, point.trace_pairs
    if reml:
        spread = point.phi @ fixed
        traces = traces - np.einsum("iaa->i", spread)
        trace_pairs = (
            trace_pairs
            - 2.0 * np.einsum("ab,ijba->ij", point.phi, point.second[:, :, :p, :p])
            + np.einsum("iab,jba->ij", spread, spread)
        )
    return Derivatives(traces, trace_pairs, seen @ weights, quadratic_pairs)


def profiled_deviance(point: Point, design: DesignProducts, *, reml: bool) -> tuple[float, np.ndarray, np.ndarray]:
    """d(gamma), its gradient (K,) and its Hessian (K, K)."""
    count = design.n - design.p if reml else design.n
    parts = derivatives(point, reml=reml)
    ratio = count / point.quadratic
    quadratics, pairs = parts.quadratics[1:], parts.quadratic_pairs[1:, 1:]
    value = count * float(np.log(point.quadratic)) + point.log_det_h + (point.log_det_f if reml else 0.0)
    gradient = parts.traces[1:] - ratio * quadratics
    hessian = -parts.trace_pairs[1:, 1:] + ratio * (
        2.0 * pairs - np.multiply.outer(quadratics, quadratics) / point.quadratic
    )
    return value, gradient, 0.5 * (hessian + hessian.T)


def full_deviance(
    point: Point, design: DesignProducts, residual: float, *, reml: bool
) -> tuple[float, np.ndarray, np.ndarray]:
    """-2 log L with all constants at sigma = (s2, s2 gamma), its gradient (K + 1,) and its Hessian (K + 1, K + 1)."""
    count = design.n - design.p if reml else design.n
    parts = derivatives(point, reml=reml)
    value = count * float(np.log(2.0 * np.pi * residual)) + point.log_det_h + point.quadratic / residual
    if reml:
        value += point.log_det_f + log_det_x(design)
    gradient = parts.traces / residual - parts.quadratics / residual**2
    hessian = -parts.trace_pairs / residual**2 + 2.0 * parts.quadratic_pairs / residual**3
    return value, gradient, 0.5 * (hessian + hessian.T)


def log_det_x(design: DesignProducts) -> float:
    """log |X' X|, which turns log|F| of the orthonormal basis into that of X."""
    return 2.0 * float(np.sum(np.log(np.abs(np.diag(design.x_root)))))


def residual_variance(point: Point, design: DesignProducts, *, reml: bool) -> float:
    """s2 = r2 / m, the best residual variance at given ratios."""
    return point.quadratic / (design.n - design.p if reml else design.n)


def outward_parameters(design: DesignProducts) -> np.ndarray:
    """(K + 1, K + 1): (sigma_1 .. sigma_K, s2) of the given columns from (s2, sigma_1 .. sigma_K) of the working."""
    size = len(design.components.items)
    outward = np.zeros((size + 1, size + 1))
    outward[:size, 1:] = design.components.outward
    outward[size, 0] = 1.0
    return outward


def ingredients(point: Point, design: DesignProducts, beta: np.ndarray, *, reml: bool) -> Ingredients:
    """Ingredients of small-sample inference, in the working parameters (s2, sigma_1 .. sigma_K).

    Everything that follows from them is the same in any parameters that are a linear map of these; in these nothing
    is lost to rounding when a covariate is far from zero. `parameter_covariance` gives W in the units given.

    The expected information of REML is used for both methods (as the reference does for a REML fit); components on
    the boundary keep their place with the value zero. The observed information is that of the factors and the
    residual standard deviation, carried over to the variances, so that a component at zero, which cannot be
    estimated to be anything else, adds nothing to it.
    """
    s2 = residual_variance(point, design, reml=reml)
    p = design.p
    inverse_root = np.linalg.inv(design.x_root)
    expected = 0.5 * derivatives(point, reml=True).trace_pairs / s2**2
    return Ingredients(
        beta=beta,
        phi=s2 * inverse_root @ point.phi @ inverse_root.T,
        p_matrices=-design.x_root.T @ point.first[:, :p, :p] @ design.x_root / s2**2,
        q_matrices=design.x_root.T @ point.second[:, :, :p, :p] @ design.x_root / s2**3,
        r_matrices=None,
        w=inverse_information(expected),
        w_observed=_observed_covariance(point, design, s2, reml=reml),
    )


def parameter_covariance(design: DesignProducts, w: np.ndarray) -> np.ndarray:
    """W of (sigma_1 .. sigma_K, s2) in the units of the outcome and the columns given, from W of the working ones."""
    outward = outward_parameters(design)
    covariance: np.ndarray = outward @ w @ outward.T
    return covariance


def inverse_information(information: np.ndarray) -> np.ndarray:
    """Inverse of (k, k) information, scaled to unit diagonal; pseudo-inverse when parameters cannot be told apart.

    Raises:
        FitError: one parameter has no information at all.
    """
    own = np.diag(information)
    if not np.all(own > 0.0):
        raise FitError(
            "The rows hold no information about one of the variances, so nothing can be said about its error: too few "
            "levels have more than one row. Leave out a random term."
        )
    scale = 1.0 / np.sqrt(own)
    inverse: np.ndarray = np.linalg.pinv(information * np.outer(scale, scale), rcond=1e-13, hermitian=True)
    return inverse * np.outer(scale, scale)


def _observed_covariance(point: Point, design: DesignProducts, s2: float, *, reml: bool) -> np.ndarray:
    """J (2 H^+) J' with H the Hessian of the deviance in (factors, s) and J the derivative of the variances by them."""
    components = design.components
    factor = np.sqrt(s2) * components.factor(components.matrices(point.gamma))
    _, gradient, hessian = full_deviance(point, design, s2, reml=reml)
    size = factor.size
    slopes = np.zeros((len(components.items) + 1, size + 1))
    slopes[1:, 1:] = components.products @ factor
    slopes[0, 0] = 2.0 * np.sqrt(s2)
    curved = slopes.T @ hessian @ slopes
    curved[1:, 1:] += np.einsum("k,kij->ij", gradient[1:], components.products)
    curved[0, 0] += 2.0 * gradient[0]
    scale = 1.0 / np.sqrt(np.maximum(np.abs(np.diag(curved)), np.finfo(float).tiny))
    values, vectors = np.linalg.eigh(curved * np.outer(scale, scale))
    positive = values > 1e-8 * values.max()
    root = slopes @ (scale[:, None] * vectors[:, positive]) / np.sqrt(values[positive])
    observed: np.ndarray = 2.0 * root @ root.T
    return observed
