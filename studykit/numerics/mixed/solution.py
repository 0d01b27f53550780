"""A model solved at its variances: what predictions, residuals and influence read off, row by row where they must.

With H = V / s2 = H1 + C D C' (H1 the blocks alone, C the border columns) and Q_b, A_b as in the cross-products:

    H1^-1 w = w - Q_b (I - A_b' A_b) Q_b' w          rows of one block
    H^-1 X  = H1^-1 (X - C G C' H1^-1 X),   G = (I + D N_cc)^-1 D,   N_cc = C' H1^-1 C
    P       = H^-1 - H^-1 X Phi X' H^-1
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.numerics.mixed.criterion import Point, block_roots, border_covariance
from studykit.numerics.mixed.cross_products import (
    DesignProducts,
    ResponseProducts,
    border_columns,
    padded,
    scatter,
)


@dataclass(frozen=True, slots=True)
class Solution:
    """A model at given ratios, in working units.

    Attributes:
        roots: for each batch (B, k, k) inverse Cholesky factors A_b.
        white: for each batch (B, k, q_c + p + 1) A_b Q_b' [C, X, y].
        gain: (q_c, q_c) G; border_score: (q_c,) C' P y.
        own: (q_c, q_c) C' H^-1 C; to_fixed: (q_c, p) C' H^-1 X.
        change: (q_c, p) G C' H1^-1 X, what X gives to the border.
        weights: (q_c + p + 1,) coefficients that turn [C, X, y] into y - X b - C u_c.
    """

    roots: tuple[np.ndarray, ...]
    white: tuple[np.ndarray, ...]
    gain: np.ndarray
    border_score: np.ndarray
    own: np.ndarray
    to_fixed: np.ndarray
    change: np.ndarray
    weights: np.ndarray


@dataclass(frozen=True, slots=True)
class RowSolution:
    """Row by row: what is needed of P without ever forming it.

    Attributes:
        basis: (n, k) row of Q_b; shrink: (n, k) row of Q_b (A_b' A_b - I); block_of_row: (n,).
        border: (n, q_c) rows of H1^-1 C; gain: (q_c, q_c) G; fixed: (n, p) rows of H^-1 X, X in the orthonormal basis.
        residual: (n,) rows of P y, which are the conditional residuals.
        diagonal: (n,) diagonal of P.
    """

    basis: np.ndarray
    shrink: np.ndarray
    block_of_row: np.ndarray
    border: np.ndarray
    gain: np.ndarray
    fixed: np.ndarray
    residual: np.ndarray
    diagonal: np.ndarray


def solve(design: DesignProducts, response: ResponseProducts, point: Point) -> Solution:
    """Solve the model at the ratios of `point`."""
    q = design.border_width
    ratios = point.gamma[list(design.block_items)]
    roots, whites, plain = [], [], np.empty((q + design.p + 1,) * 2)
    plain[:-1, :-1] = design.rest
    plain[:-1, -1] = plain[-1, :-1] = response.rest_design[:, 0]
    plain[-1, -1] = response.rest_own[0]
    for batch, turned in zip(design.batches, response.turned, strict=True):
        root = block_roots(batch, ratios)
        white = root @ np.concatenate([batch.border, turned[:, :, :1]], axis=2)
        flat = white.reshape(-1, plain.shape[0])
        plain += flat.T @ flat
        roots.append(root)
        whites.append(white)
    covariance = border_covariance(design, point.gamma)
    system = np.eye(q) + covariance @ plain[:q, :q]
    solved = np.linalg.solve(system, np.column_stack([np.eye(q), covariance]))
    keep, gain = solved[:, :q], solved[:, q:]
    to_response = plain[:q, -1] - plain[:q, q:-1] @ point.beta
    return Solution(
        roots=tuple(roots),
        white=tuple(whites),
        gain=gain,
        border_score=keep.T @ to_response,
        own=plain[:q, :q] @ keep,
        to_fixed=keep.T @ plain[:q, q:-1],
        change=gain @ plain[:q, q:-1],
        weights=np.concatenate([-gain @ to_response, -point.beta, [1.0]]),
    )


def solve_rows(design: DesignProducts, response: ResponseProducts, point: Point) -> RowSolution:
    """The rows of what makes up P at the ratios of `point`."""
    solution = solve(design, response, point)
    n, q = design.n, design.border_width
    widest = max((batch.basis.shape[2] for batch in design.batches), default=0)
    basis, shrink = np.zeros((n, widest)), np.zeros((n, widest))
    columns = np.column_stack([border_columns(design), design.x_basis])
    residual = response.y[:, 0] - design.x_basis @ response.start[:, 0]
    rows = np.column_stack([columns, residual])
    solved = rows.copy()
    for batch, root in zip(design.batches, solution.roots, strict=True):
        shrinking = np.swapaxes(root, 1, 2) @ root - np.eye(root.shape[1])
        turned = np.swapaxes(batch.basis, 1, 2) @ padded(rows, batch.rows)
        scatter(solved, batch.rows, padded(rows, batch.rows) + batch.basis @ (shrinking @ turned))
        wide = np.zeros((*batch.rows.shape, widest))
        wide[:, :, : root.shape[1]] = batch.basis
        scatter(basis, batch.rows, wide)
        wide = np.zeros_like(wide)
        wide[:, :, : root.shape[1]] = batch.basis @ shrinking
        scatter(shrink, batch.rows, wide)
    border = solved[:, :q]
    fixed = solved[:, q:-1] - border @ solution.change
    diagonal = 1.0 + np.sum(basis * shrink, axis=1)
    diagonal = diagonal - np.sum(border @ solution.gain * border, axis=1) - np.sum(fixed @ point.phi * fixed, axis=1)
    return RowSolution(
        basis=basis,
        shrink=shrink,
        block_of_row=design.structure.block_of_row,
        border=border,
        gain=solution.gain,
        fixed=fixed,
        residual=solved @ solution.weights,
        diagonal=diagonal,
    )
