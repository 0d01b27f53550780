"""A second route to everything the engine computes, as plain as it can be written: n x n matrices, no cleverness.

Only for tests: every formula is taken from its paper as it stands there, the optimiser is a general one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize

from studykit.numerics.mixed.terms import RandomTerm


def derivative_matrices(terms: list[RandomTerm]) -> list[np.ndarray]:
    """G_i = dV / d sigma_i for the entries of every term's covariance, column after column, the residual last."""
    n = terms[0].codes.size
    matrices = []
    for term in terms:
        same = term.codes[:, None] == term.codes[None, :]
        for b in range(term.columns.shape[1]):
            for a in range(b, term.columns.shape[1]):
                if a != b and not term.correlated:
                    continue
                outer = np.outer(term.columns[:, a], term.columns[:, b])
                matrices.append(same * (outer if a == b else outer + outer.T))
    return [*matrices, np.eye(n)]


def sigma_vector(terms: list[RandomTerm], covariances: tuple[np.ndarray, ...], residual: float) -> np.ndarray:
    values = []
    for term, covariance in zip(terms, covariances, strict=True):
        for b in range(term.columns.shape[1]):
            values += [covariance[a, b] for a in range(b, term.columns.shape[1]) if a == b or term.correlated]
    return np.array([*values, residual])


def dense_v(terms: list[RandomTerm], covariances: tuple[np.ndarray, ...], residual: float) -> np.ndarray:
    sigma = sigma_vector(terms, covariances, residual)
    return sum(value * matrix for value, matrix in zip(sigma, derivative_matrices(terms), strict=True))


