"""Which random terms give independent blocks of rows, and which go into the border: found from the codes alone.

A set of terms splits the rows into blocks that share no level of any term of the set (the connected components of the
rows linked by those levels). Terms outside the set are eliminated afterwards, all their levels at once: the border.
The set is chosen by counting the work of one evaluation of the criterion for each possible set.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from studykit.numerics.mixed.terms import RandomTerm


@dataclass(frozen=True, slots=True)
class Structure:
    """How the rows fall apart.

    Attributes:
        levels: for each term, (n,) codes 0 .. number of levels - 1.
        level_counts: number of levels of each term.
        block_terms: indices of the terms whose levels never leave a block.
        border_terms: indices of all other terms.
        block_of_row: (n,) codes 0 .. number of blocks - 1; all 0 when there is no block term.
        block_count: number of blocks; 0 when there is no block term.
    """

    levels: tuple[np.ndarray, ...]
    level_counts: tuple[int, ...]
    block_terms: tuple[int, ...]
    border_terms: tuple[int, ...]
    block_of_row: np.ndarray
    block_count: int


def find_structure(terms: tuple[RandomTerm, ...], fixed_count: int) -> Structure:
    """Choose the block terms that make one evaluation of the criterion cheapest.

    Args:
        terms: the random terms.
        fixed_count: number of fixed effects, p (they travel with the border).
    """
    coded = [np.unique(term.codes, return_inverse=True) for term in terms]
    levels = tuple(np.asarray(inverse, dtype=np.intp) for _, inverse in coded)
    counts = tuple(int(values.size) for values, _ in coded)
    patterns, pattern_of_row = np.unique(np.column_stack(levels), axis=0, return_inverse=True)
    rows_of_pattern = np.bincount(pattern_of_row.ravel())

    # Terms with the same levels (an intercept and slopes by participant) cut the rows into the same blocks.
    first_alike = [next(j for j in range(i + 1) if np.array_equal(levels[j], levels[i])) for i in range(len(levels))]
    known: dict[tuple[int, ...], tuple[np.ndarray, int, np.ndarray, list[np.ndarray]]] = {}
    firsts = [np.unique(patterns[:, index], return_index=True)[1] for index in range(len(terms))]
    best: tuple[float, tuple[int, ...], np.ndarray, int] | None = None
    for size in range(len(terms) + 1):
        for chosen in combinations(range(len(terms)), size):
            different = tuple(sorted({first_alike[index] for index in chosen}))
            if different not in known:
                found = _components(patterns, counts, different)
                known[different] = (*found, *_sizes(*found, rows_of_pattern, firsts, different))
            blocks, block_count, rows_of_block, levels_of_block = known[different]
            widths = [0] * len(terms)
            for index in chosen:
                widths[first_alike[index]] += terms[index].width
            outside = sum(counts[index] * terms[index].width for index in range(len(terms)) if index not in chosen)
            width = float(outside + fixed_count + 1)
            together = [widths[index] for index in different]
            work = _work(block_count, rows_of_block, levels_of_block, together, width)
            if best is None or work < best[0]:
                best = (work, chosen, blocks, block_count)
    assert best is not None  # noqa: S101 - the empty set is always tried
    _, chosen, blocks, block_count = best
    border = tuple(index for index in range(len(terms)) if index not in chosen)
    return Structure(levels, counts, chosen, border, blocks[pattern_of_row.ravel()], block_count)


def _components(patterns: np.ndarray, counts: tuple[int, ...], chosen: tuple[int, ...]) -> tuple[np.ndarray, int]:
    """Block of every pattern of levels, and the number of blocks."""
    total = patterns.shape[0]
    if not chosen:
        return np.zeros(total, dtype=np.intp), 0
    if len(chosen) == 1:
        return patterns[:, chosen[0]], counts[chosen[0]]
    offsets = np.cumsum([total, *[counts[index] for index in chosen]])
    links_from = np.tile(np.arange(total), len(chosen))
    links_to = np.concatenate([patterns[:, index] + offset for index, offset in zip(chosen, offsets, strict=False)])
    graph = sparse.coo_array((np.ones(links_to.size), (links_from, links_to)), shape=(offsets[-1], offsets[-1]))
    block_count, labels = csgraph.connected_components(graph, directed=False)
    return np.asarray(labels[:total], dtype=np.intp), int(block_count)


def _sizes(
    blocks: np.ndarray,
    block_count: int,
    rows_of_pattern: np.ndarray,
    firsts: list[np.ndarray],
    different: tuple[int, ...],
) -> tuple[np.ndarray, list[np.ndarray]]:
    """(blocks,) rows of every block, and how many levels of each term it holds; `firsts` a pattern of each level."""
    rows = np.bincount(blocks, rows_of_pattern, minlength=block_count)
    return rows, [np.bincount(blocks[firsts[index]], minlength=block_count) for index in different]


def _work(
    block_count: int, rows_of_block: np.ndarray, levels_of_block: list[np.ndarray], widths: list[int], width: float
) -> float:
    """Multiplications of one evaluation: each block's own algebra, its border columns, and the border itself.

    Args:
        block_count: number of blocks; rows_of_block, levels_of_block: as in `_sizes`.
        widths: effects of one level of each of these terms, those of terms with the same levels together.
        width: border columns, fixed effects and outcome.
    """
    if block_count == 0:
        return width**3
    size = np.zeros(block_count)
    for levels, effects in zip(levels_of_block, widths, strict=True):
        size += effects * levels
    size = np.minimum(size, rows_of_block)
    return float(np.sum(size * (size * (size + width) + width**2))) + width**3
