"""What all other rows of a mixed model let one expect of some rows: each reader's readings, from those of the others.

For the rows r of one reader and the rows o of all others, at given variances:

    b_o      = (X_o' V_oo^-1 X_o)^-1 X_o' V_oo^-1 y_o                    fixed effects without the reader
    expected = X_r b_o + V_ro V_oo^-1 (y_o - X_o b_o)                    and what the others found in the same people

No row of the reader enters what is expected of the reader. People are independent, so that V is taken person by person.

Source: best linear unbiased prediction, Robinson (1991) Statistical Science 6, 15-32 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from studykit.errors import CallError
from studykit.numerics.mixed.terms import RandomTerm

# A row of X_r whose part outside the rows of X_o is larger than this share of it has no expectation.
_OUTSIDE = 1e-8


def expected_from_others(
    y: np.ndarray,
    x: np.ndarray,
    people: np.ndarray,
    readers: np.ndarray,
    terms: Sequence[RandomTerm],
    covariances: Sequence[np.ndarray],
    residual_variance: float,
) -> np.ndarray:
    """Expectation of every row from the rows of all readers but its own.

    Args:
        y: (n,) outcomes; x: (n, p) fixed effects.
        people: (n,) codes; rows of different people share no level of any term.
        readers: (n,) codes of who read each row.
        terms: the random terms that hold within people, a term for readers left out; covariances: (c, c) of each.
        residual_variance: of one row, greater than 0.

    Returns:
        (n,) expected outcomes; nan where the fixed effects of a row cannot be told without its reader, and in a study
        with one reader.

    Raises:
        CallError: shapes that do not fit, or no residual variance.
    """
    n = len(y)
    if x.shape[0] != n or len(people) != n or len(readers) != n or len(terms) != len(covariances):
        raise CallError("Outcomes, fixed effects, people and readers need one entry a row, terms one covariance each.")
    if not residual_variance > 0.0:
        raise CallError(f"The residual variance is {residual_variance}; it must be above 0.")
    rows_of = [np.flatnonzero(people == person) for person in np.unique(people)]
    blocks = [_covariance(rows, terms, covariances, residual_variance) for rows in rows_of]
    expected = np.full(n, np.nan)
    for reader in np.unique(readers):
        own = readers == reader
        if own.all():
            continue
        _expect(expected, own, y, x, rows_of, blocks)
    return expected


def _expect(
    expected: np.ndarray,
    own: np.ndarray,
    y: np.ndarray,
    x: np.ndarray,
    rows_of: list[np.ndarray],
    blocks: list[np.ndarray],
) -> None:
    """Fill in what is expected of one reader's rows."""
    p = x.shape[1]
    cross, seen = np.zeros((p, p)), np.zeros(p)
    for rows, block in zip(rows_of, blocks, strict=True):
        other = ~own[rows]
        if other.any():
            turned = np.linalg.solve(block[np.ix_(other, other)], np.column_stack([x[rows[other]], y[rows[other]]]))
            cross += x[rows[other]].T @ turned[:, :p]
            seen += x[rows[other]].T @ turned[:, p]
    values, vectors = np.linalg.eigh(cross)
    kept = vectors[:, values > values.max(initial=0.0) * 1e-12]
    beta = kept @ np.linalg.solve(kept.T @ cross @ kept, kept.T @ seen)
    for rows, block in zip(rows_of, blocks, strict=True):
        mine = own[rows]
        if not mine.any():
            continue
        wanted = x[rows[mine]]
        found = wanted @ beta
        other = ~mine
        if other.any():
            rest = y[rows[other]] - x[rows[other]] @ beta
            found = found + block[np.ix_(mine, other)] @ np.linalg.solve(block[np.ix_(other, other)], rest)
        outside = np.linalg.norm(wanted - wanted @ kept @ kept.T, axis=1)
        unknown = outside > _OUTSIDE * np.linalg.norm(wanted, axis=1)
        expected[rows[mine]] = np.where(unknown, np.nan, found)


def _covariance(
    rows: np.ndarray, terms: Sequence[RandomTerm], covariances: Sequence[np.ndarray], residual_variance: float
) -> np.ndarray:
    """(m, m) covariance of the outcomes of one person."""
    total = residual_variance * np.eye(rows.size)
    for term, covariance in zip(terms, covariances, strict=True):
        codes, columns = term.codes[rows], term.columns[rows]
        total += np.where(codes[:, None] == codes[None, :], columns @ covariance @ columns.T, 0.0)
    return total