def gls(y: np.ndarray, x: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """b and (X' V^-1 X)^-1."""
    inverse = np.linalg.inv(v)
    phi = np.linalg.inv(x.T @ inverse @ x)
    return phi @ (x.T @ inverse @ y), phi


def deviance(y: np.ndarray, x: np.ndarray, v: np.ndarray, *, reml: bool) -> float:
    """-2 log L with all constants; REML in the form of Laird & Ware without log |X'X|."""
    n, p = x.shape
    beta, phi = gls(y, x, v)
    residual = y - x @ beta
    value = np.linalg.slogdet(v)[1] + residual @ np.linalg.solve(v, residual)
    if not reml:
        return float(value + n * np.log(2.0 * np.pi))
    return float(value - np.linalg.slogdet(phi)[1] + (n - p) * np.log(2.0 * np.pi))


@dataclass
class DenseOptimum:
    deviance: float
    covariances: tuple[np.ndarray, ...]
    residual: float


UNREACHABLE = 1e12
"""Deviance where the ratios are so large that the covariance cannot be factored: a search turns back from there."""


def best_of_dense(
    y: np.ndarray, x: np.ndarray, terms: list[RandomTerm], *, reml: bool, starts: list[np.ndarray] | None = None
) -> DenseOptimum:
    """Best of several general optimisations over the factors of the variance ratios, s2 profiled."""
    n, p = x.shape
    matrices = derivative_matrices(terms)[:-1]
    count = n - p if reml else n
    shapes = [(term.columns.shape[1], term.correlated) for term in terms]

    def unpack(theta: np.ndarray) -> tuple[np.ndarray, ...]:
        made, place = [], 0
        for width, correlated in shapes:
            lower = np.zeros((width, width))
            index = np.tril_indices(width) if correlated else np.diag_indices(width)
            size = len(index[0])
            lower[index] = theta[place : place + size]
            place += size
            made.append(lower @ lower.T)
        return tuple(made)

    def parts(theta: np.ndarray) -> tuple[float, float]:
        ratios = sigma_vector(terms, unpack(theta), 1.0)[:-1]
        h = np.eye(n) + sum(value * matrix for value, matrix in zip(ratios, matrices, strict=True))
        root = np.linalg.cholesky(h)
        white_x, white_y = np.linalg.solve(root, x), np.linalg.solve(root, y)
        basis, triangle = np.linalg.qr(white_x)
        rest = white_y - basis @ (basis.T @ white_y)
        quadratic = float(rest @ rest)
        logs = 2.0 * np.sum(np.log(np.diag(root)))
        if reml:
            logs += 2.0 * np.sum(np.log(np.abs(np.diag(triangle))))
        return count * (1.0 + np.log(2.0 * np.pi * quadratic / count)) + logs, quadratic / count

    def cost(theta: np.ndarray) -> float:
        try:
            return parts(theta)[0]
        except np.linalg.LinAlgError:
            return UNREACHABLE

    size = sum(width * (width + 1) // 2 if correlated else width for width, correlated in shapes)
    identity = np.concatenate(
        [np.eye(width)[np.tril_indices(width)] if correlated else np.ones(width) for width, correlated in shapes]
    )
    given = starts if starts is not None else []
    # Quasi-Newton from every start; the best of them once more without derivatives, which differences leave short.
    found = [
        optimize.minimize(cost, start, method="BFGS", options={"gtol": 1e-7})
        for start in [identity, 0.2 * identity, 3.0 * identity, 0.5 * np.ones(size), *given]
    ]
    nearest = min(found, key=lambda one: one.fun)
    last = optimize.minimize(cost, nearest.x, method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-10})
    best = min((nearest, last), key=lambda one: one.fun).x
    value, residual = parts(best)
    return DenseOptimum(float(value), tuple(residual * matrix for matrix in unpack(best)), residual)


@dataclass
class DenseKenwardRoger:
    """Adjusted covariance, P and W, of Kenward & Roger (1997) by n x n matrices."""

    phi: np.ndarray
    adjusted: np.ndarray
    p_matrices: list[np.ndarray]
    w: np.ndarray

    def test(self, beta: np.ndarray, contrast: np.ndarray) -> tuple[float, float, float]:
        """Scaled F, denominator df and scale for several contrasts (columns), as printed in the paper."""
        size = contrast.shape[1]
        theta = contrast @ np.linalg.inv(contrast.T @ self.phi @ contrast) @ contrast.T
        a1 = a2 = 0.0
        for i, p_i in enumerate(self.p_matrices):
            for j, p_j in enumerate(self.p_matrices):
                u_i, u_j = theta @ self.phi @ p_i @ self.phi, theta @ self.phi @ p_j @ self.phi
                a1 += self.w[i, j] * np.trace(u_i) * np.trace(u_j)
                a2 += self.w[i, j] * np.trace(u_i @ u_j)
        b = (a1 + 6 * a2) / (2 * size)
        g = ((size + 1) * a1 - (size + 4) * a2) / ((size + 2) * a2)
        c1, c2, c3 = (value / (3 * size + 2 * (1 - g)) for value in (g, size - g, size + 2 - g))
        e_star = 1 / (1 - a2 / size)
        v_star = 2 / size * (1 + c1 * b) / ((1 - c2 * b) ** 2 * (1 - c3 * b))
        rho = v_star / (2 * e_star**2)
        df = 4 + (size + 2) / (size * rho - 1)
        scale = df / (e_star * (df - 2))
        values = contrast.T @ beta
        f = values @ np.linalg.solve(contrast.T @ self.adjusted @ contrast, values) / size
        return float(scale * f), float(df), float(scale)


def dense_kenward_roger(
    x: np.ndarray, terms: list[RandomTerm], covariances: tuple[np.ndarray, ...], residual: float
) -> DenseKenwardRoger:
    matrices = derivative_matrices(terms)
    inverse = np.linalg.inv(dense_v(terms, covariances, residual))
    phi = np.linalg.inv(x.T @ inverse @ x)
    k = len(matrices)
    p_matrices = [-x.T @ inverse @ g @ inverse @ x for g in matrices]
    q_matrices = [[x.T @ inverse @ g @ inverse @ h @ inverse @ x for h in matrices] for g in matrices]
    information = np.empty((k, k))
    for i in range(k):
        for j in range(k):
            information[i, j] = 0.5 * (
                np.sum((inverse @ matrices[i]) * (inverse @ matrices[j]).T)
                - 2.0 * np.trace(phi @ q_matrices[i][j])
                + np.trace(phi @ p_matrices[i] @ phi @ p_matrices[j])
            )
    w = np.linalg.inv(information)
    inner = sum(w[i, j] * (q_matrices[i][j] - p_matrices[i] @ phi @ p_matrices[j]) for i in range(k) for j in range(k))
    return DenseKenwardRoger(phi, phi + 2.0 * phi @ inner @ phi, p_matrices, w)


def dense_p(x: np.ndarray, v: np.ndarray) -> np.ndarray:
    """P = V^-1 - V^-1 X (X' V^-1 X)^-1 X' V^-1."""
    inverse = np.linalg.inv(v)
    return inverse - inverse @ x @ np.linalg.inv(x.T @ inverse @ x) @ x.T @ inverse


def random_design(
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray, list[RandomTerm]]:
    """A small unbalanced study of a random shape: nested, crossed and sloped terms, some variances truly zero."""
    people = int(rng.integers(4, 16))
    person = np.repeat(np.arange(people), rng.integers(2, 8, people))
    n = person.size
    side = rng.integers(0, 2, n)
    rater = rng.integers(0, int(rng.integers(2, 6)), n)
    week = rng.integers(0, 5, n).astype(float)
    arm = (person % 2).astype(float)
    columns = [np.ones(n), week, arm, week * arm, rng.normal(size=n)]
    x = np.column_stack(columns[: int(rng.integers(1, 6))])
    ones = np.ones((n, 1))
    slope = RandomTerm("person", person, np.column_stack([ones[:, 0], week]), correlated=bool(rng.integers(0, 2)))
    person_term = slope if rng.random() < 0.35 else RandomTerm("person", person, ones)
    terms = [person_term]
    if rng.random() < 0.5:
        terms.append(RandomTerm("person and side", 2 * person + side, ones))
    if rng.random() < 0.5:
        terms.append(RandomTerm("rater", rater, ones))
    y = 40.0 + week * float(rng.choice([0.0, 0.5])) + rng.normal(size=n) * float(rng.choice([0.5, 1.0, 3.0]))
    for term in terms:
        levels = int(term.codes.max()) + 1
        sizes = rng.choice([0.0, 0.3, 1.0, 4.0], term.columns.shape[1]) * np.array([1.0, 0.3])[: term.columns.shape[1]]
        y = y + np.sum(term.columns * (rng.normal(size=(levels, term.columns.shape[1])) * sizes)[term.codes], axis=1)
    return y, x, terms


def random_slope_set(rng: np.random.Generator, slope_sd: float) -> tuple[np.ndarray, np.ndarray, list[RandomTerm]]:
    """Two arms, a correlated random intercept and slope by person, unbalanced visits."""
    people = int(rng.integers(8, 21))
    person = np.repeat(np.arange(people), rng.integers(3, 7, people))
    n = person.size
    week = np.concatenate([np.sort(rng.choice(9, size, replace=False)) for size in np.bincount(person)]).astype(float)
    arm = (person % 2).astype(float)
    x = np.column_stack([np.ones(n), week, arm, week * arm])
    y = 50.0 + 4.0 * rng.normal(size=people)[person] + slope_sd * rng.normal(size=people)[person] * week
    y = y + 0.4 * week + 2.0 * rng.normal(size=n)
    return y, x, [RandomTerm("person", person, x[:, :2])]
