"""One look at a model at given variance ratios: likelihood, first and second derivatives, from cross-products.

With H = V / s2 = I + sum_j gamma_j G_j (G_0 = I belongs to the residual), and [X, y] in the design's orthonormal basis:

    N      = [X y]' H^-1 [X y]
    N_i    = [X y]' H^-1 G_i H^-1 [X y]
    N_ij   = [X y]' H^-1 G_i H^-1 G_j H^-1 [X y]
    t_i    = tr(H^-1 G_i),   t_ij = tr(H^-1 G_i H^-1 G_j)

are formed block by block for the block terms; the border terms C are then eliminated by

    H^-1 [C X y] = H1^-1 [C X y] a,   a = [ (I + D N_cc)^-1 , -(I + D N_cc)^-1 D N_cr ; 0 , I ]

(H1 without the border terms, D the covariance ratios of the border levels), which subtracts nothing from anything
large. Eliminating X the same way gives the quantities of P = H^-1 - H^-1 X (X' H^-1 X)^-1 X' H^-1.

Source: Harville (1977) J. Am. Stat. Assoc. 72, 320–338, for the criterion and its derivatives (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.errors import FitError
from studykit.numerics.mixed.cross_products import Batch, DesignProducts, ResponseProducts

# Looks that are kept in memory while a model is searched.
_REMEMBERED = 6


@dataclass(frozen=True, slots=True)
class Point:
    """A model at given ratios gamma, in the working units and the orthonormal basis of X.

    Index 0 of the axes of length K + 1 is the residual; the others are the K parameters of the random terms.

    Attributes:
        gamma: (K,) ratios of the covariance parameters to s2.
        log_det_h: log |H|; log_det_f: log |X' H^-1 X|.
        phi: (p, p) (X' H^-1 X)^-1; beta: (p,) coefficients on top of the least-squares start.
        quadratic: r2 = y' P y.
        first: (K + 1, p + 1, p + 1) N_i; second: (K + 1, K + 1, p + 1, p + 1) N_ij, of [X, y].
        traces: (K + 1,) t_i; trace_pairs: (K + 1, K + 1) t_ij.
    """

    gamma: np.ndarray
    log_det_h: float
    log_det_f: float
    phi: np.ndarray
    beta: np.ndarray
    quadratic: float
    first: np.ndarray
    second: np.ndarray
    traces: np.ndarray
    trace_pairs: np.ndarray


@dataclass(frozen=True, slots=True)
class _Sums:
    """N, N_i, N_ij, t_i, t_ij of all columns [C, X, y], the parameters being the residual and the block terms' own."""

    log_det: float
    plain: np.ndarray
    first: np.ndarray
    second: np.ndarray
    traces: np.ndarray
    trace_pairs: np.ndarray


def evaluate(design: DesignProducts, response: ResponseProducts, gamma: np.ndarray) -> Point:
    """Form every quantity of a Point for the first outcome of `response`.

    Raises:
        FitError: a covariance is not positive definite at these ratios.
    """
    sums = _block_sums(design, response, gamma)
    log_det, plain, first, second, traces, pairs = (
        _eliminate_border(design, gamma, sums) if design.border_width else _without_border(sums)
    )
    p = design.p
    fixed = plain[:p, :p]
    try:
        root = np.linalg.cholesky(fixed)
    except np.linalg.LinAlgError as error:
        raise FitError("The fixed effects cannot be told apart at these variances.") from error
    inverse_root = np.linalg.inv(root)
    turned = inverse_root @ plain[:p, p]
    quadratic = float(plain[p, p] - turned @ turned)
    if not quadratic > 0.0:
        raise FitError("The random effects follow the outcome exactly at these variances; no residual is left.")
    return Point(
        gamma=gamma,
        log_det_h=log_det,
        log_det_f=2.0 * float(np.sum(np.log(np.diag(root)))),
        phi=inverse_root.T @ inverse_root,
        beta=inverse_root.T @ turned,
        quadratic=quadratic,
        first=first,
        second=second,
        traces=traces,
        trace_pairs=pairs,
    )


class Looks:
    """Looks at one model, the latest ones remembered: a search asks for the same place from several sides."""

    __slots__ = ("_remembered", "design", "response")

    def __init__(self, design: DesignProducts, response: ResponseProducts) -> None:
        self.design = design
        self.response = response
        self._remembered: dict[bytes, Point] = {}

    def at(self, gamma: np.ndarray) -> Point:
        """The model at the ratios gamma.

        Raises:
            FitError: a covariance is not positive definite at these ratios.
        """
        key = gamma.tobytes()
        if key not in self._remembered:
            if len(self._remembered) >= _REMEMBERED:
                self._remembered.pop(next(iter(self._remembered)))
            self._remembered[key] = evaluate(self.design, self.response, gamma)
        return self._remembered[key]


def border_covariance(design: DesignProducts, gamma: np.ndarray) -> np.ndarray:
    """(q_c, q_c) covariance ratios of all border levels."""
    covariance = np.zeros((design.border_width, design.border_width))
    for item, (first, second) in zip(design.border_items, design.border_pairs, strict=True):
        covariance[first, second] = gamma[item]
        covariance[second, first] = gamma[item]
    return covariance


def block_roots(batch: Batch, ratios: np.ndarray) -> np.ndarray:
    """(B, k, k) inverse Cholesky factors A of the turned blocks: A (I + sum gamma M) A' = I.

    Raises:
        FitError: a block is not positive definite.
    """
    blocks = np.einsum("j,jbkl->bkl", ratios, batch.patterns)
    diagonal = np.arange(blocks.shape[1])
    blocks[:, diagonal, diagonal] += 1.0
    try:
        roots = np.linalg.cholesky(blocks)
    except np.linalg.LinAlgError as error:
        raise FitError("The covariance of a block of rows is not positive definite at these variances.") from error
    inverse: np.ndarray = np.linalg.inv(roots)
    return inverse


def _block_sums(design: DesignProducts, response: ResponseProducts, gamma: np.ndarray) -> _Sums:
    """Sums over all blocks, and over what is orthogonal to them (where V / s2 = I, seen by the residual alone)."""
    ratios = gamma[list(design.block_items)]
    width, count = design.border_width + design.p + 1, len(design.block_items) + 1
    rest = np.empty((width, width))
    rest[:-1, :-1] = design.rest
    rest[:-1, -1] = rest[-1, :-1] = response.rest_design[:, 0]
    rest[-1, -1] = response.rest_own[0]
    plain = rest.copy()
    first, second = np.zeros((count, width, width)), np.zeros((count, count, width, width))
    first[0], second[0, 0] = rest, rest
    traces, pairs = np.zeros(count), np.zeros((count, count))
    traces[0] = pairs[0, 0] = design.spare
    log_det = 0.0
    for batch, turned in zip(design.batches, response.turned, strict=True):
        roots = block_roots(batch, ratios)
        size = roots.shape[1]
        log_det -= 2.0 * float(np.sum(np.log(roots[:, range(size), range(size)])))
        white = roots @ np.concatenate([batch.border, turned[:, :, :1]], axis=2)
        # S_i = A M_i A' for the block terms, A A' for the residual: everything below is products of these.
        middles = np.empty((count, *roots.shape))
        np.matmul(roots, np.swapaxes(roots, 1, 2), out=middles[0])
        np.matmul(roots @ batch.patterns, np.swapaxes(roots, 1, 2), out=middles[1:])
        once = middles @ white
        flat, flat_once = white.reshape(-1, width), once.reshape(count, -1, width)
        plain += flat.T @ flat
        first += flat.T @ flat_once
        side_by_side = np.moveaxis(flat_once, 0, 1).reshape(-1, count * width)
        product = (side_by_side.T @ side_by_side).reshape(count, width, count, width)
        second += product.transpose(0, 2, 1, 3)
        diagonal = np.arange(size)
        traces += middles[:, :, diagonal, diagonal].sum(axis=(1, 2))
        flat_middles = middles.reshape(count, -1)
        pairs += flat_middles @ flat_middles.T
    return _Sums(log_det, plain, first, second, traces, pairs)


_Reduced = tuple[float, np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def _without_border(sums: _Sums) -> _Reduced:
    return sums.log_det, sums.plain, sums.first, sums.second, sums.traces, sums.trace_pairs


def _eliminate_border(design: DesignProducts, gamma: np.ndarray, sums: _Sums) -> _Reduced:
    """The same quantities of [X, y] with the border terms in H, their parameters put in their places."""
    q, width = design.border_width, sums.plain.shape[0]
    covariance = border_covariance(design, gamma)
    system = np.eye(q) + covariance @ sums.plain[:q, :q]
    sign, log_det = np.linalg.slogdet(system)
    if sign <= 0.0:
        raise FitError("The covariance of a crossed term is not positive definite at these variances.")
    solved = np.linalg.solve(system, np.column_stack([np.eye(q), covariance, covariance @ sums.plain[:q, q:]]))
    keep, gain = solved[:, :q], solved[:, q : 2 * q]
    change = np.eye(width)
    change[:q, :q], change[:q, q:] = keep, -solved[:, 2 * q :]
    crossed = np.hstack([sums.plain[:q, :q] @ keep, keep.T @ sums.plain[:q, q:]])
    crossed[:, :q] = 0.5 * (crossed[:, :q] + crossed[:, :q].T)
    plain = sums.plain[q:, q:] + sums.plain[q:, :q] @ change[:q, q:]

    own = (0, *(index + 1 for index in design.block_items))
    total = len(gamma) + 1
    first = np.zeros((total, width, width))
    second = np.zeros((total, total, width, width))
    traces, pairs = np.zeros(total), np.zeros((total, total))
    grid = np.ix_(own, own)
    to_border = sums.first[:, :q, :]
    gained = gain @ to_border
    first[list(own)] = change.T @ sums.first @ change
    middle = sums.second - np.einsum("iaw,jav->ijwv", to_border, gained, optimize=True)
    second[grid] = change.T @ middle @ change
    traces[list(own)] = sums.traces - np.einsum("ab,iba->i", gain, sums.first[:, :q, :q])
    pairs[grid] = (
        sums.trace_pairs
        - 2.0 * np.einsum("ab,ijba->ij", gain, sums.second[:, :, :q, :q])
        + np.einsum("iab,jba->ij", gained[:, :, :q], gained[:, :, :q])
    )
    _add_border_parameters(design, crossed, own, first, second, traces, pairs)
    return sums.log_det + float(log_det), plain, first[:, q:, q:], second[:, :, q:, q:], traces, pairs


def _add_border_parameters(
    design: DesignProducts,
    crossed: np.ndarray,
    own: tuple[int, ...],
    first: np.ndarray,
    second: np.ndarray,
    traces: np.ndarray,
    pairs: np.ndarray,
) -> None:
    """Fill the places of the border terms' parameters; `crossed` = C' H^-1 [C, X, y]."""
    q = crossed.shape[0]
    within = crossed[:, :q]
    for item, pair in zip(design.border_items, design.border_pairs, strict=True):
        here = item + 1
        through = _through(pair, crossed)
        first[here] = crossed.T @ through
        traces[here] = np.trace(through[:, :q])
        for other in own:
            second[other, here] = first[other][:, :q] @ through
            second[here, other] = second[other, here].T
            pairs[other, here] = pairs[here, other] = np.sum(first[other][:q, :q].T * _through(pair, np.eye(q)))
    for item, pair in zip(design.border_items, design.border_pairs, strict=True):
        through = _through(pair, crossed)
        for other, other_pair in zip(design.border_items, design.border_pairs, strict=True):
            other_through = _through(other_pair, crossed)
            second[item + 1, other + 1] = through.T @ within @ other_through
            pairs[item + 1, other + 1] = np.sum(through[:, :q].T * other_through[:, :q])


def _through(pair: tuple[np.ndarray, np.ndarray], matrix: np.ndarray) -> np.ndarray:
    """E matrix, E the symmetric selection of a border parameter: ones at its pairs of border columns."""
    rows, columns = pair
    result = np.zeros_like(matrix)
    result[rows] += matrix[columns]
    if not np.array_equal(rows, columns):
        result[columns] += matrix[rows]
    return result
