"""Likelihoods written out in full, nothing shared with the engine: the second route where no library has one.

Slow on purpose: matrices as the textbooks write them, a quasi-Newton search with finite differences from a plain start.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from studykit.numerics.mixed.residual_covariance import CovarianceShape
from studykit.numerics.mixed.terms import RandomTerm

Array = NDArray[np.float64]
Codes = NDArray[np.intp]

_HOPELESS = 1e10


def mixed_optimum(y: Array, x: Array, terms: tuple[RandomTerm, ...], *, reml: bool) -> float:
    """Largest log-likelihood of a mixed model, with the n by n covariance of the rows.

    Args:
        y: (n,) outcome; x: (n, p) columns.
        terms: the random terms.
        reml: restricted likelihood, or the full one.
    """
    alike = [term.codes[:, None] == term.codes[None, :] for term in terms]
    spread = [np.sqrt(np.mean(term.columns**2, axis=0)) for term in terms]
    residual = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    unit = float(np.mean(residual**2))
    sizes = [_entries(term) for term in terms]

    def minus(free: Array) -> float:
        v = unit * np.exp(free[-1]) * np.eye(len(y))
        used = 0
        for term, same, scale, size in zip(terms, alike, spread, sizes, strict=True):
            factor = np.zeros((term.width, term.width))
            places = np.tril_indices(term.width) if term.correlated else np.diag_indices(term.width)
            factor[places] = free[used : used + size]
            used += size
            reach = (term.columns / scale) @ factor
            v = v + unit * np.where(same, reach @ reach.T, 0.0)
        return _minus_log_likelihood(v, y, x, reml=reml)

    start = np.concatenate([*(_start(term) for term in terms), [-0.5]])
    return -_searched(minus, start)


def _entries(term: RandomTerm) -> int:
    return term.width * (term.width + 1) // 2 if term.correlated else term.width


def _start(term: RandomTerm) -> Array:
    """Half the residual's spread for every effect, no correlation."""
    if not term.correlated:
        return np.full(term.width, 0.5)
    return np.asarray(0.5 * np.eye(term.width)[np.tril_indices(term.width)], dtype=np.float64)


def _minus_log_likelihood(v: Array, y: Array, x: Array, *, reml: bool) -> float:
    sign, size = np.linalg.slogdet(v)
    if sign <= 0 or not np.isfinite(size):
        return _HOPELESS
    solved = np.linalg.solve(v, np.column_stack([x, y]))
    a, b = x.T @ solved[:, :-1], x.T @ solved[:, -1]
    value = float(size) + float(y @ solved[:, -1]) - float(b @ np.linalg.solve(a, b))
    return _with_constants(value, a, len(y), reml=reml)


def _with_constants(value: float, a: Array, n: int, *, reml: bool) -> float:
    """Half of log|V| + r'V^-1 r with the constants, and log|X'V^-1 X| for the restricted likelihood."""
    value += (n - len(a) if reml else n) * float(np.log(2 * np.pi))
    return 0.5 * (value + (float(np.linalg.slogdet(a)[1]) if reml else 0.0))


def _searched(minus: Callable[[Array], float], start: Array) -> float:
    """Least value found by two quasi-Newton walks, the second from the end of the first."""
    found = optimize.minimize(minus, start, method="BFGS", options={"gtol": 1e-5, "maxiter": 2000})
    again = optimize.minimize(minus, found.x, method="BFGS", options={"gtol": 1e-6, "maxiter": 2000})
    return min(float(found.fun), float(again.fun))


def repeated_optimum(y: Array, x: Array, subject: Codes, visit: Codes, shape: CovarianceShape, *, reml: bool) -> float:
    """Largest log-likelihood of a repeated-visits model, summed over the subjects.

    Args:
        y: (n,) outcome; x: (n, p) columns; subject, visit: (n,) codes.
        shape: of the residual covariance.
        reml: restricted likelihood, or the full one.
    """
    alike = _seen_alike(subject, visit)

    def minus(phi: Array) -> float:
        covariance = shape.covariance(shape.natural(phi))
        a, b, c, log_determinant = np.zeros((x.shape[1],) * 2), np.zeros(x.shape[1]), 0.0, 0.0
        for visits, rows in alike.items():
            v = covariance[np.ix_(visits, visits)]
            sign, size = np.linalg.slogdet(v)
            if sign <= 0 or not np.isfinite(size):
                return _HOPELESS
            weighted = np.linalg.inv(v) @ x[rows]
            a += np.einsum("imp,imq->pq", x[rows], weighted)
            b += np.einsum("imp,im->p", weighted, y[rows])
            c += float(np.sum(y[rows] * np.linalg.solve(v, y[rows].T).T))
            log_determinant += len(rows) * float(size)
        return _with_constants(log_determinant + c - float(b @ np.linalg.solve(a, b)), a, len(y), reml=reml)

    residual = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    plain = float(np.mean(residual**2)) * (0.8 * np.eye(shape.n_visits) + 0.2)
    return -_searched(minus, shape.free(shape.start(plain)))


def _seen_alike(subject: Codes, visit: Codes) -> dict[tuple[int, ...], Codes]:
    """Rows of the subjects that were seen at the same visits, (subjects, visits) for each set of visits."""
    found: dict[tuple[int, ...], list[Codes]] = {}
    for code in np.unique(subject):
        rows = np.flatnonzero(subject == code)
        found.setdefault(tuple(visit[rows].tolist()), []).append(rows)
    return {visits: np.stack(rows) for visits, rows in found.items()}
