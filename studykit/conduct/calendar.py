"""Days and months of a study on the calendar, counted from its first reading."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from studykit.errors import DesignError
from studykit.formatting import counted

DAYS_A_MONTH: Final = 30.0
"""A study month is thirty days, so that slopes and months speak of the same length."""
LEAST_SPAN_DAYS: Final = 30
"""Days over which the dates of some visit must spread before the calendar can be told from the visits."""


def days_from_first(dates: pd.Series) -> np.ndarray:
    """(n,) whole days since the earliest date; nan where there is none."""
    return np.asarray((dates - dates.min()).dt.days.to_numpy(dtype=float))


def month_of(days: np.ndarray) -> np.ndarray:
    """(n,) study month, 1 for days 0 to 29; nan where there is no day."""
    return np.asarray(np.floor(days / DAYS_A_MONTH) + 1.0)


def check_calendar(dates: pd.Series, visits: pd.Series, name: str) -> None:
    """Refuse dates from which the calendar cannot be told from the visits.

    Raises:
        DesignError: no date, or at every visit all dates lie close together (everybody began in the same weeks, or the
            dates are study days).
    """
    if not dates.notna().any():
        raise DesignError(
            f"No reading of {name} has a date (measured_on), so what changed over the months of the study is not known."
        )
    first, last = (dates.groupby(visits).agg(end) for end in ("min", "max"))
    widest = int((last - first).dt.days.max())
    if widest < LEAST_SPAN_DAYS:
        raise DesignError(
            f"The dates of each visit lie within {counted(widest, 'day')} of each other, so that the months of the "
            "study cannot be told from its visits (or the dates are study days, which know no calendar)."
        )
