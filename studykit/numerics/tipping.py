"""How far readings that were filled in must be shifted until a pooled estimate's interval says something else.

Filled-in outcomes are shifted by -delta where s is 1. An estimate l'b by least squares is linear in the outcomes, so in
set k, with b_k and the residuals r_k of the outcomes and d_k and the residuals t_k of s on the same columns,

    Q_k(delta) = l'b_k - delta l'd_k
    U_k(delta) = l'(X'X)^-1 l  (r'r - 2 delta r't + delta^2 t't) / (n - p)

are known for every delta from one fit; Rubin's rules pool them. The first delta at which the interval begins or ceases
to hold zero is bracketed among 2,001 values and found by bisection to 1e-10 of the range.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import optimize

from studykit.numerics.least_squares import least_squares
from studykit.numerics.pooling import Pooled, pooled

_PLACES: Final = 2_001


@dataclass(frozen=True, slots=True)
class ShiftedEstimates:
    """One contrast in m completed sets as a function of the shift.

    Attributes:
        estimate, slope: (m,) l'b_k and l'd_k.
        plain, cross, square: (m,) l'(X'X)^-1 l / (n - p) times r'r, r't and t't.
        df_complete: n - p.
    """

    estimate: np.ndarray
    slope: np.ndarray
    plain: np.ndarray
    cross: np.ndarray
    square: np.ndarray
    df_complete: float

    def at(self, delta: float | np.ndarray) -> Pooled:
        """Pooled estimates at each delta (scalar or (g,))."""
        shift = np.atleast_1d(np.asarray(delta, dtype=float))[None, :]
        estimates = self.estimate[:, None] - shift * self.slope[:, None]
        variances = self.plain[:, None] - 2.0 * shift * self.cross[:, None] + shift**2 * self.square[:, None]
        return pooled(estimates, variances, df_complete=self.df_complete)

    def says(self, delta: float | np.ndarray, confidence: float) -> np.ndarray:
        """1 where the interval lies above zero, -1 where below, 0 where it holds zero."""
        low, high = self.at(delta).limits(confidence)
        return np.where(low > 0.0, 1, np.where(high < 0.0, -1, 0))

    def tipping_point(self, furthest: float, confidence: float) -> float:
        """The delta nearest to zero, towards `furthest`, at which the interval says something else; nan if none is.

        Args:
            furthest: end of the range, positive or negative.
            confidence: of the intervals.
        """
        places = np.linspace(0.0, furthest, _PLACES)
        said = self.says(places, confidence)
        changed = np.flatnonzero(said != said[0])
        if not len(changed):
            return float("nan")
        first = int(changed[0])
        # The limit that crosses zero: the one nearer to it, or the one on whose side zero is left behind.
        upper = said[0] == -1 or (said[0] == 0 and said[first] == -1)

        def limit(delta: float) -> float:
            return float(self.at(delta).limits(confidence)[1 if upper else 0][0])

        found = optimize.brentq(limit, places[first - 1], places[first], xtol=1e-10 * abs(furthest), rtol=1e-14)
        return float(found)


def shifted_estimates(
    outcomes: np.ndarray, columns: np.ndarray, shifts: np.ndarray, contrast: np.ndarray
) -> ShiftedEstimates:
    """Fit every completed set once, the outcome and the shift.

    Args:
        outcomes: (m, n) completed outcomes.
        columns: (m, n, p) the columns of the analysis.
        shifts: (n,) 1 for a filled-in outcome that is shifted, else 0.
        contrast: (p,) l.

    Raises:
        DesignError, FitError: as `least_squares`.
    """
    found = []
    for y, x in zip(outcomes, columns, strict=True):
        fit = least_squares(y, x)
        coefficients = fit.unscaled @ (x.T @ shifts)
        left = shifts - x @ coefficients
        scale = float(contrast @ fit.unscaled @ contrast) / fit.df
        found.append(
            (
                contrast @ fit.beta,
                contrast @ coefficients,
                scale * float(fit.residuals @ fit.residuals),
                scale * float(fit.residuals @ left),
                scale * float(left @ left),
            )
        )
    estimate, slope, plain, cross, square = np.array(found).T
    df = float(columns.shape[1] - columns.shape[2])
    return ShiftedEstimates(estimate, slope, plain, cross, square, df)
