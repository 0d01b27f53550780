"""The checks that the schemas are made of: arrays of cells in, one yes or no per row out.

A check about a cell that is missing says yes: whether a cell is needed is another check.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from studykit.protocol import Measure, Protocol
from studykit.protocol.cells import Bounds


def within(bounds: Bounds) -> Callable[[pd.Series], pd.Series]:
    """Check: a number lies in a range or is missing."""

    def holds(cells: pd.Series) -> pd.Series:
        numbers = cells.to_numpy(dtype="float64", na_value=np.nan)
        below = numbers <= bounds.low if bounds.above_low else numbers < bounds.low
        return pd.Series(~(below | (numbers > bounds.high)), index=cells.index)

    return holds


def per_measure(frame: pd.DataFrame, protocol: Protocol, of: Callable[[Measure], float]) -> np.ndarray:
    """One number per row, taken from the measure that the row names; nan for a measure that nobody knows."""
    codes, names = pd.factorize(frame["measure"])
    known = [of(protocol.measures[name]) if name in protocol.measures else np.nan for name in names]
    return np.asarray(np.array([*known, np.nan])[codes])


def plausible(protocol: Protocol) -> Callable[[pd.DataFrame], pd.Series]:
    """Check: a reading lies in the plausible range of its measure."""

    def holds(frame: pd.DataFrame) -> pd.Series:
        value = frame["value"].to_numpy()
        low = per_measure(frame, protocol, lambda measure: measure.plausible_low)
        high = per_measure(frame, protocol, lambda measure: measure.plausible_high)
        return pd.Series(~((value < low) | (value > high)), index=frame.index)

    return holds


def level_is_whole(protocol: Protocol) -> Callable[[pd.DataFrame], pd.Series]:
    """Check: a finding of a graded measure is a whole number."""

    def holds(frame: pd.DataFrame) -> pd.Series:
        value = frame["value"].to_numpy()
        graded = per_measure(frame, protocol, lambda measure: float(measure.graded)) == 1.0
        return pd.Series(~graded | np.isnan(value) | (value == np.floor(value)), index=frame.index)

    return holds


def side_is_given(protocol: Protocol) -> Callable[[pd.DataFrame], pd.Series]:
    """Check: a reading of a two-sided measure has a side."""

    def holds(frame: pd.DataFrame) -> pd.Series:
        two_sided = per_measure(frame, protocol, lambda measure: float(measure.two_sided)) == 1.0
        return pd.Series(~(two_sided & frame["side"].isna().to_numpy()), index=frame.index)

    return holds


def side_is_not_given(protocol: Protocol) -> Callable[[pd.DataFrame], pd.Series]:
    """Check: a reading of a measure without sides has none."""

    def holds(frame: pd.DataFrame) -> pd.Series:
        one_sided = per_measure(frame, protocol, lambda measure: float(measure.two_sided)) == 0.0
        return pd.Series(~(one_sided & frame["side"].notna().to_numpy()), index=frame.index)

    return holds
