"""Cross-products for many outcomes of one design: blocks that are alike are counted together.

In a planned trial many participants have the same visits in the same arm, so that their turned blocks have the same
patterns M_bj and the same H_b at any variances. Then every sum over blocks needs the products of their columns
c_b = [C X y] (border levels, fixed effects, outcome) alone, summed over the blocks of a kind:

    sum over b of c_b' E c_b = sum over kinds of sum over r, s of E[r, s] * (sum over b of c_b[r]' c_b[s])

for E = H^-1, H^-1 M_i H^-1 ... of the kind. The part of [C X] is the same for all outcomes. Symmetric matrices are
packed (rows r >= s), entries off the diagonal standing for both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from studykit.numerics.mixed.cross_products import Batch, DesignProducts, ResponseProducts

# Shares of the largest entry of a pattern below which two patterns are the same: a thousand times its rounding.
_ALIKE = 1e-12


@dataclass(frozen=True, slots=True)
class Kinds:
    """The T kinds among the blocks of one batch, turned to k rows each; K_b parameters of the block terms.

    Attributes:
        kind: (B,) kind of every block.
        counts: (T,) blocks of a kind.
        patterns: (T, K_b + 1, k, k) identity (the residual's), then M_j.
        packed: (T * k (k + 1) / 2, w (w + 1) / 2) products of the columns [C X].
    """

    kind: np.ndarray
    counts: np.ndarray
    patterns: np.ndarray
    packed: np.ndarray

    @property
    def size(self) -> int:
        """Turned rows of a block, k."""
        return int(self.patterns.shape[-1])


@dataclass(frozen=True, slots=True)
class ManyProducts:
    """Everything that many fits of one design need.

    Attributes:
        design: the design; kinds: of each of its batches.
        selections: (K_c, q, q) for each border parameter, ones where it stands in the covariance of the border levels.
        outcomes: for each batch (m, T * k (k + 1) / 2, w + 1) products of the columns [C X y] with y.
        rest: (m, w + 1) products of [C X y] with y, orthogonal to every block's basis.
    """

    design: DesignProducts
    kinds: tuple[Kinds, ...]
    selections: np.ndarray
    outcomes: tuple[np.ndarray, ...]
    rest: np.ndarray

    @property
    def width(self) -> int:
        """Columns [C X], w."""
        return self.design.border_width + self.design.p

    @property
    def block_items(self) -> np.ndarray:
        """(K_b,) places of the block terms' parameters."""
        return np.array(self.design.block_items, dtype=np.intp)

    @property
    def border_items(self) -> np.ndarray:
        """(K_c,) places of the border terms' parameters."""
        return np.array(self.design.border_items, dtype=np.intp)


def block_kinds(design: DesignProducts) -> tuple[np.ndarray, ...]:
    """(B,) kind of every block of each batch: equal where all patterns are."""
    return tuple(_kinds_of(batch.patterns) for batch in design.batches)


def numbers_of_design(design: DesignProducts, ids: Sequence[np.ndarray]) -> int:
    """Numbers that `design_kinds` holds."""
    width = design.border_width + design.p
    return sum(pairs * (width * (width + 1) // 2) for pairs, _ in _sizes(design, ids))


def numbers_of_fit(design: DesignProducts, ids: Sequence[np.ndarray]) -> int:
    """Numbers that one look at one fit holds, about."""
    width, parameters = design.border_width + design.p, len(design.components.items) + 2
    whole = 4 * parameters * width * width
    return whole + sum(pairs * (width + 1) + 6 * parameters * square for pairs, square in _sizes(design, ids))


def design_kinds(design: DesignProducts, ids: Sequence[np.ndarray]) -> tuple[Kinds, ...]:
    """Form the products of the columns [C X] for every kind of blocks, `ids` from `block_kinds`."""
    return tuple(_kinds(batch, kind) for batch, kind in zip(design.batches, ids, strict=True))


def many_products(
    design: DesignProducts, kinds: tuple[Kinds, ...], responses: Sequence[ResponseProducts]
) -> ManyProducts:
    """Form the products of m outcomes with a design whose kinds are known.

    Args:
        design, kinds: the design.
        responses: the products of each outcome, one by one.
    """
    outcomes = []
    for place, (batch, some) in enumerate(zip(design.batches, kinds, strict=True)):
        values = np.stack([response.turned[place][:, :, 0] for response in responses])
        outcomes.append(_outcome_products(batch, some, values))
    selections = np.zeros((len(design.border_items), design.border_width, design.border_width))
    for selection, (first, second) in zip(selections, design.border_pairs, strict=True):
        selection[first, second] = selection[second, first] = 1.0
    rest = np.stack([np.append(response.rest_design[:, 0], response.rest_own[0]) for response in responses])
    return ManyProducts(design, kinds, selections, tuple(outcomes), rest)


@lru_cache(maxsize=64)
def pairs_of(size: int) -> tuple[np.ndarray, np.ndarray]:
    """Rows r >= s of the packed form of a symmetric (size, size) matrix; not to be written to."""
    return np.tril_indices(size)


@lru_cache(maxsize=64)
def _places(size: int) -> np.ndarray:
    """(size, size) place of each entry of a symmetric matrix in its packed form; not to be written to."""
    rows, columns = pairs_of(size)
    places = np.empty((size, size), dtype=np.intp)
    places[rows, columns] = places[columns, rows] = np.arange(rows.size)
    return places


def pack(matrices: np.ndarray) -> np.ndarray:
    """(..., size (size + 1) / 2) packed entries of symmetric (..., size, size) matrices."""
    rows, columns = pairs_of(matrices.shape[-1])
    return np.ascontiguousarray(matrices[..., rows, columns])


def pack_both(matrices: np.ndarray) -> np.ndarray:
    """Packed entries, those off the diagonal doubled: the product with a packed matrix is then the trace."""
    rows, columns = pairs_of(matrices.shape[-1])
    return np.ascontiguousarray(matrices[..., rows, columns] * np.where(rows == columns, 1.0, 2.0))


def unpack(packed: np.ndarray, size: int) -> np.ndarray:
    """(..., size, size) symmetric matrices from their packed entries."""
    return np.take(packed, _places(size), axis=-1)


def _kinds_of(patterns: np.ndarray) -> np.ndarray:
    flat = np.moveaxis(patterns, 0, 1).reshape(patterns.shape[1], -1)
    steps = np.round(flat / (_ALIKE * max(float(np.abs(flat).max(initial=0.0)), np.finfo(float).tiny)))
    return np.asarray(np.unique(steps + 0.0, axis=0, return_inverse=True)[1]).ravel()


def _sizes(design: DesignProducts, ids: Sequence[np.ndarray]) -> list[tuple[int, int]]:
    """Of each batch: kinds times packed entries of a block, kinds times all entries."""
    made = []
    for batch, kind in zip(design.batches, ids, strict=True):
        count, size = int(kind.max()) + 1, batch.patterns.shape[-1]
        made.append((count * (size * (size + 1) // 2), count * size * size))
    return made


def _kinds(batch: Batch, kind: np.ndarray) -> Kinds:
    firsts = np.unique(kind, return_index=True)[1]
    size, width = batch.border.shape[1:]
    identity = np.broadcast_to(np.eye(size), (1, firsts.size, size, size))
    patterns = np.concatenate([identity, batch.patterns[:, firsts]])
    made = []
    for one in range(firsts.size):
        columns = batch.border[kind == one].reshape(-1, size * width)
        product = (columns.T @ columns).reshape(size, width, size, width)
        made.append(pack(_both(product.transpose(0, 2, 1, 3))))
    return Kinds(
        kind=kind,
        counts=np.bincount(kind).astype(float),
        patterns=np.ascontiguousarray(np.moveaxis(patterns, 0, 1)),
        packed=np.concatenate(made),
    )


def _outcome_products(batch: Batch, kinds: Kinds, values: np.ndarray) -> np.ndarray:
    """(m, T * pairs, w + 1) from the outcomes' turned rows, (m, B, k); each outcome by products of its own."""
    count, size, width = values.shape[0], kinds.size, batch.border.shape[2]
    made = []
    for one in range(kinds.counts.size):
        inside = kinds.kind == one
        own = np.ascontiguousarray(values[:, inside])
        columns = batch.border[inside].reshape(-1, size * width)
        with_design = (columns.T @ own).reshape(count, size, width, size).transpose(0, 1, 3, 2)
        with_itself = (np.swapaxes(own, 1, 2) @ own)[..., None]
        made.append(np.concatenate([_both(with_design, first=1), _both(with_itself, first=1)], axis=2))
    return np.concatenate(made, axis=1) if made else np.zeros((count, 0, width + 1))


def _both(products: np.ndarray, first: int = 0) -> np.ndarray:
    """Rows r >= s of products [.., r, s, ..], axes `first` and the next, [.., s, r, ..] added off the diagonal."""
    moved = np.moveaxis(products, (first, first + 1), (0, 1))
    rows, columns = pairs_of(moved.shape[0])
    apart = (rows != columns).reshape(-1, *(1,) * (moved.ndim - 2))
    return np.moveaxis(moved[rows, columns] + apart * moved[columns, rows], 0, first)
