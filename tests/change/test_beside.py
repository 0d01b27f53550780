"""Where an interval lies against the MDC, and the words for it."""

import math

import pytest

from studykit.change import MdcBeside
from studykit.change.beside import BEYOND, INCLUDES, NO_MDC, WITHIN, place_beside, place_in_words
from studykit.errors import CallError

MDC = MdcBeside(4.0, 3.4, 5.1, 0.95, "one reading by one of the raters")


@pytest.mark.parametrize(
    ("low", "high", "place"),
    [
        (4.1, 6.0, BEYOND),
        (-6.0, -4.1, BEYOND),
        (-3.9, 3.9, WITHIN),
        (1.0, 2.0, WITHIN),
        (3.0, 5.0, INCLUDES),
        (-5.0, -3.0, INCLUDES),
        (-9.0, 9.0, INCLUDES),
        (4.0, 6.0, INCLUDES),
        (2.0, 4.0, INCLUDES),
    ],
)
def test_place(low: float, high: float, place: str) -> None:
    assert place_beside(low, high, MDC) == place


def test_without_an_mdc_nothing_is_said() -> None:
    assert place_beside(1.0, 2.0, None) == NO_MDC
    assert place_in_words(NO_MDC) == ""
    assert place_in_words(BEYOND) == "all beyond the MDC"


def test_words_carry_interval_and_unit_where_there_is_one() -> None:
    assert MDC.in_words("deg") == "4.0° (95%\N{NO-BREAK SPACE}CI 3.4 to 5.1°)"
    assert MdcBeside(4.0, math.nan, math.nan, 0.95, "").in_words("deg") == "4.0°"


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_an_mdc_that_is_no_positive_number_is_refused(value: float) -> None:
    with pytest.raises(CallError, match="give a number above 0"):
        MdcBeside(value, 1.0, 2.0, 0.95, "")
