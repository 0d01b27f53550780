"""Maximum likelihood of a multivariate normal regression when some outcomes are missing at random: EM.

    y_i ~ N(B' z_i, Sigma),   y_i (p,) with some entries missing, z_i (q,) complete

E: with o the observed entries of a row, K = Sigma_oo^-1 (zero elsewhere) and r = y - B'z (zero where missing),
   y^ = B'z + Sigma K r and C = Sigma - Sigma K Sigma are the mean and covariance of the row given what was observed.
M: B = (Z'Z)^-1 Z' Y^,   Sigma = [ (Y^ - ZB)'(Y^ - ZB) + sum_i C_i ] / n.

Dempster, Laird & Rubin (1977), J. R. Stat. Soc. B 39, 1–38; Schafer (1997), Analysis of Incomplete Multivariate Data,
chapter 5 (both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.errors import DesignError, FitError

_SMALL_STEP = 1e-12
"""Largest step of a mean or covariance, in standard deviations of the outcomes, at which EM ends."""
_MOST_STEPS = 20_000


@dataclass(frozen=True, slots=True)
class NormalFit:
    """Maximum-likelihood estimates.

    Attributes:
        coefficients: (q, p) B.
        covariance: (p, p) Sigma, divisor n.
        log_likelihood: of the observed entries.
        steps: of EM.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    log_likelihood: float
    steps: int


def fit_normal(y: np.ndarray, z: np.ndarray | None = None) -> NormalFit:
    """Fit by EM.

    Args:
        y: (n, p) outcomes, nan where missing.
        z: (n, q) complete columns that the means depend on; one mean each when left out.

    Raises:
        DesignError: an outcome that nobody has, columns of z that determine each other, or too few rows for the
            covariance.
        FitError: no convergence.
    """
    n, p = y.shape
    columns = np.ones((n, 1)) if z is None else z
    centre, size = _standard(y)
    scaled = (y - centre) / size
    basis, root = np.linalg.qr(columns)
    if np.linalg.matrix_rank(columns) < columns.shape[1]:
        raise DesignError("Columns that the missing readings are predicted from determine each other.")
    if n - columns.shape[1] < p:
        raise DesignError(
            f"{n} people are too few to tell how {p} visits vary together; at least {p + columns.shape[1]} are needed."
        )
    seen = ~np.isnan(scaled)
    patterns, pattern_of_row = np.unique(seen, axis=0, return_inverse=True)
    pattern_of_row = pattern_of_row.ravel()
    count = np.bincount(pattern_of_row)
    filled = np.where(seen, scaled, 0.0)
    mean, sigma = np.zeros((n, p)), np.eye(p)
    steps, moved = 0, np.inf
    while moved >= _SMALL_STEP:
        steps += 1
        inverses = inverse_where_seen(sigma, patterns)
        left = np.where(seen, filled - mean, 0.0)
        expected = mean + np.einsum("ia,iab->ib", left, inverses[pattern_of_row] @ sigma)
        spread = np.einsum("g,gab->ab", count, sigma - sigma @ inverses @ sigma)
        new_mean = basis @ (basis.T @ expected)
        off = expected - new_mean
        new_sigma = (off.T @ off + spread) / n
        moved = max(float(np.max(np.abs(new_mean - mean))), float(np.max(np.abs(new_sigma - sigma))))
        mean, sigma = new_mean, 0.5 * (new_sigma + new_sigma.T)
        if steps == _MOST_STEPS:
            raise FitError(
                "The covariance of visits was not found: too few people were measured at the same visits. Missing "
                "readings cannot be filled in from these data."
            )
    coefficients = np.linalg.solve(root, basis.T @ mean)
    on_intercept = _intercept(columns)
    return NormalFit(
        coefficients=coefficients * size + np.outer(on_intercept, centre),
        covariance=sigma * np.outer(size, size),
        log_likelihood=_log_likelihood(filled - mean, sigma, patterns, pattern_of_row)
        - float(seen @ np.log(size) @ np.ones(n)),
        steps=steps,
    )


def inverse_where_seen(sigma: np.ndarray, patterns: np.ndarray) -> np.ndarray:
    """(..., g, p, p): for each pattern (g, p) of True where seen, the inverse of that part of sigma, zero elsewhere."""
    both = patterns[:, :, None] & patterns[:, None, :]
    padded = np.where(both, sigma[..., None, :, :], np.eye(patterns.shape[1]))
    inverse: np.ndarray = np.where(both, np.linalg.inv(padded), 0.0)
    return inverse


def _standard(y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean and standard deviation of the observed entries of each outcome; a spread of zero counts as one."""
    known = (~np.isnan(y)).sum(axis=0)
    if np.any(known == 0):
        raise DesignError("At one visit nobody has a reading, so nothing can be said about it.")
    spread = np.nanstd(y, axis=0)
    return np.nanmean(y, axis=0), np.where(spread > 0.0, spread, 1.0)


def _intercept(columns: np.ndarray) -> np.ndarray:
    """(q,) the combination of columns that is one in every row.

    Raises:
        DesignError: there is none.
    """
    weights = np.linalg.lstsq(columns, np.ones(len(columns)), rcond=None)[0]
    if not np.allclose(columns @ weights, 1.0, atol=1e-8):
        raise DesignError("The columns that readings are predicted from hold no intercept.")
    return np.asarray(weights)


def _log_likelihood(left: np.ndarray, sigma: np.ndarray, patterns: np.ndarray, pattern_of_row: np.ndarray) -> float:
    total = 0.0
    for place, seen in enumerate(patterns):
        rows = left[pattern_of_row == place][:, seen]
        if not seen.any():
            continue
        part = sigma[np.ix_(seen, seen)]
        quadratic = float(np.sum(rows * np.linalg.solve(part, rows.T).T))
        total -= 0.5 * (quadratic + len(rows) * (np.linalg.slogdet(part)[1] + seen.sum() * np.log(2.0 * np.pi)))
    return total
