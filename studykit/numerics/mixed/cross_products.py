"""Cross-products of a design by block, formed once; afterwards no computation touches a row again.

The rows of block b are turned by an orthonormal basis Q_b of its random-effect columns (QR of Z_b = Q_b R_b). Only
Q_b' of the border columns, of X and of y can be correlated; everything orthogonal to Q_b has variance s2 I and is
kept as one matrix of cross-products. In the turned rows (k of them, k at most the number of effects in the block)

    V_b / s2 = I + sum_j gamma_j M_bj,   M_bj = sum over levels of (r_a r_b' + r_b r_a') / (1 + [a = b])

with r_a the columns of R_b. Blocks are padded with rows and columns of zeros to a common size, so that all of a batch
advance in one batched Cholesky; a padded row is an observation of nothing and changes no quantity.

The design (Z, X) is separate from the responses: one design serves many outcomes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.numerics.mixed.components import Components
from studykit.numerics.mixed.structure import Structure
from studykit.numerics.mixed.terms import RandomTerm

# Rows of R that are this small beside its largest entry are rounding: that direction carries no random effect.
_ROUNDING = 1e-12
# All blocks share one batch unless padding would more than double the numbers held.
_PADDING_ALLOWED = 2.0


@dataclass(frozen=True, slots=True)
class Batch:
    """Blocks of one padded size: B blocks, m rows each, turned to k rows.

    Attributes:
        rows: (B, m) row numbers of the data, -1 where padded.
        basis: (B, m, k) orthonormal columns Q_b.
        roots: (B, k, q) R_b, columns by term, level within the block, effect.
        patterns: (K_b, B, k, k) M_bj, one for each covariance parameter of the block terms.
        levels: (B, q) level of the column's term, -1 where padded.
        column_terms: (q,) term of each column; column_effects: (q,) effect within the term.
        border: (B, k, u) the turned columns [border levels, X].
    """

    rows: np.ndarray
    basis: np.ndarray
    roots: np.ndarray
    patterns: np.ndarray
    levels: np.ndarray
    column_terms: np.ndarray
    column_effects: np.ndarray
    border: np.ndarray


@dataclass(frozen=True, slots=True)
class DesignProducts:
    """Everything a fit needs of Z and X.

    Attributes:
        n: rows; p: fixed effects; border_width: q_c, columns of all border levels.
        structure: blocks and border; components: covariance parameters; terms: the random terms.
        block_items, border_items: which parameters belong to block terms and to border terms.
        border_pairs: for each border parameter, its two index arrays into the border columns (level by level).
        x: (n, p) as given; x_basis: (n, p) orthonormal; x_root: (p, p) upper triangular, x = x_basis @ x_root.
        batches: the blocks.
        rest: (u, u) cross-products of the border columns and x_basis orthogonal to every Q_b.
        spare: n - sum of k over the blocks: the dimension of what is orthogonal to every Q_b.
    """

    n: int
    p: int
    border_width: int
    structure: Structure
    components: Components
    terms: tuple[RandomTerm, ...]
    block_items: tuple[int, ...]
    border_items: tuple[int, ...]
    border_pairs: tuple[tuple[np.ndarray, np.ndarray], ...]
    x: np.ndarray
    x_basis: np.ndarray
    x_root: np.ndarray
    batches: tuple[Batch, ...]
    rest: np.ndarray
    spare: int


@dataclass(frozen=True, slots=True)
class ResponseProducts:
    """Everything a fit needs of outcomes.

    Attributes:
        y: (n, m) the outcomes as given.
        start: (p, m) least-squares coefficients on x_basis, taken off before anything else (no criterion sees them).
        turned: for each batch (B, k, m) the outcomes' residuals from least squares, turned by Q_b.
        rest_design: (u, m) cross-products with the border columns and x_basis, orthogonal to every Q_b.
        rest_own: (m,) sums of squares orthogonal to every Q_b.
        least_squares: (m,) residual sums of squares from least squares.
    """

    y: np.ndarray
    start: np.ndarray
    turned: tuple[np.ndarray, ...]
    rest_design: np.ndarray
    rest_own: np.ndarray
    least_squares: np.ndarray


def design_products(
    x: np.ndarray, terms: tuple[RandomTerm, ...], structure: Structure, components: Components
) -> DesignProducts:
    """Form the cross-products of a design.

    Args:
        x: (n, p) fixed-effect columns of full rank.
        terms, structure, components: as found for the design.
    """
    n, p = x.shape
    x_basis, x_root = np.linalg.qr(x)
    border, border_pairs, border_items = _border(terms, structure, components, n)
    columns = np.column_stack([border, x_basis])
    block_items = tuple(index for index, item in enumerate(components.items) if item.term in structure.block_terms)
    batches, turned_rows = [], 0
    free = columns.copy()
    for rows in _batch_rows(terms, structure, n):
        batch = _batch(rows, columns, terms, structure, components, block_items)
        turned_rows += batch.border.shape[0] * batch.border.shape[1]
        _take_off(free, batch, batch.border)
        batches.append(batch)
    return DesignProducts(
        n=n,
        p=p,
        border_width=border.shape[1],
        structure=structure,
        components=components,
        terms=terms,
        block_items=block_items,
        border_items=border_items,
        border_pairs=border_pairs,
        x=x,
        x_basis=x_basis,
        x_root=x_root,
        batches=tuple(batches),
        rest=free.T @ free,
        spare=n - turned_rows,
    )


def response_products(design: DesignProducts, y: np.ndarray) -> ResponseProducts:
    """Form the cross-products of m outcomes, y (n, m), with a design."""
    start = design.x_basis.T @ y
    residual = y - design.x_basis @ start
    again = design.x_basis.T @ residual
    residual = residual - design.x_basis @ again
    turned, free = [], residual.copy()
    for batch in design.batches:
        values = np.swapaxes(batch.basis, 1, 2) @ padded(residual, batch.rows)
        turned.append(values)
        _take_off(free, batch, values)
    border = np.column_stack([border_columns(design), design.x_basis])
    return ResponseProducts(
        y=y,
        start=start + again,
        turned=tuple(turned),
        rest_design=border.T @ free,
        rest_own=np.einsum("im,im->m", free, free),
        least_squares=np.einsum("im,im->m", residual, residual),
    )


def padded(values: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """(B, m, ...) values of the rows, zero where padded."""
    taken: np.ndarray = values[np.maximum(rows, 0)]
    taken[rows < 0] = 0.0
    return taken


def scatter(target: np.ndarray, rows: np.ndarray, values: np.ndarray) -> None:
    """Write (B, m, ...) values into the rows of `target`, leaving out the padded ones."""
    real = rows >= 0
    target[rows[real]] = values[real]


def border_columns(design: DesignProducts) -> np.ndarray:
    """(n, q_c) dense columns of the border levels in working units."""
    return _border(design.terms, design.structure, design.components, design.n)[0]


def _take_off(free: np.ndarray, batch: Batch, turned: np.ndarray) -> None:
    """Subtract from the rows of a batch what lies in the span of Q_b."""
    scatter(free, batch.rows, padded(free, batch.rows) - batch.basis @ turned)


def _border(
    terms: tuple[RandomTerm, ...], structure: Structure, components: Components, n: int
) -> tuple[np.ndarray, tuple[tuple[np.ndarray, np.ndarray], ...], tuple[int, ...]]:
    """Dense border columns, the index pairs of their parameters, and which parameters those are."""
    parts, starts, width = [], {}, 0
    for index in structure.border_terms:
        term, count = terms[index], structure.level_counts[index]
        block = np.zeros((n, count, term.width))
        block[np.arange(n), structure.levels[index]] = term.columns @ components.transforms[index]
        parts.append(block.reshape(n, -1))
        starts[index] = width
        width += count * term.width
    pairs, items = [], []
    for place, item in enumerate(components.items):
        if item.term in starts:
            levels = np.arange(structure.level_counts[item.term]) * terms[item.term].width + starts[item.term]
            pairs.append((levels + item.row, levels + item.column))
            items.append(place)
    return (np.hstack(parts) if parts else np.zeros((n, 0))), tuple(pairs), tuple(items)


def _batch_rows(terms: tuple[RandomTerm, ...], structure: Structure, n: int) -> list[np.ndarray]:
    """(B, m) row numbers of each batch, -1 where padded."""
    if structure.block_count == 0:
        return []
    block = structure.block_of_row
    sizes = np.bincount(block, minlength=structure.block_count)
    effects = np.zeros(structure.block_count, dtype=np.intp)
    for index in structure.block_terms:
        first = np.unique(structure.levels[index], return_index=True)[1]
        effects += terms[index].width * np.bincount(block[first], minlength=structure.block_count)
    together = structure.block_count * int(sizes.max()) * int(effects.max())
    if together <= _PADDING_ALLOWED * float(np.sum(sizes * effects)):
        classes = np.zeros(structure.block_count, dtype=np.intp)
    else:
        halves = np.column_stack([np.ceil(np.log2(sizes)), np.ceil(np.log2(effects))])
        classes = np.unique(halves, axis=0, return_inverse=True)[1].ravel()
    order = np.argsort(block, kind="stable")
    starts = np.cumsum(sizes) - sizes
    batches = []
    for chosen in range(int(classes.max()) + 1):
        members = np.flatnonzero(classes == chosen)
        places = np.arange(int(sizes[members].max()))
        inside = places < sizes[members][:, None]
        taken = np.minimum(starts[members][:, None] + places, n - 1)
        batches.append(np.where(inside, order[taken], -1))
    return batches


def _batch(
    rows: np.ndarray,
    columns: np.ndarray,
    terms: tuple[RandomTerm, ...],
    structure: Structure,
    components: Components,
    block_items: tuple[int, ...],
) -> Batch:
    random, levels, column_terms, column_effects = _random_columns(rows, terms, structure, components)
    basis, roots = np.linalg.qr(random)
    kept = np.abs(roots).max(axis=(0, 2)) > _ROUNDING * np.abs(roots).max()
    basis, roots = np.ascontiguousarray(basis[:, :, kept]), np.ascontiguousarray(roots[:, kept])
    patterns = np.zeros((len(block_items), *roots.shape[:2], roots.shape[1]))
    for place, index in enumerate(block_items):
        item = components.items[index]
        first = roots[:, :, (column_terms == item.term) & (column_effects == item.row)]
        second = roots[:, :, (column_terms == item.term) & (column_effects == item.column)]
        product = first @ np.swapaxes(second, 1, 2)
        patterns[place] = product if item.row == item.column else product + np.swapaxes(product, 1, 2)
    border = np.swapaxes(basis, 1, 2) @ padded(columns, rows)
    return Batch(rows, basis, roots, patterns, levels, column_terms, column_effects, border)


def _random_columns(
    rows: np.ndarray, terms: tuple[RandomTerm, ...], structure: Structure, components: Components
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """(B, m, q) columns of the block terms, finest term first, with the level, term and effect of each column."""
    block_axis = np.broadcast_to(np.arange(rows.shape[0])[:, None], rows.shape)
    row_axis = np.broadcast_to(np.arange(rows.shape[1])[None, :], rows.shape)
    real = rows >= 0
    parts, level_parts, term_parts, effect_parts = [], [], [], []
    for index in sorted(structure.block_terms, key=lambda place: -structure.level_counts[place]):
        term, width = terms[index], terms[index].width
        level_of = structure.levels[index][rows[real]]
        present, first = np.unique(level_of, return_index=True)
        home = block_axis[real][first]
        order = np.argsort(home, kind="stable")
        counts = np.bincount(home, minlength=rows.shape[0])
        slots = int(counts.max())
        slot = np.empty(present.size, dtype=np.intp)
        slot[order] = np.arange(present.size) - np.repeat(np.cumsum(counts) - counts, counts)
        slot_of_level = np.zeros(structure.level_counts[index], dtype=np.intp)
        slot_of_level[present] = slot
        block = np.zeros((*rows.shape, slots, width))
        block[block_axis[real], row_axis[real], slot_of_level[level_of]] = (
            term.columns[rows[real]] @ components.transforms[index]
        )
        names = np.full((rows.shape[0], slots), -1, dtype=np.intp)
        names[home, slot] = present
        parts.append(block.reshape(*rows.shape, slots * width))
        level_parts.append(np.repeat(names, width, axis=1))
        term_parts.append(np.full(slots * width, index))
        effect_parts.append(np.tile(np.arange(width), slots))
    return (
        np.concatenate(parts, axis=2),
        np.concatenate(level_parts, axis=1),
        np.concatenate(term_parts),
        np.concatenate(effect_parts),
    )
