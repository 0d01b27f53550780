"""What each component of a dose does, as weighted sums of the means of arms.

The weights are those of least squares of the arms' means, every arm counting once, on the levels of the components: of
component j they are r / (r' r) with r what is left of its levels after the others (Frisch & Waugh 1933, Econometrica 1,
387–401, from memory). In a complete factorial that is the classical main effect, the mean over levels of the others;
an interaction of two components with two levels each is the difference of their differences (over both ranges). No
distribution is assumed here: the weights are fixed by the design, and their error is that of the means.
"""

from __future__ import annotations

import numpy as np

# What is left of a column after the others, below this share of itself, is rounding: the column repeats them.
_REPEATS = 1e-9


def slope_weights(levels: np.ndarray) -> np.ndarray:
    """(a, c) weights whose sum with the means is the slope by one unit of each component; nan where it is confounded.

    Args:
        levels: (a, c) level of each component in each arm.
    """
    centred = levels - levels.mean(axis=0)
    found = np.full(levels.shape, np.nan)
    for place in range(levels.shape[1]):
        others = np.delete(centred, place, axis=1)
        left = _left_over(centred[:, place], others)
        if left is not None:
            found[:, place] = left / (left @ left)
    return found


def interaction_weights(levels: np.ndarray, one: int, other: int) -> np.ndarray | None:
    """(a,) weights of the slope by the product of two components beyond both; None where the arms cannot tell it.

    Args:
        levels: (a, c) level of each component in each arm.
        one, other: which two.
    """
    centred = levels - levels.mean(axis=0)
    left = _left_over(centred[:, one] * centred[:, other], np.column_stack([np.ones(len(levels)), centred]))
    return None if left is None else left / (left @ left)


def lack_of_fit(columns: np.ndarray) -> np.ndarray:
    """(a, a - r) orthonormal contrasts of the means that are all zero when the means are a combination of the columns.

    Args:
        columns: (a, r) of full rank.
    """
    basis, _ = np.linalg.qr(columns, mode="complete")
    beyond: np.ndarray = basis[:, columns.shape[1] :]
    return beyond


def _left_over(column: np.ndarray, others: np.ndarray) -> np.ndarray | None:
    size = float(np.linalg.norm(column))
    left = column
    if others.shape[1]:
        scale = np.linalg.norm(others, axis=0)
        kept = others[:, scale > 0.0] / scale[scale > 0.0]
        left = column - kept @ np.linalg.lstsq(kept, column, rcond=None)[0]
    return None if size == 0.0 or float(np.linalg.norm(left)) <= _REPEATS * size else left
