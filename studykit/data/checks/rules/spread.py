"""How far from the others is too far: robust centre and scale, and limits that are rarely passed by chance.

Every suspicion about a single value is raised only past a limit that a value drawn from a normal distribution passes
with probability CHANCE. About five such questions are asked of each row, so that 10,000 rows without a mistake are
expected to give fewer than 0.05 false alarms.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy import stats

CHANCE: Final = 5e-7
"""Probability of a false alarm for one value and one question, under normal readings."""
RATER_CHANCE: Final = 1e-6
"""Probability of a false alarm for one rater and one question."""
FEWEST: Final = 12
"""Fewest values from which a spread is judged."""
MAD_TO_SD: Final = 1.4826022185056018
"""1 / the 75% point of the standard normal: median absolute deviation -> standard deviation."""
MAD_EFFICIENCY: Final = 0.37
"""Large-sample efficiency of the median absolute deviation under the normal (Rousseeuw & Croux 1993, J. Am. Stat.
Assoc. 88, 1273-1283; from memory)."""
SMALLEST_SHARE: Final = 0.01
"""A spread is never taken to be below one hundredth of the plausible range: readings are rounded to a step."""


def centre_and_scale(values: np.ndarray, smallest: float) -> tuple[float, float]:
    """Median, and 1.4826 x median absolute deviation, the latter at least `smallest`; nan for too few values."""
    finite = values[np.isfinite(values)]
    if len(finite) < FEWEST:
        return float("nan"), float("nan")
    centre = float(np.median(finite))
    return centre, max(MAD_TO_SD * float(np.median(np.abs(finite - centre))), smallest)


def limit(count: int, chance: float = CHANCE) -> float:
    """Robust standard scores past which one of `count` normal values lies with at most about `chance`.

    The scale is itself an estimate, so the limit is a quantile of Student's t with 0.37 (count - 1) degrees of freedom
    in place of the normal; it is on the safe side for small counts.
    """
    freedom = max(MAD_EFFICIENCY * (count - 1), 1.0)
    return float(stats.t.isf(chance / 2.0, freedom))


def standard_scores(values: np.ndarray, smallest: float) -> tuple[np.ndarray, float]:
    """(values - median) / scale and the limit for this many values; all nan when there are too few to judge."""
    centre, scale = centre_and_scale(values, smallest)
    return (values - centre) / scale, limit(int(np.isfinite(values).sum()))


def usual_variance(squares: np.ndarray, freedom: np.ndarray) -> float:
    """Variance of the readings within groups from the median of the groups' variances.

    Each sum of squares over its degrees of freedom is divided by the median of chi-squared over degrees of freedom;
    the median of the quotients does not heed a few wild groups.
    """
    kinds, kind = np.unique(freedom, return_inverse=True)
    centre = (stats.chi2.median(kinds) / kinds)[kind]
    return float(np.median(squares / freedom / centre))
