"""What must hold before a mixed model can be fitted: one sentence for each way in which it does not."""

from __future__ import annotations

from itertools import product

import numpy as np

from studykit.errors import CallError, DataError, DesignError
from studykit.numerics.mixed.criterion import evaluate
from studykit.numerics.mixed.cross_products import DesignProducts, ResponseProducts
from studykit.numerics.mixed.information import derivatives
from studykit.numerics.mixed.terms import RandomTerm

# A column of X whose part outside the columns before it is smaller than this share of itself repeats them.
_DEPENDENT = 1e-10
# Shares of a sum of squares below this are rounding.
_NOTHING = 1e-18
# Information on a parameter beyond the others below this share of its own: it cannot be told from them.
_CONFOUNDED = 1e-9
# Numbers that the border columns may hold: 4 GB.
_MOST_NUMBERS = 500_000_000
# Two ratios of variances, both large: an outcome that random effects follow exactly leaves the less, the larger they
# are; any other leaves the same (unless its residual standard deviation is below a ten-thousandth of the others).
_LARGE, _HUGE = 1e5, 1e8


def check_rows(y: np.ndarray, x: np.ndarray) -> None:
    """Outcomes y (n, m) that fit the rows of X (n, p), without missing values.

    Raises:
        CallError: shapes that do not fit each other.
        DataError: missing or infinite numbers.
    """
    if y.ndim != 2 or x.ndim != 2 or x.shape[0] != y.shape[0] or x.shape[1] == 0:
        raise CallError(f"The outcome has shape {y.shape} and X {x.shape}; give (n,) and (n, p) with the same n.")
    _check_finite(y, "The outcome")


def check_design(x: np.ndarray, terms: tuple[RandomTerm, ...], names: tuple[str, ...]) -> None:
    """Shapes, missing values, and the rank of X.

    Raises:
        CallError: shapes that do not fit each other.
        DataError: missing or infinite numbers.
        DesignError: too few rows, or columns of X that repeat each other.
    """
    if x.ndim != 2 or x.shape[1] == 0:
        raise CallError(f"X has shape {x.shape}; give (n, p), one row for each row of the outcome.")
    if len(names) != x.shape[1]:
        raise CallError(f"X has {x.shape[1]} columns and {len(names)} names; give one name for each column.")
    for term in terms:
        if term.codes.shape[0] != x.shape[0]:
            raise CallError(f"The random term {term.name!r} has {term.codes.shape[0]} rows and X {x.shape[0]}.")
        if not np.isfinite(term.columns).all():
            row = int(np.flatnonzero(~np.isfinite(term.columns).all(axis=1))[0])
            raise DataError(f"The columns of the random term {term.name!r} hold missing values (first in row {row}).")
    _check_finite(x, "X")
    if x.shape[0] <= x.shape[1]:
        raise DesignError(
            f"There are {x.shape[0]} rows for {x.shape[1]} fixed effects; a fit needs more rows than those."
        )
    dependent = dependent_columns(x)
    if dependent:
        listed = ", ".join(repr(names[index]) for index in dependent)
        raise DesignError(
            f"{len(dependent)} of {x.shape[1]} columns of the fixed effects are combinations of the columns before "
            f"them ({listed}): their effects cannot be told apart; leave these columns out."
        )


def _check_finite(values: np.ndarray, what: str) -> None:
    bad = np.flatnonzero(~np.isfinite(values).all(axis=1))
    if bad.size:
        raise DataError(
            f"{what} is missing or infinite in {bad.size} of {values.shape[0]} rows (first: row {bad[0]}); drop them."
        )


def dependent_columns(x: np.ndarray) -> list[int]:
    """Columns that are combinations of those before them (QR, then Gram–Schmidt on its triangle, each column twice)."""
    triangle = np.asarray(np.linalg.qr(x, mode="r"))
    basis: list[np.ndarray] = []
    dependent = []
    for index, column in enumerate(np.ascontiguousarray(triangle.T)):
        size = float(np.linalg.norm(column))
        rest = column.copy()
        for _ in range(2):
            for direction in basis:
                rest = rest - direction * float(direction @ rest)
        left = float(np.linalg.norm(rest))
        if left <= _DEPENDENT * size:
            dependent.append(index)
        else:
            basis.append(rest / left)
    return dependent


def check_terms(terms: tuple[RandomTerm, ...]) -> None:
    """Levels, repeated rows, and slopes that have something to slope over.

    Raises:
        CallError: no random term.
        DesignError: a term that this design cannot estimate.
    """
    if not terms:
        raise CallError("A mixed model needs at least one random term; without any, fit by least squares.")
    for term in terms:
        _, levels = np.unique(term.codes, return_inverse=True)
        count = int(levels.max()) + 1
        rows = term.codes.size
        if count < 2:
            raise DesignError(
                f"The random term {term.name!r} has only one level; a variance between levels needs at least two, "
                "so leave the term out."
            )
        if count == rows:
            raise DesignError(
                f"The random term {term.name!r} has one row for each of its {count} levels: its effects cannot be told "
                "from the residual; leave the term out, or add the repeated rows."
            )
        _check_columns(term, levels, count)


