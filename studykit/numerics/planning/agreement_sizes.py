"""How many targets, and how many raters, does the interval of an absolute-agreement ICC need?

Two-way random model: n targets, each read once by each of k raters, who are a sample of raters. With the whole variance
1, the ICC rho and the share s of the error variance 1 - rho that lies between raters' levels,

    MSR ~ (k rho + (1 - s)(1 - rho)) chi2(n - 1) / (n - 1)
    MSC ~ (n s (1 - rho) + (1 - s)(1 - rho)) chi2(k - 1) / (k - 1)
    MSE ~ (1 - s)(1 - rho) chi2((n - 1)(k - 1)) / ((n - 1)(k - 1))

are independent (normal readings), and the interval is a function of them. There is no closed form for its mean width:
it is integrated over the three chi-squares here. With few raters the width hardly falls with more targets, because the
raters' mean square keeps its k - 1 degrees of freedom.

Distribution of the mean squares: McGraw & Wong (1996), Psychol. Methods 1, 30-46, table 3 (from memory); interval:
`numerics.icc`. No published table of such widths was seen.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy import special

from studykit.errors import CallError, DesignError
from studykit.numerics.anova import MeanSquares
from studykit.numerics.icc import icc
from studykit.numerics.intervals import FloatArray
from studykit.numerics.planning.icc_sizes import check_width
from studykit.numerics.planning.wishes import smallest

MOST_TARGETS: Final = 2000
"""Targets beyond which no study of raters goes: each is read by every rater."""
MOST_RATERS: Final = 20
_REACH: Final = 5.0
_STEPS: Final = (1.0, 0.25, 1.0)
"""Distance of the normal deviates at which the chi-squares of targets, raters and error are taken: the raters' few
degrees of freedom need closer ones. Halving all three moves a mean width by 4e-4 at most, with five targets
and two raters."""


def agreement_expected_width(
    targets: int, rho: float, rater_share: float, raters: int, *, confidence: float = 0.95
) -> float:
    """Mean width of the kit's interval of an absolute-agreement ICC of one reading.

    The three chi-squares are taken at the probabilities of equally spaced normal deviates and weighted by the normal
    density.

    Args:
        targets: n, 2 or more; raters: k, 2 or more.
        rho: the ICC of absolute agreement, 0 <= rho < 1.
        rater_share: s, share of the error variance that lies between raters' levels, 0 <= s < 1.
        confidence: level.

    Raises:
        CallError: an ICC or a share outside its range, fewer than two targets or raters.
    """
    _check(rho, rater_share, raters)
    if targets < 2:
        raise CallError(f"{targets} target says nothing about how much targets differ; plan 2 or more.")
    return _expected_width(targets, rho, rater_share, raters, confidence, _STEPS)


def agreement_width_size(
    rho: float, width: float, rater_share: float, raters: int, *, confidence: float = 0.95
) -> int | None:
    """Smallest number of targets whose mean width is at most `width`; None when `MOST_TARGETS` are not enough.

    Raises:
        CallError: a wish that makes no sense.
    """
    _check(rho, rater_share, raters)
    check_width(rho, width, raters)
    if _expected_width(MOST_TARGETS, rho, rater_share, raters, confidence, _STEPS) > width:
        return None
    try:
        return smallest(
            lambda n: _expected_width(n, rho, rater_share, raters, confidence, _STEPS) <= width,
            low=3,
            what="targets",
            most=MOST_TARGETS,
        )
    except DesignError:
        return MOST_TARGETS


def raters_for_width(
    rho: float, width: float, rater_share: float, targets: int, *, confidence: float = 0.95
) -> int | None:
    """Smallest number of raters with which so many targets are enough; None when `MOST_RATERS` are not."""
    _check(rho, rater_share, 2)
    check_width(rho, width, 2)
    for raters in range(2, MOST_RATERS + 1):
        if _expected_width(targets, rho, rater_share, raters, confidence, _STEPS) <= width:
            return raters
    return None


def planned_mean_squares(
    chi: tuple[FloatArray, FloatArray, FloatArray], targets: int, rho: float, rater_share: float, raters: int
) -> MeanSquares:
    """Mean squares of the planned design from chi-squares of targets, raters and error; shapes as they broadcast."""
    n, k = targets, raters
    error = (1.0 - rater_share) * (1.0 - rho)
    between_raters = n * rater_share * (1.0 - rho) + error
    of_rows, of_columns, of_error = np.broadcast_arrays(
        (k * rho + error) * chi[0] / (n - 1),
        between_raters * chi[1] / (k - 1),
        error * chi[2] / ((n - 1) * (k - 1)),
    )
    within = (of_columns * (k - 1) + of_error * (n - 1) * (k - 1)) / (n * (k - 1))
    return MeanSquares(
        n=n, k=k, grand_mean=np.zeros_like(of_rows), rows=of_rows, columns=of_columns, within=within, error=of_error
    )


def _expected_width(
    targets: int, rho: float, rater_share: float, raters: int, confidence: float, steps: tuple[float, float, float]
) -> float:
    nodes = [np.arange(-_REACH, _REACH + 0.5 * step, step) for step in steps]
    weights = [np.exp(-0.5 * z**2) / np.exp(-0.5 * z**2).sum() for z in nodes]
    dfs = (targets - 1, raters - 1, (targets - 1) * (raters - 1))
    drawn = [2.0 * special.gammaincinv(0.5 * df, special.ndtr(z)) for df, z in zip(dfs, nodes, strict=True)]
    chi = (drawn[0][:, None, None], drawn[1][None, :, None], drawn[2][None, None, :])
    found = icc(planned_mean_squares(chi, targets, rho, rater_share, raters), form="agreement", confidence=confidence)
    return float(np.einsum("i,j,k,ijk->", *weights, found.high - found.low))


def _check(rho: float, rater_share: float, raters: int) -> None:
    if raters < 2:
        raise CallError(f"{raters} rater says nothing about agreement between raters; plan 2 or more.")
    if not 0.0 <= rater_share < 1.0:
        raise CallError(
            f"The share of raters' differences in the error is {rater_share:g}; give 0 or more and less than 1."
        )
    if not 0.0 <= rho < 1.0:
        raise CallError(f"The expected ICC is {rho:g}; give 0 or more and less than 1.")
