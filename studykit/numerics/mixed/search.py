"""The search for the best variance ratios: starts, escape from false zeros, exact zeros, conditions at the optimum.

The factors of the ratios are free of bounds, but a factor at zero has no slope there, whether or not a larger variance
would be better. The conditions of a minimum over covariance matrices D (positive semidefinite) settle it: with G the
matrix of derivatives of the deviance by D, D G = 0 and G positive semidefinite. A direction v with v' G v < 0 is a
variance that wants to grow; the search goes on from D + step v v'.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from studykit.errors import FitError
from studykit.numerics.mixed.components import Components, lower_factor
from studykit.numerics.mixed.criterion import Looks, Point
from studykit.numerics.mixed.cross_products import DesignProducts, ResponseProducts
from studykit.numerics.mixed.information import profiled_deviance
from studykit.numerics.mixed.optimise import LogLine, Minimum, minimise
from studykit.numerics.mixed.starts import (
    along_direction,
    further_starts,
    moment_start,
    rows_per_level,
    scaled_identities,
)

# A variance ratio whose effect on the rows of one level is below this is tried at exactly zero.
_TRY_ZERO = 1e-5
# Deviance that may be lost, and slope (as share of its own trace) that may be left, when a variance is set to zero.
DEVIANCE_SLACK = 1e-9
_SLOPE_SLACK = 1e-7
ESCAPES = 8
ROUNDED = 1e-12
# A search this close to a known minimum, in deviance and in ratios, is in its valley.
_JOINED_DEVIANCE = 1e-3
_JOINED_SHARE = 0.01


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


def search(design: DesignProducts, response: ResponseProducts, *, reml: bool, several: bool = True) -> Optimum:
    """Minimise the profiled deviance over the variance ratios.

    The first start is a moment estimate. When its optimum has a covariance at zero, or within a few of its own
    standard errors of zero, the deviance may have a second minimum: the terms concerned are then started anew from
    several patterns (equal, small, each the largest), the others from where they are.

    Args:
        design, response: the cross-products.
        reml: restricted likelihood, else full.
        several: look for a second minimum where there may be one.

    Raises:
        FitError: no start led to a point that satisfies the conditions of a minimum.
    """
    looks, parts = Looks(design, response), design.components
    first = _descend(looks, moment_start(looks), "moments", (), reml=reml)
    if first is None:
        ones = parts.factor(tuple(np.eye(width) for width in parts.widths))
        first = _descend(looks, ones, "equal variances", (), reml=reml)
    if first is None:
        first = _descend(looks, parts.factor(scaled_identities(design, 0.3)), "small", (), reml=reml)
    if first is None:
        raise FitError(
            "No start led to an optimum of the likelihood (gradient or curvature not as at a minimum); "
            "the variances of this model cannot be estimated from these data: leave out a random term."
        )
    found = [first]
    others = further_starts(looks, first.place, reml=reml) if several else []
    for name, start in others:
        minimum = _descend(looks, start, name, tuple(found), reml=reml)
        found += [minimum] if minimum is not None else []
    best = min(found, key=lambda minimum: minimum.value)
    return Optimum(
        factor=best.place,
        point=looks.at(parts.from_factor(best.place)),
        value=best.value,
        gradient=best.gradient,
        hessian=best.hessian,
        log=tuple(line for minimum in found for line in minimum.log),
        starts=1 + len(others),
    )


def search_from(looks: Looks, start: np.ndarray, *, reml: bool) -> Optimum:
    """Minimise the profiled deviance from one start, for a model whose neighbour has been searched already.

    Args:
        looks: the model.
        start: (f,) entries of the factors of the ratios where the neighbour has its optimum.
        reml: restricted likelihood, else full.

    Raises:
        FitError: the start does not lead to a point that satisfies the conditions of a minimum.
    """
    minimum = _descend(looks, start, "the neighbour's optimum", (), reml=reml)
    if minimum is None:
        raise FitError("The search from the optimum of a neighbouring model ended where there is no minimum.")
    return Optimum(
        factor=minimum.place,
        point=looks.at(looks.design.components.from_factor(minimum.place)),
        value=minimum.value,
        gradient=minimum.gradient,
        hessian=minimum.hessian,
        log=minimum.log,
        starts=1,
    )


def _descend(looks: Looks, start: np.ndarray, name: str, known: tuple[Minimum, ...], *, reml: bool) -> Minimum | None:
    """From one start to a point that satisfies the conditions of a minimum; None when there is none.

    A search that comes close to a minimum that is known already ends there: it would find nothing new.
    """
    design, parts = looks.design, looks.design.components
    reached = [parts.from_factor(minimum.place) for minimum in known]

    def objective(factor: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        value, gradient, hessian = profiled_deviance(looks.at(parts.from_factor(factor)), design, reml=reml)
        slopes = parts.products @ factor
        return value, slopes.T @ gradient, slopes.T @ hessian @ slopes + np.einsum("k,kij", gradient, parts.products)

    def joined(factor: np.ndarray, value: float) -> bool:
        gamma = parts.from_factor(factor)
        return any(
            value - minimum.value < _JOINED_DEVIANCE
            and bool(np.all(np.abs(gamma - other) <= _JOINED_SHARE * (np.abs(other).max() + 1e-3)))
            for minimum, other in zip(known, reached, strict=True)
        )

    log: tuple[LogLine, ...] = ()
    for _ in range(ESCAPES):
        minimum = minimise(objective, start, name=name, joined=joined)
        log += minimum.log
        if minimum.joined:
            gamma = parts.from_factor(minimum.place)
            nearest = min(range(len(known)), key=lambda index: float(np.max(np.abs(reached[index] - gamma))))
            return replace(known[nearest], log=log)
        if not minimum.converged:
            return None
        zeroed = with_exact_zeros(design, minimum.place)
        if not np.array_equal(zeroed, minimum.place):
            again = minimise(objective, zeroed, name=f"{name}, zeros exact")
            log += again.log
            if again.converged and again.value <= minimum.value + DEVIANCE_SLACK:
                # The slope at a zero factor is zero, so what it moved by is rounding.
                exact = np.where((zeroed == 0.0) & (np.abs(again.place) < ROUNDED), 0.0, again.place)
                minimum = replace(again, place=exact)
        point = looks.at(parts.from_factor(minimum.place))
        _, gradient, hessian = profiled_deviance(point, design, reml=reml)
        growth = wants_to_grow(parts, point.gamma, gradient, hessian, point.traces[1:])
        if growth is None:
            return replace(minimum, log=log)
        start = growth
        name = f"{name}, off zero" if not name.endswith("off zero") else name
    return None


def with_exact_zeros(design: DesignProducts, factor: np.ndarray) -> np.ndarray:
    """The factors with every negligible direction of a covariance put to exactly zero."""
    parts = design.components
    matrices = []
    for matrix, rows, correlated in zip(
        parts.matrices(parts.from_factor(factor)), rows_per_level(design), parts.correlated, strict=True
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


def wants_to_grow(
    parts: Components, gamma: np.ndarray, gradient: np.ndarray, hessian: np.ndarray, traces: np.ndarray
) -> np.ndarray | None:
    """A new start when some direction at zero would lower the deviance by growing; None at a minimum.

    Args:
        parts: the covariance parameters.
        gamma: (K,) their ratios; gradient (K,), hessian (K, K): of the deviance by them.
        traces: (K,) t_i, against which a slope is held.
    """
    matrices, sizes = list(parts.matrices(gamma)), parts.matrices(np.abs(traces))
    grown = False
    for index, slope in enumerate(slope_matrices(parts, gradient)):
        size = float(np.trace(sizes[index])) / slope.shape[0]
        values, vectors = np.linalg.eigh(slope) if parts.correlated[index] else _by_column(slope)
        if values[0] >= -_SLOPE_SLACK * max(size, 1.0):
            continue
        direction = np.outer(vectors[:, 0], vectors[:, 0])
        along = along_direction(parts, index, direction)
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
