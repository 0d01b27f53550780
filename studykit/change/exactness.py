"""Readings that leave a model no error to judge by: found before the fit, and said in a sentence."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.sparse.linalg import lsmr

from studykit.errors import DesignError
from studykit.formatting import counted

_NOTHING_LEFT: Final = 1e-8
"""Share of the spread below which what is left is rounding: readings have at most four digits, sums sixteen."""
PERSON: Final = "participant_id"


def check_error_left(rows: pd.DataFrame, cells: pd.Series, terms: Sequence[tuple[str, ...]]) -> None:
    """Refuse readings that cell means and the levels of the random terms reproduce, by their number or by their values.

    By number: as many effects as readings. By value: everybody changed by the same amount, or readings repeat each
    other; a normal model has no density to compare there, its likelihood grows without end as the error goes to zero.

    Args:
        rows: outcomes with `value`, `participant_id` and the columns of the terms.
        cells: the cell of each row.
        terms: the random terms as tuples of columns.

    Raises:
        DesignError: nothing is left.
    """
    own = [_codes(rows, term) for term in terms if PERSON in term]
    shared = [cells.factorize()[0], *(_codes(rows, term) for term in terms if PERSON not in term)]
    design = sparse.hstack([_indicators(codes) for codes in (*shared, *own)], format="csr")
    count = len(rows)
    certain = _left_within_people(rows, own) - sum(int(codes.max()) + 1 for codes in shared)
    if certain < 1 and np.linalg.matrix_rank(design.toarray()) == count:
        raise DesignError(
            f"{counted(count, 'reading')} of {counted(rows[PERSON].nunique(), 'participant')} are too few: there are "
            "as many people, limbs and visits to allow for as readings, so an error cannot be estimated."
        )
    value = rows["value"].to_numpy(dtype=float)
    centred = value - value.mean()
    solution = lsmr(design, centred, atol=1e-14, btol=1e-14, maxiter=4 * count + 100)[0]
    if np.linalg.norm(centred - design @ solution) <= _NOTHING_LEFT * np.linalg.norm(centred):
        raise DesignError(
            "Once visits, people and limbs are taken into account, these readings leave no error at all (everybody "
            "changed by the same amount, or readings repeat each other); look for copied readings, since an interval "
            "cannot be given."
        )


def _left_within_people(rows: pd.DataFrame, own: Sequence[np.ndarray]) -> int:
    """Sum over participants of readings less the rank of their own effects."""
    left = 0
    for places in rows.groupby(PERSON, sort=False).indices.values():
        mine = np.column_stack([_indicators(pd.factorize(codes[places])[0]).toarray() for codes in own])
        left += len(places) - int(np.linalg.matrix_rank(mine))
    return left


def _codes(rows: pd.DataFrame, term: tuple[str, ...]) -> np.ndarray:
    codes: np.ndarray = rows.groupby(list(term), sort=False).ngroup().to_numpy()
    return codes


def _indicators(codes: np.ndarray) -> sparse.csr_array:
    count = len(codes)
    return sparse.csr_array((np.ones(count), (np.arange(count), codes)), shape=(count, int(codes.max()) + 1))
