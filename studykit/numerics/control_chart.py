"""Individual values and moving ranges over time: centre, limits, and which values ask for a look.

    centre = mean of x,   spread = mean |x_t - x_(t-1)| / d2,   limits = centre -+ 3 spread
    moving ranges: centre = mean range, upper limit D4 times it, no lower limit
    d2 = 2 / sqrt(pi) = 1.128 and D4 = 1 + 3 sqrt(1 - 2 / pi) / sqrt(2 / pi) = 3.267 for ranges of two normal values

The spread comes from neighbours in time, so that a slow drift does not widen the limits that should show it. Where the
centre is given (0 for differences that should not be there), limits and runs are about it, and not about the mean.

Sources: Shewhart (1931) Economic Control of Quality of Manufactured Product; NIST/SEMATECH e-Handbook of Statistical
Methods, section 6.3.2.2; eight values in a row on one side of the centre: Western Electric (1956) Statistical Quality
Control Handbook (all from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.errors import CallError, DesignError

D2 = 2.0 / float(np.sqrt(np.pi))
"""Expected range of two independent standard normal values."""
D4 = 1.0 + 3.0 * float(np.sqrt(1.0 - 2.0 / np.pi) / np.sqrt(2.0 / np.pi))
"""Upper limit of a range of two, in mean ranges: 1 + 3 SD(range) / mean range."""
LIMIT_SPREADS = 3.0
RUN_LENGTH = 8
"""Values in a row on one side of the centre that ask for a look."""


@dataclass(frozen=True, slots=True)
class IndividualsChart:
    """A chart of n values in the order of time, in their unit.

    Attributes:
        values: (n,); ranges: (n - 1,) |x_t - x_(t-1)|.
        centre, spread, low, high: of the values.
        range_centre, range_high: of the ranges.
        beyond: (n,) True where a value lies outside the limits.
        in_a_run: (n,) True from the `RUN_LENGTH`-th value in a row on one side of the centre on.
        range_beyond: (n - 1,) True where a range lies above its limit.
    """

    values: np.ndarray
    ranges: np.ndarray
    centre: float
    spread: float
    low: float
    high: float
    range_centre: float
    range_high: float
    beyond: np.ndarray
    in_a_run: np.ndarray
    range_beyond: np.ndarray


def individuals_chart(
    values: np.ndarray, *, baseline: int | None = None, centre: float | None = None
) -> IndividualsChart:
    """Limits from the first `baseline` values (all when left out), and every value held against them.

    Args:
        values: (n,) in the order of time.
        baseline: how many of the first values set the limits.
        centre: what the values should be; their mean over the baseline when left out.

    Raises:
        CallError: values or a centre that are not numbers, or a baseline outside 2 to n.
        DesignError: fewer than two values, or none of the baseline's neighbours differ.
    """
    x = np.asarray(values, dtype=float)
    if x.ndim != 1 or not np.all(np.isfinite(x)):
        raise CallError("A chart needs one row of numbers in the order of time, none of them missing.")
    if x.size < 2:
        raise DesignError("A chart of single values needs at least two of them, to see how far neighbours differ.")
    count = x.size if baseline is None else baseline
    if not 2 <= count <= x.size:
        raise CallError(f"baseline is {baseline}; give a number of values from 2 to {x.size}.")
    if centre is not None and not np.isfinite(centre):
        raise CallError(f"The centre is {centre}; give a number, or None for the mean of the values.")
    ranges = np.abs(np.diff(x))
    range_centre = float(np.mean(ranges[: count - 1]))
    if range_centre == 0.0:
        raise DesignError(f"The first {count} values are all the same, so they show no spread to set limits by.")
    middle, spread = float(np.mean(x[:count])) if centre is None else float(centre), range_centre / D2
    low, high = middle - LIMIT_SPREADS * spread, middle + LIMIT_SPREADS * spread
    return IndividualsChart(
        values=x,
        ranges=ranges,
        centre=middle,
        spread=spread,
        low=low,
        high=high,
        range_centre=range_centre,
        range_high=D4 * range_centre,
        beyond=(x < low) | (x > high),
        in_a_run=runs_on_one_side(x - middle),
        range_beyond=ranges > D4 * range_centre,
    )


def runs_on_one_side(deviations: np.ndarray, length: int = RUN_LENGTH) -> np.ndarray:
    """(n,) True where at least `length` values in a row, this one the last, lie on one side; a zero ends a run."""
    signs = np.sign(deviations)
    run, inside = 0, np.zeros(signs.size, dtype=bool)
    for place, sign in enumerate(signs):
        follows = place > 0 and sign == signs[place - 1]
        run = 0 if sign == 0.0 else (run + 1 if follows else 1)
        inside[place] = run >= length
    return inside
