"""Ordinary least squares with its exact t intervals: the analysis of covariance, and the pieces that others build on.

b = (X'X)^-1 X'y,   s2 = |y - X b|^2 / (n - p),   var(l'b) = s2 l'(X'X)^-1 l,   t with n - p degrees of freedom
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from studykit.errors import DesignError, FitError, check_confidence


@dataclass(frozen=True, slots=True)
class LeastSquares:
    """A fit by least squares.

    Attributes:
        beta: (p,) coefficients.
        unscaled: (p, p) (X'X)^-1.
        residuals: (n,) y - X b.
        residual_variance: s2.
        df: n - p.
    """

    beta: np.ndarray
    unscaled: np.ndarray
    residuals: np.ndarray
    residual_variance: float
    df: int

    def covariance(self) -> np.ndarray:
        """(p, p) covariance of the coefficients, s2 (X'X)^-1."""
        scaled: np.ndarray = self.residual_variance * self.unscaled
        return scaled

    def estimate(self, contrast: np.ndarray, confidence: float) -> tuple[float, float, float, float]:
        """Value, standard error and limits of l'b, l (p,).

        Raises:
            CallError: a confidence outside 0 to 1.
        """
        check_confidence(confidence)
        value = float(contrast @ self.beta)
        error = float(np.sqrt(contrast @ self.covariance() @ contrast))
        reach = float(stats.t.ppf(0.5 + confidence / 2.0, self.df)) * error
        return value, error, value - reach, value + reach


def least_squares(y: np.ndarray, x: np.ndarray) -> LeastSquares:
    """Fit y (n,) by the columns of x (n, p).

    Raises:
        DesignError: no row more than columns, or columns that determine each other.
        FitError: the columns fit every row exactly, so that nothing is left to tell the error by.
    """
    n, p = x.shape
    if n <= p:
        raise DesignError(f"{n} rows cannot carry {p} coefficients and an error; at least {p + 1} are needed.")
    # Measured in columns of length 1, so that units do not decide what determines what.
    length = np.linalg.norm(x, axis=0)
    if np.any(length == 0.0) or np.linalg.matrix_rank(x / length) < p:
        raise DesignError(f"The {p} columns of the model determine each other; leave out those that repeat others.")
    basis, root = np.linalg.qr(x)
    turned = basis.T @ y
    residuals = y - basis @ turned
    inverse = np.linalg.inv(root)
    df = n - p
    variance = float(residuals @ residuals) / df
    if variance <= 1e-20 * float(np.var(y)) or variance == 0.0:
        raise FitError("The model fits every row exactly, so there is no error to judge a difference by.")
    return LeastSquares(inverse @ turned, inverse @ inverse.T, residuals, variance, df)