def _check_columns(term: RandomTerm, levels: np.ndarray, count: int) -> None:
    for column, name in zip(term.columns.T, term.column_names, strict=True):
        if np.ptp(column) == 0.0:
            if column[0] == 0.0:
                raise DesignError(f"The column {name!r} of the random term {term.name!r} is zero in every row.")
            continue
        low, high = np.full(count, np.inf), np.full(count, -np.inf)
        np.minimum.at(low, levels, column)
        np.maximum.at(high, levels, column)
        if np.all(low == high):
            raise DesignError(
                f"The slope column {name!r} of the random term {term.name!r} is constant within each of its {count} "
                "levels: no level has a slope to estimate; leave the slope out."
            )


def check_size(n: int, fixed_count: int, border: int) -> None:
    """The border levels and X are held as columns over all rows: refuse what would not fit into memory.

    Raises:
        DesignError: more numbers than `_MOST_NUMBERS`.
    """
    if n * (border + fixed_count) > _MOST_NUMBERS:
        raise DesignError(
            f"Terms that cross each other leave {border} levels that no block of rows keeps to itself; with {n} rows "
            f"that would take {8e-9 * n * (border + fixed_count):.0f} GB. Leave out one of the crossed terms, or fit "
            "parts of the data."
        )


def check_outcome(response: ResponseProducts, y: np.ndarray) -> None:
    """Spread in the outcome, beyond the fixed effects.

    Raises:
        DesignError: there is none.
    """
    if np.ptp(y) == 0.0:
        raise DesignError(f"The outcome is {y[0]:g} in all {y.size} rows; without spread there is nothing to model.")
    spread = float(np.sum((y - y.mean()) ** 2))
    if float(response.least_squares[0]) <= _NOTHING * max(spread, float(y @ y) * 1e-9):
        raise DesignError("The fixed effects reproduce the outcome exactly; no variance is left to model.")


def check_bounded(response: ResponseProducts, design: DesignProducts) -> None:
    """Whether maximum likelihood has an optimum at all.

    When the fixed effects and some of the random ones together have as many directions as there are rows, and those
    random ones alone have fewer, the likelihood of any outcome grows without bound as the residual variance and the
    other random effects go to zero. REML counts only what the fixed effects leave, and stays bounded there.

    Raises:
        DesignError: it has none.
    """
    parts = design.components
    effects = sum(np.unique(term.codes).size * width for term, width in zip(design.terms, parts.widths, strict=True))
    if design.n > design.p + effects:
        return
    choices = [_parts_of_a_term(width) for width in parts.widths]
    for chosen in product(*choices):
        point = evaluate(design, response, parts.vector(chosen))
        left_by_all = float(derivatives(point, reml=True).traces[0])
        left_by_random = float(derivatives(point, reml=False).traces[0])
        if left_by_all <= 0.5 < left_by_random:
            raise DesignError(
                f"Fixed and random effects together reproduce any outcome in {design.n} rows, so that maximum "
                "likelihood has no optimum: fit by REML, or leave out the finest random term."
            )


def _parts_of_a_term(width: int) -> list[np.ndarray]:
    """Ratios of one term: none at all, its first column alone, all of it."""
    first = np.zeros((width, width))
    first[0, 0] = _HUGE
    whole = [] if width == 1 else [np.eye(width) * _HUGE]
    return [np.zeros((width, width)), first, *whole]


def check_residual(response: ResponseProducts, design: DesignProducts) -> None:
    """Whether the random effects follow the outcome exactly: what is left then shrinks as fast as variances grow.

    Raises:
        DesignError: they do.
    """
    parts = design.components
    points = [
        evaluate(design, response, parts.vector(tuple(np.eye(width) * size for width in parts.widths)))
        for size in (_LARGE, _HUGE)
    ]
    free = float(derivatives(points[1], reml=True).traces[0])
    if free > 0.5 and points[1].quadratic <= 10.0 * _LARGE / _HUGE * points[0].quadratic:
        raise DesignError(
            "The random effects reproduce the outcome exactly: rows that share all levels never differ, so there is no "
            "residual variance; average such rows, or leave out the finest random term."
        )


def check_identified(design: DesignProducts, response: ResponseProducts) -> None:
    """Every covariance parameter has information of its own.

    Raises:
        DesignError: a term is swallowed by the fixed effects, or terms that cannot be told apart.
    """
    items = design.components.items
    point = evaluate(design, response, np.zeros(len(items)))
    pairs = derivatives(point, reml=True).trace_pairs
    own, before = np.diag(pairs), np.diag(point.trace_pairs)
    swallowed = np.flatnonzero(own <= _CONFOUNDED * before)
    if swallowed.size:
        name = "residual" if swallowed[0] == 0 else design.terms[items[int(swallowed[0]) - 1].term].name
        raise DesignError(
            f"The fixed effects leave nothing for the variance of {name!r}: every level has a fixed effect of its own; "
            "leave out the fixed effects or the random term."
        )
    scale = 1.0 / np.sqrt(own)
    values, vectors = np.linalg.eigh(pairs * np.outer(scale, scale))
    if values[0] > _CONFOUNDED:
        return
    involved = np.flatnonzero(np.abs(vectors[:, 0]) > 0.05)
    words = sorted(
        {"the residual" if index == 0 else repr(design.terms[items[index - 1].term].name) for index in involved}
    )
    raise DesignError(
        f"The variances of {' and '.join(words)} cannot be told apart in this design (they enter the covariance of the "
        "rows in the same way); leave one of them out."
    )
