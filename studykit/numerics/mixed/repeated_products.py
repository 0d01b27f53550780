"""Cross-products of a repeated-visits data set, formed once: no row is touched again and no n by n matrix exists.

Subjects that were seen at the same visits share a pattern. For a pattern of m visits, n subjects and the columns
Z = [X y], the sums C[a, b] = sum_i Z_i[a] Z_i[b]' (m, m, p + 1, p + 1) are all that a Gaussian likelihood needs: for
any matrix M over the visits, sum_i Z_i' M Z_i = sum_ab M[a, b] C[a, b].

The columns are first made orthonormal and the outcome replaced by its scaled least-squares residual, so that adding
a large constant to the outcome or measuring a covariate in other units costs no digits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.errors import DataError, DesignError

Array = NDArray[np.float64]
Codes = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Pattern:
    """Subjects seen at the same visits.

    Attributes:
        visits: codes of the visits, increasing, (m,).
        rows: rows of the subjects of this pattern, (n_subjects, m).
        subjects: codes of the subjects, (n_subjects,).
        products: sums over subjects, (m, m, p + 1, p + 1), of the working columns.
    """

    visits: Codes
    rows: Codes
    subjects: Codes
    products: Array


@dataclass(frozen=True, slots=True)
class RepeatedProducts:
    """Everything of a repeated-visits data set that fits are made of.

    Attributes:
        patterns: one for each set of visits that occurs.
        n_rows, n_subjects, n_visits, n_fixed: counts.
        rotation: upper triangle R of X = Q R, (p, p).
        offset: least-squares coefficients, (p,); beta = offset + scale R^-1 gamma.
        scale: root mean square of the least-squares residuals, outcome units.
        moments: least-squares residual covariance over the visits in working units, positive definite, (t, t).
        working: the working columns [Q, residual / scale], (n, p + 1).
    """

    patterns: tuple[Pattern, ...]
    n_rows: int
    n_subjects: int
    n_visits: int
    n_fixed: int
    rotation: Array
    offset: Array
    scale: float
    moments: Array
    working: Array


def repeated_products(y: Array, x: Array, subject: Codes, visit: Codes, n_visits: int) -> RepeatedProducts:
    """Form the cross-products by pattern of visits.

    Args:
        y: outcome, (n,).
        x: fixed-effect columns, full column rank, (n, p).
        subject: codes 0..n_subjects - 1, (n,).
        visit: codes 0..n_visits - 1, (n,).
        n_visits: how many visits are planned.

    Raises:
        DataError: a subject has two rows at one visit.
        DesignError: fewer than two subjects; columns linearly dependent; no variation left in the outcome; no
            more rows than columns.
    """
    n_rows, n_fixed = x.shape
    n_subjects = int(subject.max()) + 1
    if n_subjects < 2:
        raise DesignError("There is one subject only; a covariance between visits needs at least two.")
    if n_rows <= n_fixed:
        raise DesignError(f"{n_rows} rows cannot carry {n_fixed} fixed effects; there must be more rows than effects.")
    q, rotation = np.linalg.qr(x)
    diagonal = np.abs(np.diag(rotation))
    if np.any(diagonal <= 1e-10 * np.linalg.norm(x, axis=0)):
        raise DesignError("The fixed-effect columns are linearly dependent; leave one of them out.")
    offset = np.linalg.solve(rotation, q.T @ y)
    residual = y - x @ offset
    residual = residual - q @ (q.T @ residual)
    scale = float(np.sqrt(np.mean(residual**2)))
    if scale <= 1e-10 * float(np.sqrt(np.mean(y**2))) or scale == 0.0:
        raise DesignError("The fixed effects leave no variation in the outcome; there is no covariance to estimate.")
    working = np.column_stack([q, residual / scale])
    patterns = _patterns(working, subject, visit)
    return RepeatedProducts(
        patterns=patterns,
        n_rows=n_rows,
        n_subjects=n_subjects,
        n_visits=n_visits,
        n_fixed=n_fixed,
        rotation=rotation,
        offset=offset,
        scale=scale,
        moments=_moments(working[:, -1], patterns, n_visits),
        working=working,
    )


def _patterns(working: Array, subject: Codes, visit: Codes) -> tuple[Pattern, ...]:
    order = np.lexsort((visit, subject))
    sorted_subject, sorted_visit = subject[order], visit[order]
    same = (np.diff(sorted_subject) == 0) & (np.diff(sorted_visit) == 0)
    if np.any(same):
        raise DataError("Some subjects have two rows at one visit; keep one row per subject and visit.")
    starts = np.flatnonzero(np.r_[True, np.diff(sorted_subject) != 0])
    groups: dict[tuple[int, ...], list[Codes]] = {}
    for rows in np.split(order, starts[1:]):
        groups.setdefault(tuple(visit[rows].tolist()), []).append(rows)
    patterns = []
    for visits, members in sorted(groups.items()):
        rows = np.stack(members)
        block = working[rows]
        n, m, width = block.shape
        flat = block.reshape(n, m * width)
        products = (flat.T @ flat).reshape(m, width, m, width).transpose(0, 2, 1, 3)
        patterns.append(
            Pattern(
                visits=np.asarray(visits, dtype=np.intp),
                rows=rows,
                subjects=subject[rows[:, 0]],
                products=np.ascontiguousarray(products),
            )
        )
    return tuple(patterns)


def _moments(residual: Array, patterns: tuple[Pattern, ...], n_visits: int) -> Array:
    """Pairwise residual covariance, shrunk towards its diagonal until it is clearly positive definite."""
    sums, counts = np.zeros((n_visits, n_visits)), np.zeros((n_visits, n_visits))
    for pattern in patterns:
        block = residual[pattern.rows]
        at = np.ix_(pattern.visits, pattern.visits)
        sums[at] += block.T @ block
        counts[at] += len(block)
    pooled = float(np.mean(residual**2))
    covariance = np.where(counts > 0, sums / np.maximum(counts, 1), 0.0)
    variances = np.maximum(np.diag(covariance), 1e-3 * pooled)
    sd = np.sqrt(variances)
    correlation = covariance / np.outer(sd, sd)
    np.fill_diagonal(correlation, 1.0)
    while np.linalg.eigvalsh(correlation)[0] < 0.02:
        correlation = 0.85 * correlation + 0.15 * np.eye(n_visits)
    return np.asarray(np.outer(sd, sd) * correlation, dtype=np.float64)
