"""Standard errors of a weighted fit that hold whatever the covariance within clusters is, corrected for few clusters.

With Phi_i the working covariance of cluster i, y_i and X_i are first divided by a root of it; H = X (X'X)^-1 X' is the
hat matrix of the transformed rows, e their residuals, M = (X'X)^-1:

    CR0    M [ sum_i X_i' e_i e_i' X_i ] M                                       (Liang & Zeger 1986)
    CR2    the same with A_i e_i,  A_i = (I - H_ii)^(-1/2)                       (Bell & McCaffrey 2002)
    df     (sum_i P_ii)^2 / sum_ij P_ij^2,   P_ij = d_ij g_i'g_i - (X_i'g_i)' M (X_j'g_j),   g_i = A_i' X_i M l

CR2 is unbiased when the working covariance is right, and close to it when it is not; the df are Satterthwaite's under
the working covariance. Taking the symmetric root after the transformation makes the answer independent of which root of
Phi_i was used. A direction in which H_ii is 1 (a column that is zero in all clusters but one) has no residual and is
left out of A_i (Moore–Penrose).

Sources, from memory: Liang & Zeger (1986), Biometrika 73, 13–22; Bell & McCaffrey (2002), Survey Methodology 28,
169–181; Pustejovsky & Tipton (2018), J. Bus. Econ. Stat. 36, 672–683; Imbens & Kolesár (2016), Rev. Econ. Stat. 98,
701–712.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from studykit.errors import CallError, DesignError, check_confidence

_NO_RESIDUAL = 1e-10
"""Share of a residual's variance below which a direction counts as without residual."""


@dataclass(frozen=True, slots=True)
class RobustFit:
    """A weighted fit with the pieces of its robust covariance.

    Attributes:
        beta: (p,) coefficients.
        bread: (p, p) M = (X' Phi^-1 X)^-1.
        scores: (clusters, p) X_i' A_i e_i, rows transformed.
        plain_scores: (clusters, p) the same without A_i (CR0).
        blocks: (X_i, A_i) of each cluster, rows transformed.
    """

    beta: np.ndarray
    bread: np.ndarray
    scores: np.ndarray
    plain_scores: np.ndarray
    blocks: tuple[tuple[np.ndarray, np.ndarray], ...]

    def covariance(self, *, corrected: bool = True) -> np.ndarray:
        """(p, p) CR2, or CR0 without the correction."""
        scores = self.scores if corrected else self.plain_scores
        sandwich: np.ndarray = self.bread @ (scores.T @ scores) @ self.bread
        return sandwich

    def df(self, contrast: np.ndarray) -> float:
        """Satterthwaite degrees of freedom of l'b, l (p,), under the working covariance."""
        own = np.empty(len(self.blocks))
        across = np.empty((len(self.blocks), len(self.bread)))
        for place, (x, adjust) in enumerate(self.blocks):
            g = adjust.T @ (x @ (self.bread @ contrast))
            own[place] = g @ g
            across[place] = x.T @ g
        pairs = np.diag(own) - across @ self.bread @ across.T
        return float(np.trace(pairs) ** 2 / np.sum(pairs**2))

    def estimate(self, contrast: np.ndarray, confidence: float) -> tuple[float, float, float, float, float]:
        """Value, CR2 standard error, df and t limits of l'b, l (p,).

        Raises:
            CallError: a confidence outside 0 to 1.
            DesignError: fewer than one degree of freedom.
        """
        check_confidence(confidence)
        value = float(contrast @ self.beta)
        error = float(np.sqrt(contrast @ self.covariance() @ contrast))
        df = self.df(contrast)
        if not (df >= 1.0 and error > 0.0):
            raise DesignError("Too few clusters bear on this contrast: less than one degree of freedom.")
        reach = float(stats.t.ppf(0.5 + confidence / 2.0, df)) * error
        return value, error, df, value - reach, value + reach


def fit_by_cluster(
    y: np.ndarray, x: np.ndarray, clusters: np.ndarray, covariances: Sequence[np.ndarray] | None = None
) -> RobustFit:
    """Generalised least squares with a working covariance, and what CR2 needs of it.

    Args:
        y: (n,) outcome.
        x: (n, p) columns, of full rank.
        clusters: (n,) integers; rows with equal codes belong together.
        covariances: the working covariance of each cluster, in the order of the sorted codes, (n_i, n_i) in the order
            of its rows; independence with equal variances when left out.

    Raises:
        CallError: shapes that do not fit each other.
        DesignError: columns that determine each other, fewer than two clusters, or a working covariance that is not
            positive definite.
    """
    codes = np.unique(clusters)
    rows = [np.flatnonzero(clusters == code) for code in codes]
    if not (len(y) == len(x) == len(clusters)) or (covariances is not None and len(covariances) != len(codes)):
        raise CallError("y, x and clusters need one row each, and covariances one matrix for each cluster.")
    if len(codes) < 2:
        raise DesignError("Everything belongs to one cluster, so clusters cannot show how much they differ.")
    ys, xs = [], []
    for place, own in enumerate(rows):
        both = np.column_stack([x[own], y[own]])
        if covariances is not None:
            both = _divided(both, covariances[place])
        xs.append(both[:, :-1])
        ys.append(both[:, -1])
    stacked = np.concatenate(xs)
    if np.linalg.matrix_rank(stacked / np.linalg.norm(stacked, axis=0)) < x.shape[1]:
        raise DesignError(f"The {x.shape[1]} columns of the model determine each other; leave out repetitions.")
    inverse = np.linalg.inv(np.linalg.qr(stacked)[1])
    bread = inverse @ inverse.T
    beta = bread @ (stacked.T @ np.concatenate(ys))
    blocks, scores, plain = [], [], []
    for own_x, own_y in zip(xs, ys, strict=True):
        adjust = _inverse_root(np.eye(len(own_y)) - own_x @ bread @ own_x.T)
        left = own_y - own_x @ beta
        blocks.append((own_x, adjust))
        scores.append(own_x.T @ (adjust @ left))
        plain.append(own_x.T @ left)
    return RobustFit(beta, bread, np.array(scores), np.array(plain), tuple(blocks))


def _divided(rows: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    try:
        root = np.linalg.cholesky(covariance)
    except np.linalg.LinAlgError:
        raise DesignError("A working covariance is not positive definite; leave out a random term.") from None
    divided: np.ndarray = np.linalg.solve(root, rows)
    return divided


def _inverse_root(matrix: np.ndarray) -> np.ndarray:
    values, vectors = np.linalg.eigh(matrix)
    kept = values > _NO_RESIDUAL
    inverse = np.where(kept, 1.0 / np.sqrt(np.where(kept, values, 1.0)), 0.0)
    root: np.ndarray = (vectors * inverse) @ vectors.T
    return root
