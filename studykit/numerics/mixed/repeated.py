"""Gaussian linear model with a residual covariance by subject over planned visits; visits may be missing.

    y_i = X_i beta + e_i,   e_i ~ N(0, S_i),   S_i = rows and columns of S for the visits at which subject i was seen

S takes one of the shapes of `residual_covariance`. Newton on the observed information where it is positive definite,
else on the expected one, in free parameters, with step halving; a fit ends when the Newton decrement is at rounding
level. Missing visits are assumed missing at random given the visits that were seen.

Sources: Laird & Ware (1982), Biometrics 38, 963-974; Jennrich & Schluchter (1986), Biometrics 42, 805-820 (both from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from studykit.errors import DesignError, FitError, check_choice
from studykit.numerics.mixed.repeated_criterion import Criterion, criterion, criterion_value
from studykit.numerics.mixed.repeated_products import RepeatedProducts, repeated_products
from studykit.numerics.mixed.residual_covariance import CovarianceShape, covariance_shape

Array = NDArray[np.float64]
Codes = NDArray[np.intp]

METHODS = ("reml", "ml")
_SMALL_DECREMENT = 1e-10
_EDGE = 1e-9  # smallest eigenvalue of the correlation below which the walk has left the interior
_NEARLY_SINGULAR = 1e-6
_MOST_STEPS = 60  # ordinary fits take five to ten


@dataclass(frozen=True, slots=True)
class Step:
    """One line of the optimiser's log: criterion (-2 log-likelihood), Newton decrement, length of the step taken."""

    value: float
    decrement: float
    length: float


@dataclass(frozen=True, slots=True)
class RepeatedCovarianceFit:
    """A fitted repeated-visits model, arrays only, in the units of the outcome.

    Attributes:
        shape: the covariance shape that was fitted.
        method: "reml" or "ml".
        theta: natural parameters of the shape, (k,).
        covariance: residual covariance over the planned visits, (t, t).
        beta: fixed effects, (p,); phi: their covariance (X'V^-1 X)^-1, (p, p).
        log_likelihood: with all constants; for REML that of n - p error contrasts plus log|X'V^-1 X| (lme4, nlme).
        expected, observed: information of theta, (k, k).
        gradient_norm: sqrt of the Newton decrement at the end, in log-likelihood units.
        converged: the decrement is at rounding level and the observed information positive definite, or the
            criterion has become flat at a singular covariance.
        boundary: the covariance is nearly singular, so that theory for interior optima is doubtful.
        log: the optimiser's steps.
        products: the cross-products that were fitted.
    """

    shape: CovarianceShape
    method: str
    theta: Array
    covariance: Array
    beta: Array
    phi: Array
    log_likelihood: float
    expected: Array
    observed: Array
    gradient_norm: float
    converged: bool
    boundary: bool
    log: tuple[Step, ...]
    products: RepeatedProducts


def fit_residual_covariance(
    y: Array,
    x: Array,
    subject: Codes,
    visit: Codes,
    *,
    n_visits: int,
    covariance: str,
    method: str = "reml",
) -> RepeatedCovarianceFit:
    """Fit the model by REML or ML.

    Args:
        y: outcome, (n,).
        x: fixed-effect columns of full rank, (n, p).
        subject, visit: codes from 0, (n,); at most one row a subject and visit.
        n_visits: planned visits.
        covariance: one of `COVARIANCE_WORDS`.
        method: "reml" or "ml".

    Raises:
        CallError: an unknown word.
        DataError, DesignError: see `repeated_products`; visits never seen together under an unstructured covariance.
        FitError: no optimum was reached.
    """
    check_choice(method, METHODS, "method")
    shape = covariance_shape(covariance, n_visits)
    products = repeated_products(y, x, subject, visit, n_visits)
    _check_identified(shape, products)
    return fit_shape(shape, products, method=method)


def fit_shape(shape: CovarianceShape, products: RepeatedProducts, *, method: str) -> RepeatedCovarianceFit:
    """Fit one shape to cross-products that were formed before.

    Raises:
        FitError: no optimum was reached.
    """
    reml = method == "reml"
    start = shape.free(shape.start(products.moments))
    phi, at, log = _newton(start, shape, products, reml)
    theta = shape.natural(phi)
    return _in_outcome_units(theta, at, shape, products, method, log)


def _newton(
    phi: Array, shape: CovarianceShape, products: RepeatedProducts, reml: bool
) -> tuple[Array, Criterion, tuple[Step, ...]]:
    """Walk to the optimum in free parameters; the end is an optimum, a flat edge, or an error."""
    log: list[Step] = []
    at = criterion(shape.natural(phi), shape, products, reml=reml)
    for _ in range(_MOST_STEPS):
        direction, decrement = _direction(at, shape.jacobian(phi))
        nearly = decrement < _SMALL_DECREMENT
        length = 1.0 if nearly else _length(phi, direction, decrement, at.value, shape, products, reml)
        log.append(Step(value=at.value, decrement=decrement, length=length))
        singular = _smallest_eigenvalue(shape.covariance(shape.natural(phi))) < _EDGE
        if decrement < 1e-21 or (nearly and _stalled(log)) or (singular and _flat(log)):
            return phi, at, tuple(log)
        if singular or length == 0.0:
            raise FitError(_runaway(shape))
        phi = phi + length * direction
        at = criterion(shape.natural(phi), shape, products, reml=reml)
    if _smallest_eigenvalue(shape.covariance(shape.natural(phi))) < 1e-4:
        raise FitError(_runaway(shape))
    raise FitError(
        f"No optimum was reached in {_MOST_STEPS} steps; there may be too few subjects for the {shape.word} "
        "covariance. Choose a covariance with fewer parameters."
    )


