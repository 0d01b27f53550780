"""A random term of a mixed model: which rows share an effect, and what multiplies that effect."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.errors import CallError


@dataclass(frozen=True, slots=True)
class RandomTerm:
    """One random term: u_l (c effects) for every level l, entering row i as columns[i] @ u_l with l = codes[i].

    The effects of one level have a c x c covariance, the same for every level; levels are independent.

    Attributes:
        name: the word used in results and errors, such as "participant" or "participant and limb".
        codes: (n,) integers, one per row; equal integers mean the same level. Any integers will do.
        columns: (n, c) floats: ones for an intercept, ones and a covariate for an intercept and a slope,
            a covariate alone for a slope without an intercept.
        correlated: whether the c effects of one level may be correlated (c > 1); if not, their covariance is
            diagonal.
        column_names: c words for the columns, used in results and errors.

    Raises:
        CallError: the shapes do not fit each other, or the codes are not integers.
    """

    name: str
    codes: np.ndarray
    columns: np.ndarray
    correlated: bool = True
    column_names: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        codes = np.asarray(self.codes)
        columns = np.asarray(self.columns, dtype=float)
        if codes.ndim != 1 or not np.issubdtype(codes.dtype, np.integer):
            raise CallError(f"The codes of the random term {self.name!r} must be one integer per row.")
        if columns.ndim == 1:
            columns = columns[:, None]
        if columns.ndim != 2 or columns.shape[0] != codes.shape[0] or columns.shape[1] == 0:
            raise CallError(
                f"The columns of the random term {self.name!r} have shape {columns.shape}; "
                f"give one row for each of its {codes.shape[0]} codes and at least one column."
            )
        names = self.column_names or _default_column_names(columns)
        if len(names) != columns.shape[1]:
            raise CallError(
                f"The random term {self.name!r} has {columns.shape[1]} columns and {len(names)} column names; "
                "give one name for each column."
            )
        object.__setattr__(self, "codes", codes)
        object.__setattr__(self, "columns", columns)
        object.__setattr__(self, "column_names", tuple(names))

    @property
    def width(self) -> int:
        """Number of effects of one level, c."""
        return int(self.columns.shape[1])


def intercept_by(name: str, codes: np.ndarray) -> RandomTerm:
    """The random intercept of each level: one column of ones."""
    return RandomTerm(name, np.asarray(codes), np.ones((len(codes), 1)))


def _default_column_names(columns: np.ndarray) -> tuple[str, ...]:
    names, slopes = [], 0
    for column in columns.T:
        if np.all(column == 1.0):
            names.append("intercept")
        else:
            slopes += 1
            names.append("slope" if slopes == 1 else f"slope {slopes}")
    return tuple(names)
