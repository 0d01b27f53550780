"""How many targets does a kappa of two raters need?

The plan supposes that both raters use the categories equally often (shares p_i) and that chance and true agreement mix:

    P(i, j) = (1 - kappa) p_i p_j + kappa p_i [i = j]

Asymptotic numbers use the large-sample standard error of Fleiss, Cohen & Everitt (1969), Psychol. Bull. 72, 323-327
(from memory). The exact answers for two categories go through every table that can come out and weigh it by its
multinomial probability: the interval and the test are those of the analysis.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike
from scipy import special, stats

from studykit.errors import CallError, DesignError
from studykit.numerics.intervals import FloatArray, two_sided_z
from studykit.numerics.kappa import kappa
from studykit.numerics.planning.wishes import check_positive, check_power, smallest

# Tables less likely than this, cell by cell, are left out; together they weigh less than 1e-9.
_TAIL = 1e-11
# Beyond so many tables (about 1,200 targets) the exact answer takes minutes; the asymptotic one is then good.
_MOST_TABLES = 4_000_000
_MOST_AT_ONCE = 400_000
_FEWEST = 8
# Power of a test on counts climbs in a saw-tooth: so many numbers in a row must reach it.
_RUN = 5


def planned_table(value: float, shares: ArrayLike) -> FloatArray:
    """Cell probabilities of two raters with this kappa and these shares of the categories, (q, q).

    Raises:
        CallError: a kappa outside 0 to 1, or shares that are not above 0 and do not sum to 1.
    """
    p = np.asarray(shares, dtype=np.float64)
    if not 0.0 <= value < 1.0:
        raise CallError(f"The kappa is {value:g}; give 0 or more and less than 1.")
    if p.ndim != 1 or p.size < 2 or not (p > 0.0).all() or abs(float(p.sum()) - 1.0) > 1e-9:
        raise CallError("The shares of the categories must be two or more numbers above 0 that sum to 1.")
    return np.asarray((1.0 - value) * np.outer(p, p) + value * np.diag(p))


def kappa_unit_error(value: float, shares: ArrayLike, *, weights: str = "none") -> float:
    """Large-sample standard error of kappa times sqrt(n)."""
    return float(kappa(planned_table(value, shares), weights=weights).se)


def kappa_width_size_approximate(
    value: float, shares: ArrayLike, width: float, *, confidence: float = 0.95, weights: str = "none"
) -> float:
    """Targets for an interval of this whole width: (2 z S / width)^2, S the standard error for one target.

    Raises:
        CallError: a wish that makes no sense.
    """
    check_positive(width, "The width of the interval")
    return (2.0 * two_sided_z(confidence) * kappa_unit_error(value, shares, weights=weights) / width) ** 2


def kappa_test_size_approximate(
    null: float,
    value: float,
    shares: ArrayLike,
    *,
    power: float = 0.8,
    alpha: float = 0.05,
    weights: str = "none",
) -> float:
    """Targets to show that kappa is above `null`, one-sided: ((z_alpha + z_beta) S / (kappa - null))^2.

    S belongs to the expected kappa under both hypotheses, because the analysis compares the lower limit of the interval
    with `null`.

    Raises:
        CallError: a wish that makes no sense.
    """
    check_power(power, alpha)
    _check_order(null, value)
    reach = float(special.ndtri(1.0 - alpha) + special.ndtri(power))
    return (reach * kappa_unit_error(value, shares, weights=weights) / (value - null)) ** 2


def kappa_expected_width(targets: int, value: float, share: float, *, confidence: float = 0.95) -> float:
    """Exact mean width of the large-sample interval for two categories, uncut; tables without a kappa are left out.

    Args:
        targets: n.
        value: kappa.
        share: of the first category.
        confidence: level.
    """
    total, width = 0.0, 0.0
    for tables, weight in _tables(targets, planned_table(value, (share, 1.0 - share))):
        se = kappa(tables).se
        there = np.isfinite(se)
        total += float(weight[there].sum())
        width += float(weight[there] @ se[there])
    return 2.0 * two_sided_z(confidence) * width / total


def kappa_test_power(targets: int, null: float, value: float, share: float, *, alpha: float = 0.05) -> float:
    """Exact probability that the one-sided lower limit of kappa lies above `null`, two categories.

    A table without spread in its standard error (perfect agreement) counts as above; one without a kappa does not.
    With value = null it is the exact type I error.
    """
    z, power = float(special.ndtri(1.0 - alpha)), 0.0
    for tables, weight in _tables(targets, planned_table(value, (share, 1.0 - share))):
        found = kappa(tables)
        power += float(weight[np.nan_to_num(found.value - z * found.se, nan=-1.0) > null].sum())
    return power


def kappa_width_size(value: float, share: float, width: float, *, confidence: float = 0.95) -> int:
    """Smallest number of targets whose exact mean width is at most `width`."""
    return _smallest_near(
        lambda targets: kappa_expected_width(targets, value, share, confidence=confidence) <= width,
        kappa_width_size_approximate(value, (share, 1.0 - share), width, confidence=confidence),
        value,
        share,
    )


def kappa_test_size(null: float, value: float, share: float, *, power: float = 0.8, alpha: float = 0.05) -> int:
    """Smallest number of targets from which on (five in a row) the exact power is at least `power`."""
    return _smallest_near(
        lambda targets: kappa_test_power(targets, null, value, share, alpha=alpha) >= power,
        kappa_test_size_approximate(null, value, (share, 1.0 - share), power=power, alpha=alpha),
        value,
        share,
        run=_RUN,
    )


def _smallest_near(
    reaches: Callable[[int], bool], approximate: float, value: float, share: float, *, run: int = 1
) -> int:
    """Smallest number of targets, looked for around the asymptotic one so that no huge set of tables is gone through.

    Raises:
        DesignError: already the asymptotic number has more tables than can be gone through.
    """
    near = max(_FEWEST, int(approximate))
    _ranges(2 * near, planned_table(value, (share, 1.0 - share)))
    low = max(_FEWEST, near // 2)
    return smallest(reaches, low=_FEWEST if reaches(low) else low, what="targets", run=run)


def _check_order(null: float, value: float) -> None:
    if not 0.0 <= null < value < 1.0:
        raise CallError(
            f"The kappa to be beaten is {null:g} and the kappa expected {value:g}; the first must be 0 or more "
            "and below the second, the second below 1."
        )


def _tables(targets: int, cells: FloatArray) -> list[tuple[FloatArray, FloatArray]]:
    """Every 2 x 2 table that is not all but impossible, (m, 2, 2), with its multinomial probability (m,), in parts."""
    both, first, second, neither = cells.ravel()
    ranges = _ranges(targets, cells)
    size = int(np.prod([part.size for part in ranges]))
    parts = []
    for some in np.array_split(ranges[0], max(1, size // _MOST_AT_ONCE)):
        a, b, c = (axis.ravel() for axis in np.meshgrid(some, ranges[1], ranges[2], indexing="ij"))
        d = targets - a - b - c
        kept = d >= 0.0
        counts = np.stack([a[kept], b[kept], c[kept], d[kept]], axis=-1)
        log_p = special.gammaln(targets + 1.0) - special.gammaln(counts + 1.0).sum(axis=-1)
        log_p = log_p + counts @ np.log([both, first, second, neither])
        parts.append((counts.reshape(-1, 2, 2), np.exp(log_p)))
    return parts


def _ranges(targets: int, cells: FloatArray) -> list[FloatArray]:
    """Counts of the first three cells that are not all but impossible.

    Raises:
        DesignError: they make more tables than can be gone through.
    """
    ranges = [
        np.arange(
            int(stats.binom.ppf(_TAIL, targets, p)), int(stats.binom.ppf(1.0 - _TAIL, targets, p)) + 1, dtype=np.float64
        )
        for p in cells.ravel()[:3]
    ]
    size = int(np.prod([part.size for part in ranges]))
    if size > _MOST_TABLES:
        raise DesignError(
            f"The exact answer would go through {size} tables; plan with the asymptotic number, which is good here."
        )
    return ranges
