"""Leverage of rows, and what happens to the fixed effects when a participant is left out, without fitting again.

Leaving out the rows S of a set is the same as giving each of them an effect of its own (columns E of the identity):

    delta   = (E' P E)^-1 E' P y
    b_(S)   = b - Phi X' V^-1 E delta
    Phi_(S) = Phi + Phi X' V^-1 E (E' P E)^-1 E' V^-1 X Phi

exact for variances held at their estimates. Cook's distance D_S = (b - b_(S))' Phi^-1 (b - b_(S)) / p.

Sources: Christensen, Pearson & Johnson (1992) Technometrics 34, 38–45; Nobre & Singer (2011) J. Appl. Stat. 38,
1063–1072, for leverage (both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.errors import CallError, DesignError
from studykit.numerics.mixed.criterion import Point
from studykit.numerics.mixed.cross_products import DesignProducts, ResponseProducts
from studykit.numerics.mixed.solution import RowSolution, solve_rows

# The rows of one set are held as a square; more than this would be gigabytes.
_MOST_ROWS_LEFT_OUT = 4000


@dataclass(frozen=True, slots=True)
class Leverage:
    """Shares of each row in its own fitted value.

    Attributes:
        fixed: (n,) diagonal of X Phi X' V^-1, which sums to p.
        total: (n,) 1 - s2 P_ii, derivative of the conditional fitted value by the outcome itself; sums to the effective
            number of parameters.
    """

    fixed: np.ndarray
    total: np.ndarray


@dataclass(frozen=True, slots=True)
class Influence:
    """What leaving out each set of rows (each participant) does to the fixed effects.

    Attributes:
        codes: (g,) the codes of the sets, sorted.
        rows: (g,) rows left out.
        change: (g, p) b - b_(S).
        cooks_distance: (g,), per fixed effect.
        covariance_ratio: (g,) determinant of Phi_(S) over that of Phi: above 1, the set makes the estimates more
            precise.
        refitted: whether the variances were estimated again without the set.
    """

    codes: np.ndarray
    rows: np.ndarray
    change: np.ndarray
    cooks_distance: np.ndarray
    covariance_ratio: np.ndarray
    refitted: bool


def leverage(design: DesignProducts, response: ResponseProducts, point: Point) -> Leverage:
    """Leverage of every row at the model's variances."""
    rows = solve_rows(design, response, point)
    return Leverage(
        fixed=np.sum(design.x_basis @ point.phi * rows.fixed, axis=1),
        total=1.0 - rows.diagonal,
    )


def influence(
    design: DesignProducts, response: ResponseProducts, point: Point, residual: float, codes: np.ndarray
) -> Influence:
    """Leave out each set of rows with equal codes, variances held.

    Args:
        design, response, point: the model at its optimum; residual: its residual variance s2.
        codes: (n,) one code per row.

    Sets without which the fixed effects cannot all be estimated have nan: nothing is left to compare with.

    Raises:
        CallError: not one code per row.
        DesignError: a set is so large that it should be left out by fitting again.
    """
    sets = sets_of_rows(codes, design.n)
    largest = max(len(places) for _, places in sets)
    if largest > _MOST_ROWS_LEFT_OUT:
        raise DesignError(
            f"One set holds {largest} rows, more than {_MOST_ROWS_LEFT_OUT}: leave it out and fit again instead."
        )
    rows = solve_rows(design, response, point)
    inverse_root = np.linalg.inv(design.x_root)
    changes, distances, ratios = [], [], []
    for _, places in sets:
        moved, ratio = _without(rows, point, places)
        changes.append(inverse_root @ moved)
        distances.append(float(moved @ np.linalg.solve(point.phi, moved)) / (residual * design.p))
        ratios.append(ratio)
    return Influence(
        codes=np.array([code for code, _ in sets]),
        rows=np.array([len(places) for _, places in sets]),
        change=np.array(changes),
        cooks_distance=np.array(distances),
        covariance_ratio=np.array(ratios),
        refitted=False,
    )


def sets_of_rows(codes: np.ndarray, n: int) -> list[tuple[int, np.ndarray]]:
    """Each code with the rows that carry it.

    Raises:
        CallError: not one code per row, or only one code.
    """
    given = np.asarray(codes)
    if given.shape != (n,):
        raise CallError(f"The codes have shape {given.shape}; give one code for each of the {n} rows.")
    values, inverse = np.unique(given, return_inverse=True)
    if values.size < 2:
        raise CallError("All rows carry the same code; leaving them out would leave nothing.")
    order = np.argsort(inverse, kind="stable")
    return list(zip(values.tolist(), np.split(order, np.cumsum(np.bincount(inverse))[:-1]), strict=True))


def _without(rows: RowSolution, point: Point, places: np.ndarray) -> tuple[np.ndarray, float]:
    """b - b_(S) in the orthonormal basis and the covariance ratio; nan when X loses rank without the rows."""
    p = point.beta.shape[0]
    fixed, border = rows.fixed[places], rows.border[places]
    same = rows.block_of_row[places][:, None] == rows.block_of_row[places][None, :]
    inner = np.where(same, rows.basis[places] @ rows.shrink[places].T, 0.0) + np.eye(len(places))
    inner = inner - border @ rows.gain @ border.T
    projected = inner - fixed @ point.phi @ fixed.T
    # det(Phi_S) / det(Phi) = det(E' H^-1 E) / det(E' P E): zero in the denominator when X loses rank.
    _, log_inner = np.linalg.slogdet(inner)
    sign, log_projected = np.linalg.slogdet(projected)
    if sign <= 0.0 or log_inner - log_projected > 25.0:
        return np.full(p, np.nan), np.nan
    delta = np.linalg.solve(projected, rows.residual[places])
    return point.phi @ fixed.T @ delta, float(np.exp(log_inner - log_projected))