def _length(
    phi: Array,
    direction: Array,
    decrement: float,
    value: float,
    shape: CovarianceShape,
    products: RepeatedProducts,
    reml: bool,
) -> float:
    """Longest of the halved steps that lowers the criterion enough; 0 when none does."""
    length = min(1.0, 3.0 / float(np.max(np.abs(direction))))
    while length > 1e-10:
        trial = criterion_value(shape.covariance(shape.natural(phi + length * direction)), products, reml=reml)
        if trial <= value - 1e-4 * length * decrement:
            return length
        length *= 0.5
    return 0.0


def _smallest_eigenvalue(covariance: Array) -> float:
    """Smallest eigenvalue of the correlation matrix."""
    sd = np.sqrt(np.diag(covariance))
    return float(np.linalg.eigvalsh(covariance / np.outer(sd, sd))[0])


def _runaway(shape: CovarianceShape) -> str:
    return (
        f"The likelihood of the {shape.word} covariance keeps growing as the covariance becomes singular: there are "
        "too few subjects for its parameters, or the outcome hardly varies at a visit. Choose a covariance with fewer "
        "parameters."
    )


def _flat(log: list[Step]) -> bool:
    """True when the last five steps together lowered the criterion by less than 1e-7."""
    return len(log) > 5 and log[-6].value - log[-1].value < 1e-7


def _stalled(log: list[Step]) -> bool:
    """True when a further Newton step near the optimum no longer shrinks the decrement: rounding level."""
    return len(log) >= 2 and log[-1].decrement > 1e-3 * log[-2].decrement and log[-1].decrement < 1e-16


def _direction(at: Criterion, jacobian: Array) -> tuple[Array, float]:
    """Newton direction in free parameters and its decrement (criterion units)."""
    return newton_direction(
        jacobian.T @ at.gradient,
        [2.0 * jacobian.T @ information @ jacobian for information in (at.observed, at.expected)],
    )


def newton_direction(gradient: Array, curvatures: list[Array]) -> tuple[Array, float]:
    """-H^-1 g with the first positive definite H, and its decrement g'H^-1 g; steepest descent when there is none.

    Args:
        gradient: (k,).
        curvatures: matrices to try in turn, (k, k) each.
    """
    for curvature in curvatures:
        diagonal = np.diag(curvature)
        if np.min(diagonal) <= 1e-280:
            continue
        size = np.sqrt(diagonal)
        values, vectors = np.linalg.eigh(0.5 * (curvature + curvature.T) / np.outer(size, size))
        if values[0] > 1e-9:
            along = vectors.T @ (gradient / size)
            return -(vectors @ (along / values)) / size, float(along @ (along / values))
    direction = -gradient / max(float(np.linalg.norm(gradient)), np.finfo(float).tiny)
    return direction, float(-gradient @ direction)


def _check_identified(shape: CovarianceShape, products: RepeatedProducts) -> None:
    """Refuse visits that the data cannot speak about under this shape."""
    seen = np.zeros((products.n_visits, products.n_visits))
    for pattern in products.patterns:
        seen[np.ix_(pattern.visits, pattern.visits)] += len(pattern.subjects)
    if shape.word == "unstructured" and np.any(seen < 2):
        a, b = np.argwhere(seen < 2)[0]
        raise DesignError(
            f"Visits number {a + 1} and {b + 1} were seen together in {int(seen[a, b])} subjects, so that their "
            "covariance cannot be estimated; choose a covariance with fewer parameters."
        )
    if shape.word in ("compound-symmetry", "autoregressive", "heterogeneous-compound-symmetry"):
        together = seen[~np.eye(products.n_visits, dtype=bool)]
        if not np.any(together > 0):
            raise DesignError("No subject was seen at two visits, so that there is no correlation to estimate.")
    if np.any(np.diag(seen) == 0):
        raise DesignError(f"Visit number {int(np.argmin(np.diag(seen))) + 1} was seen in no subject.")


def _in_outcome_units(
    theta: Array,
    at: Criterion,
    shape: CovarianceShape,
    products: RepeatedProducts,
    method: str,
    log: tuple[Step, ...],
) -> RepeatedCovarianceFit:
    scale = products.scale
    units = shape.units(scale)
    back = solve_triangular(products.rotation, np.eye(products.n_fixed))
    covariance = shape.covariance(theta) * scale**2
    smallest = _smallest_eigenvalue(covariance)
    positive = bool(np.linalg.eigvalsh(at.observed)[0] > 0)
    return RepeatedCovarianceFit(
        shape=shape,
        method=method,
        theta=theta * units,
        covariance=covariance,
        beta=products.offset + scale * (back @ at.gamma),
        phi=scale**2 * back @ at.phi @ back.T,
        log_likelihood=-0.5 * at.value,
        expected=at.expected / np.outer(units, units),
        observed=at.observed / np.outer(units, units),
        gradient_norm=float(np.sqrt(max(log[-1].decrement, 0.0) / 2)),
        converged=smallest < _EDGE or (positive and log[-1].decrement < _SMALL_DECREMENT),
        boundary=smallest < _NEARLY_SINGULAR,
        log=log,
        products=products,
    )
