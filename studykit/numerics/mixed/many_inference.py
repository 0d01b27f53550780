"""Kenward–Roger for many fits of one design: `information.ingredients` and `small_sample` for a stack of fits.

The adjusted covariance needs sum_ij W_ij Q_ij alone, so that the Q_ij are never formed: with E_i = H^-1 M_i H^-1,

    sum_ij W_ij H^-1 M_i H^-1 M_j H^-1 = sum_i E_i sum_j W_ij M_j H^-1

is one kernel for each kind of blocks. All is formed at the level of H and in the orthonormal basis of X first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from studykit.numerics.mixed.information import inverse_information
from studykit.numerics.mixed.many_criterion import ManyPoints
from studykit.numerics.mixed.many_products import ManyProducts, pack, unpack
from studykit.numerics.mixed.small_sample import Ingredients, kenward_roger


@dataclass(frozen=True, slots=True)
class ManyInference:
    """What contrasts of the fixed effects need to know of a fits, in the units given.

    Attributes:
        phi: (a, p, p) model-based covariance of the fixed effects; adjusted: (a, p, p) that of Kenward and Roger.
        slopes: (a, K + 1, p, p) derivatives of phi by the covariance parameters (s2, sigma_1 .. sigma_K).
        w: (a, K + 1, K + 1) inverse of the expected information of these parameters.
    """

    phi: np.ndarray
    adjusted: np.ndarray
    slopes: np.ndarray
    w: np.ndarray

    def variance(self, column: np.ndarray, *, adjusted: bool) -> np.ndarray:
        """(a,) variance of one contrast (p,)."""
        return _form(self.adjusted if adjusted else self.phi, column)

    def kenward_roger_df(self, column: np.ndarray) -> np.ndarray:
        """(a,) Kenward–Roger df of one contrast: 2 v^2 / (g' W g), g_i = dv / d sigma_i; inf where g is zero."""
        slopes = _form(self.slopes, column)
        spread = (slopes[:, None] @ self.w @ slopes[..., None])[:, 0, 0]
        a2 = spread / _form(self.phi, column) ** 2
        df: np.ndarray = np.divide(2.0, a2, out=np.full_like(a2, np.inf), where=a2 > 0.0)
        return df


def many_inference(many: ManyProducts, points: ManyPoints, s2: np.ndarray) -> ManyInference:
    """Form the covariances of fits at their optima.

    Args:
        many: the products.
        points: the optima, looked at for REML.
        s2: (a,) residual variances.

    Raises:
        FitError: one parameter has no information at all.
    """
    # W of (s2, sigma) is this times s2^2, and Q_ij - P_i Phi P_j at the level of V its counterpart here over s2^3.
    w = np.stack([inverse_information(0.5 * pairs) for pairs in points.trace_pairs])
    first, weighted = _weighted_pairs(many, points, w)
    phi = points.phi
    halves = first @ phi[:, None]
    along = (w @ first.reshape(*first.shape[:2], -1)).reshape(first.shape)
    inner = weighted - (halves @ along).sum(axis=1)
    adjusted = phi + 2.0 * phi @ inner @ phi
    scale = s2[:, None, None]
    back = np.linalg.inv(many.design.x_root)
    return ManyInference(
        phi=scale * (back @ phi @ back.T),
        adjusted=0.5 * scale * (back @ (adjusted + np.swapaxes(adjusted, 1, 2)) @ back.T),
        slopes=back @ (phi[:, None] @ halves) @ back.T,
        w=scale**2 * w,
    )


def inference_one_by_one(made: Sequence[Ingredients]) -> ManyInference:
    """The same from the ingredients of each fit."""
    return ManyInference(
        phi=np.stack([one.phi for one in made]),
        adjusted=np.stack([kenward_roger(one) for one in made]),
        slopes=np.stack([-one.phi @ one.p_matrices @ one.phi for one in made]),
        w=np.stack([one.w for one in made]),
    )


def _weighted_pairs(many: ManyProducts, points: ManyPoints, w: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """X' H^-1 G_i H^-1 X (a, K + 1, p, p), and sum_ij W_ij X' H^-1 G_i H^-1 G_j H^-1 X (a, p, p)."""
    design = many.design
    q, count, p = design.border_width, points.which.size, design.p
    own, of_border = np.append(0, many.block_items + 1), many.border_items + 1
    turn = np.swapaxes
    reach = np.concatenate([-points.shift, np.broadcast_to(np.eye(p), (count, p, p))], axis=1)
    seen = points.first @ reach[:, None]
    blocks = turn(reach, 1, 2)[:, None] @ seen
    w_own, w_across, w_border = (
        np.take(np.take(w, rows, axis=1), columns, axis=2)
        for rows, columns in ((own, own), (own, of_border), (of_border, of_border))
    )
    weighted = turn(reach, 1, 2) @ _weighted_kernels(many, points, w_own) @ reach
    to_border = seen[:, :, :q]
    gained = points.gain[:, None] @ _mixed(w_own, to_border)
    weighted -= (turn(to_border, 2, 3) @ gained).sum(axis=1)
    first = np.empty((count, w.shape[1], p, p))
    first[:, own] = blocks
    if q:
        within = points.plain[:, :q, :q]
        kept = np.eye(points.plain.shape[1], q) - np.concatenate(
            [points.gain @ within, np.zeros((count, p, q))], axis=1
        )
        crossed = points.plain[:, :q, q:] - within @ points.shift
        through = many.selections @ crossed[:, None]
        first[:, of_border] = turn(crossed, 1, 2)[:, None] @ through
        sides = turn(seen, 2, 3) @ kept[:, None]
        one_side = (sides @ _mixed(w_across, through)).sum(axis=1)
        weighted += one_side + turn(one_side, 1, 2)
        around = (within - within @ points.gain @ within)[:, None] @ _mixed(w_border, through)
        weighted += (turn(through, 2, 3) @ around).sum(axis=1)
    return first, weighted


def _weighted_kernels(many: ManyProducts, points: ManyPoints, w: np.ndarray) -> np.ndarray:
    """(a, w, w) sum over the residual and the block parameters of W_ij N_ij."""
    width = many.width
    packed = w[:, :1, 0] * pack(many.design.rest)
    for kinds, sums in zip(many.kinds, points.sums, strict=True):
        count, some, parameters, size = sums.through.shape[:4]
        half = kinds.patterns.reshape(some, parameters * size, size) @ sums.inverse
        mixed = w[:, None] @ half.reshape(count, some, parameters, size * size)
        kernel = (sums.through @ mixed.reshape(sums.through.shape)).sum(axis=2)
        packed = packed + (pack(kernel + np.swapaxes(kernel, 2, 3)).reshape(count, 1, -1) @ kinds.packed)[:, 0] * 0.5
    return unpack(packed, width)


def _mixed(w: np.ndarray, values: np.ndarray) -> np.ndarray:
    """(a, i, ...) sum over j of W_ij values[:, j]."""
    mixed = w @ values.reshape(*values.shape[:2], -1)
    return np.asarray(mixed.reshape(*mixed.shape[:2], *values.shape[2:]))


def _form(matrices: np.ndarray, column: np.ndarray) -> np.ndarray:
    """column' M column for every matrix of a stack."""
    return np.asarray((column @ (matrices @ column[:, None]))[..., 0])
