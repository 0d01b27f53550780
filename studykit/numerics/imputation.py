"""Multiple imputation under a multivariate normal regression, with the parameters drawn anew for every completed set.

    y_i ~ N(B' z_i, Sigma),   prior |Sigma|^-(p + 1)/2 (Jeffreys), flat in B

One chain a completed set, all chains side by side, each started at the maximum-likelihood estimates and run for a fixed
number of rounds (data augmentation: Tanner & Wong 1987, J. Am. Stat. Assoc. 82, 528–540; Schafer 1997, chapter 5; from
memory). One round:

    P   S = residual cross-products of the completed Y about its least-squares fit B^,  S = L L'
        Sigma = F F',  F = L A^-T,  A the Bartlett factor of a Wishart with n - q degrees of freedom
        B = B^ + (Z'Z)^(-1/2) N F',  N standard normal (q, p)
    I   e = N F', a whole row of error; y = B'z + e + Sigma K (y_o - B_o'z - e_o), K = Sigma_oo^-1:
        the row that is normal with the right conditional mean and covariance and agrees with what was observed

A chain forgets its start at the rate of EM, whose rate is the largest share of information that is missing: after 100
rounds a share of 0.9 leaves 3e-5 of it.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from studykit.errors import DesignError
from studykit.numerics.normal_missing import NormalFit, inverse_where_seen

ROUNDS: Final = 100


def completed_sets(
    y: np.ndarray,
    z: np.ndarray,
    start: NormalFit,
    *,
    count: int,
    rng: np.random.Generator,
    rounds: int = ROUNDS,
) -> np.ndarray:
    """Completed copies of y.

    Args:
        y: (n, p) outcomes, nan where missing.
        z: (n, q) complete columns, an intercept among them.
        start: the maximum-likelihood fit of y by z (`normal_missing.fit_normal`).
        count: completed sets, m.
        rng: source of chance; the same generator and the same rows in the same order give the same sets.
        rounds: rounds of each chain.

    Returns:
        (m, n, p), observed entries as they were.

    Raises:
        DesignError: n - q < p, so that a covariance cannot be drawn.
    """
    n, p = y.shape
    q = z.shape[1]
    if n - q < p:
        raise DesignError(
            f"{n} people are too few to fill in {p} visits from each other; at least {p + q} are needed in a group."
        )
    seen = ~np.isnan(y)
    if seen.all():
        return np.repeat(y[None], count, axis=0)
    some = np.flatnonzero(~seen.all(axis=1))
    patterns, pattern_of_row = np.unique(seen[some], axis=0, return_inverse=True)
    pattern_of_row = pattern_of_row.ravel()
    basis, root = np.linalg.qr(z)
    inverse_root = np.linalg.inv(root)
    known, gaps = np.where(seen, y, 0.0)[some], ~seen[some]
    completed = np.repeat(np.where(seen, y, 0.0)[None], count, axis=0)
    coefficients = np.repeat(start.coefficients[None], count, axis=0)
    factor = np.repeat(np.linalg.cholesky(start.covariance)[None], count, axis=0)
    for turn in range(rounds + 1):
        if turn:
            coefficients, factor = _drawn_parameters(completed, basis, inverse_root, rng)
        error = rng.standard_normal((count, len(some), p)) @ np.swapaxes(factor, 1, 2)
        guess = z[some] @ coefficients + error
        off = np.where(gaps, 0.0, known - guess)
        sigma = factor @ np.swapaxes(factor, 1, 2)
        gain = inverse_where_seen(sigma, patterns) @ sigma[:, None]
        for place in range(len(patterns)):
            own = pattern_of_row == place
            guess[:, own] += off[:, own] @ gain[:, place]
        completed[:, some] = np.where(gaps, guess, known)
    return completed


def _drawn_parameters(
    completed: np.ndarray, basis: np.ndarray, inverse_root: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """B (m, q, p) and a factor of Sigma (m, p, p), drawn given completed outcomes (m, n, p)."""
    count, n, p = completed.shape
    q = basis.shape[1]
    turned = basis.T @ completed
    left = completed - basis @ turned
    factor = np.linalg.cholesky(np.swapaxes(left, 1, 2) @ left)
    bartlett = np.tril(rng.standard_normal((count, p, p)), -1)
    for place in range(p):
        bartlett[:, place, place] = np.sqrt(rng.chisquare(n - q - place, count))
    # F = L A^-T solves F A' = L.
    factor = np.swapaxes(np.linalg.solve(bartlett, np.swapaxes(factor, 1, 2)), 1, 2)
    noise = rng.standard_normal((count, q, p)) @ np.swapaxes(factor, 1, 2)
    return inverse_root @ (turned + noise), factor
