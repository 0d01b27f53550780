"""The MDC that stands beside every change, and the words for where an interval lies against it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from studykit.errors import CallError
from studykit.formatting import decimals_for_width, interval, level, with_unit

BEYOND: Final = "beyond"
WITHIN: Final = "within"
INCLUDES: Final = "includes"
NO_MDC: Final = "no MDC"

_WORDS: Final = {
    BEYOND: "all beyond the MDC",
    WITHIN: "all within the MDC",
    INCLUDES: "including the MDC",
}


@dataclass(frozen=True, slots=True)
class MdcBeside:
    """The minimal detectable change of one person, as found by a reliability analysis and handed over by the caller.

    Attributes:
        value: the MDC, in the unit of the measure, greater than 0.
        low, high: its interval at `confidence`; nan where there is none.
        confidence: level of the MDC's interval.
        words: which MDC it is: level, raters, readings averaged.

    Raises:
        CallError: the value is not a positive number.
    """

    value: float
    low: float
    high: float
    confidence: float
    words: str

    def __post_init__(self) -> None:
        if not 0.0 < self.value < float("inf"):
            raise CallError(f"The MDC is {self.value!r}; give a number above 0, or None when there is none.")

    @property
    def has_interval(self) -> bool:
        """True when both limits are known."""
        return not (math.isnan(self.low) or math.isnan(self.high))

    def in_words(self, unit: str) -> str:
        """The MDC with unit and interval; to two digits of the MDC, as in pictures."""
        decimals = decimals_for_width(self.value)
        limits = (
            f" ({level(self.confidence)} {interval(self.low, self.high, decimals, unit)})" if self.has_interval else ""
        )
        return f"{with_unit(self.value, decimals, unit)}{limits}"


def place_beside(low: float, high: float, mdc: MdcBeside | None) -> str:
    """Where the interval from low to high lies against -mdc and +mdc: "beyond", "within", "includes" or "no MDC"."""
    if mdc is None:
        return NO_MDC
    if low > mdc.value or high < -mdc.value:
        return BEYOND
    if -mdc.value < low and high < mdc.value:
        return WITHIN
    return INCLUDES


def place_in_words(place: str) -> str:
    """Where the interval lies, such as "all beyond the MDC"; nothing when there is no MDC."""
    return _WORDS.get(place, "")
