"""The search for the best variance ratios: starts, escape from false zeros, exact zeros, conditions at the optimum.

The factors of the ratios are free of bounds, but a factor at zero has no slope there, whether or not a larger variance
would be better. The conditions of a minimum over covariance matrices D (positive semidefinite) settle it: with G the
matrix of derivatives of the deviance by D, D G = 0 and G positive semidefinite. A direction v with v' G v < 0 is a
variance that wants to grow; the search goes on from D + step v v'.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.errors import FitError
from studykit.numerics.mixed.components import Components, lower_factor
from studykit.numerics.mixed.criterion import Point, evaluate
from studykit.numerics.mixed.cross_products import DesignProducts, ResponseProducts
from studykit.numerics.mixed.information import derivatives, profiled_deviance
from studykit.numerics.mixed.optimise import LogLine, Minimum, minimise

# A start never has a variance below this share of (residual variance / rows per level).
_START_FLOOR = 0.1
# A variance ratio whose effect on the rows of one level is below this is tried at exactly zero.
_TRY_ZERO = 1e-5
# Deviance that may be lost, and slope (as share of its own trace) that may be left, when a variance is set to zero.
_DEVIANCE_SLACK = 1e-9
_SLOPE_SLACK = 1e-7
_ESCAPES = 8


@dataclass(frozen=True, slots=True)
class Optimum:
    """The best point found.

    Attributes:
        factor: (f,) entries of the factors of the ratios; zeros are exact.
        point: the model there.
        value: profiled deviance; gradient: (f,) by the factors; hessian: (f, f).
        log: every evaluation of every start.
        starts: number of starts used.
    """

    factor: np.ndarray
    point: Point
    value: float
    gradient: np.ndarray
    hessian: np.ndarray
    log: tuple[LogLine, ...]
    starts: int


def search(design: DesignProducts, response: ResponseProducts, *, reml: bool) -> Optimum:
    """Minimise the profiled deviance over the variance ratios.

    Raises:
        FitError: no start led to a point that satisfies the conditions of a minimum.
    """
    parts = design.components
    ones = parts.factor(tuple(np.eye(width) for width in parts.widths))
    first = _descend(design, response, _moment_start(design, response), "moments", reml=reml)
    found = [first]
    if first is None or _has_zero(design, first) or len(first.log) > 15:
        small = parts.factor(_scaled_identities(design, 0.3))
        found.append(_descend(design, response, ones, "equal variances", reml=reml))
        found.append(_descend(design, response, small, "small variances", reml=reml))
    reached = [minimum for minimum in found if minimum is not None]
    if not reached:
        raise FitError(
            "No start led to an optimum of the likelihood (gradient or curvature not as at a minimum); "
            "the variances of this model cannot be estimated from these data: leave out a random term."
        )
    best = min(reached, key=lambda minimum: minimum.value)
    return Optimum(
        factor=best.place,
        point=evaluate(design, response, parts.from_factor(best.place)),
        value=best.value,
        gradient=best.gradient,
        hessian=best.hessian,
        log=tuple(line for minimum in reached for line in minimum.log),
        starts=len(found),
    )


def _descend(
    design: DesignProducts, response: ResponseProducts, start: np.ndarray, name: str, *, reml: bool
) -> Minimum | None:
    """From one start to a point that satisfies the conditions of a minimum; None when there is none."""
    parts = design.components

    def objective(factor: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        point = evaluate(design, response, parts.from_factor(factor))
        value, gradient, hessian = profiled_deviance(point, design, reml=reml)
        slopes = parts.products @ factor
        return value, slopes.T @ gradient, slopes.T @ hessian @ slopes + np.einsum("k,kij", gradient, parts.products)

    log: tuple[LogLine, ...] = ()
    for _ in range(_ESCAPES):
        minimum = minimise(objective, start, name=name)
        log += minimum.log
        if not minimum.converged:
            return None
        zeroed = _with_exact_zeros(design, minimum.place)
        if not np.array_equal(zeroed, minimum.place):
            again = minimise(objective, zeroed, name=f"{name}, zeros exact")
            log += again.log
            if again.converged and again.value <= minimum.value + _DEVIANCE_SLACK:
                minimum = again
        growth = _wants_to_grow(design, response, minimum.place, reml=reml)
        if growth is None:
            return Minimum(minimum.place, minimum.value, minimum.gradient, minimum.hessian, True, log)
        start = growth
        name = f"{name}, off zero" if not name.endswith("off zero") else name
    return None


def _rows_per_level(design: DesignProducts) -> tuple[float, ...]:
    return tuple(design.n / count for count in design.structure.level_counts)


def _scaled_identities(design: DesignProducts, scale: float) -> tuple[np.ndarray, ...]:
    pairs = zip(design.components.widths, _rows_per_level(design), strict=True)
    return tuple(np.eye(width) * scale / rows for width, rows in pairs)


def _moment_start(design: DesignProducts, response: ResponseProducts) -> np.ndarray:
    """Factors of the minimum-norm quadratic estimates: E[q_i] = sum_j T_ij sigma_j solved at equal variances.

    Rao (1971) J. Multivariate Anal. 1, 445–456 (from memory). Estimates that are not positive are lifted to a floor.
    """
    parts = design.components
    point = evaluate(design, response, parts.vector(tuple(np.eye(width) for width in parts.widths)))
    moments = derivatives(point, reml=True)
    estimate = np.linalg.lstsq(moments.trace_pairs, moments.quadratics, rcond=None)[0]
    ratios = parts.matrices(estimate[1:] / estimate[0]) if estimate[0] > 0.0 else _scaled_identities(design, 1.0)
    lifted = []
    for matrix, rows in zip(ratios, _rows_per_level(design), strict=True):
        values, vectors = np.linalg.eigh(matrix)
        lifted.append((vectors * np.clip(values, _START_FLOOR / rows, 1e6)) @ vectors.T)
    return parts.factor(tuple(lifted))


def _has_zero(design: DesignProducts, minimum: Minimum) -> bool:
    matrices = design.components.matrices(design.components.from_factor(minimum.place))
    lowest = [float(np.linalg.eigvalsh(matrix)[0]) for matrix in matrices]
    return any(value * rows < 0.05 for value, rows in zip(lowest, _rows_per_level(design), strict=True))


def _with_exact_zeros(design: DesignProducts, factor: np.ndarray) -> np.ndarray:
    """The factors with every negligible direction of a covariance put to exactly zero."""
    parts = design.components
    matrices = []
    for matrix, rows, correlated in zip(
        parts.matrices(parts.from_factor(factor)), _rows_per_level(design), parts.correlated, strict=True
    ):
        if correlated:
            values, vectors = np.linalg.eigh(matrix)
            kept = np.where(values * rows < _TRY_ZERO, 0.0, values)
            matrices.append(matrix if np.all(kept == values) else (vectors * kept) @ vectors.T)
        else:
            matrices.append(np.where(matrix * rows < _TRY_ZERO, 0.0, matrix))
    if all(
        np.array_equal(new, old) for new, old in zip(matrices, parts.matrices(parts.from_factor(factor)), strict=True)
    ):
        return factor
    lower = [_clean(lower_factor(matrix), matrix) for matrix in matrices]
    return np.array([lower[item.term][item.row, item.column] for item in parts.factor_items])


def _clean(lower: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    """Entries of a factor that are rounding beside the covariance they make, put to zero."""
    size = np.sqrt(max(float(np.max(np.abs(matrix))), 0.0))
    result: np.ndarray = np.where(np.abs(lower) <= 1e-7 * size, 0.0, lower)
    return result


def _wants_to_grow(
    design: DesignProducts, response: ResponseProducts, factor: np.ndarray, *, reml: bool
) -> np.ndarray | None:
    """A new start when some direction at zero would lower the deviance by growing; None at a minimum."""
    parts = design.components
    gamma = parts.from_factor(factor)
    point = evaluate(design, response, gamma)
    _, gradient, hessian = profiled_deviance(point, design, reml=reml)
    matrices = list(parts.matrices(gamma))
    grown = False
    for index, slope in enumerate(slope_matrices(parts, gradient)):
        size = float(np.trace(parts.matrices(np.abs(point.traces[1:]))[index])) / slope.shape[0]
        values, vectors = np.linalg.eigh(slope) if parts.correlated[index] else _by_column(slope)
        if values[0] >= -_SLOPE_SLACK * max(size, 1.0):
            continue
        direction = np.outer(vectors[:, 0], vectors[:, 0])
        along = _along(parts, index, direction)
        bend = float(along @ hessian @ along)
        step = -values[0] / bend if bend > 0.0 else 1.0
        matrices[index] = matrices[index] + min(step, 1.0) * direction
        grown = True
    return parts.factor(tuple(matrices)) if grown else None


def slope_matrices(parts: Components, gradient: np.ndarray) -> tuple[np.ndarray, ...]:
    """(c, c) derivatives of the deviance by each term's covariance, entries off the diagonal shared between both."""
    shares = np.array([1.0 if item.row == item.column else 0.5 for item in parts.items])
    return parts.matrices(gradient * shares)


def _by_column(slope: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    order = np.argsort(np.diag(slope))
    return np.diag(slope)[order], np.eye(slope.shape[0])[:, order]


def _along(parts: Components, term: int, direction: np.ndarray) -> np.ndarray:
    return np.array([direction[item.row, item.column] if item.term == term else 0.0 for item in parts.items])
