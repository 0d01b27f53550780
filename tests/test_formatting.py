"""Numbers become text here and nowhere else; every decided edge has its line."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studykit.formatting import (
    MINUS,
    MOST_DECIMALS,
    NO_BREAK,
    counted,
    decimals_for_width,
    estimate,
    interval,
    level,
    listed,
    number,
    p_value,
    percent,
    share_difference,
    share_estimate,
    unit_sign,
    with_unit,
)


@pytest.mark.parametrize(
    ("width", "decimals"),
    [(4.2, 1), (0.42, 2), (42.0, 0), (420.0, 0), (1.0, 1), (10.0, 0), (0.1, 2), (1e-9, MOST_DECIMALS)],
)
def test_decimals_keep_two_digits_of_the_width(width: float, decimals: int) -> None:
    assert decimals_for_width(width) == decimals


@pytest.mark.parametrize("width", [0.0, -1.0, math.nan, math.inf])
def test_a_width_that_is_none_gives_two_decimals(width: float) -> None:
    assert decimals_for_width(width) == 2


@given(width=st.floats(min_value=1e-4, max_value=9.99))
def test_rounding_never_moves_a_limit_by_more_than_a_twentieth_of_the_width(width: float) -> None:
    step = 10.0 ** -decimals_for_width(width)
    assert step / 2 <= width / 20 * (1 + 1e-9)  # the power of ten is itself rounded


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (6.14, 1, "6.1"),
        (-6.14, 1, f"{MINUS}6.1"),
        (-0.04, 1, "0.0"),
        (-0.0, 0, "0"),
        (0.06, 1, "0.1"),
        (math.nan, 1, "not estimable"),
        (math.inf, 1, "∞"),
        (-math.inf, 1, f"{MINUS}∞"),
    ],
)
def test_number(value: float, decimals: int, text: str) -> None:
    assert number(value, decimals) == text


@given(value=st.floats(allow_nan=False, allow_infinity=False, width=32), decimals=st.integers(0, 6))
def test_a_number_reads_back_to_within_half_a_step(value: float, decimals: int) -> None:
    read = float(number(value, decimals).replace(MINUS, "-"))
    # Half a step of the last decimal, and the spacing of floating-point numbers at this size.
    assert abs(read - value) <= 0.5 * 10.0**-decimals * (1 + 1e-9) + math.ulp(value)


def test_units_close_up_or_stand_off() -> None:
    assert with_unit(6.1, 1, "deg") == "6.1°"
    assert with_unit(6.1, 1, "cm") == f"6.1{NO_BREAK}cm"
    assert with_unit(6.1, 1, "") == "6.1"
    assert unit_sign("kg") == f"{NO_BREAK}kg"
    assert with_unit(2.0, 0, "grade") == "2"


def test_estimates_carry_unit_level_and_as_many_decimals_as_the_interval_deserves() -> None:
    assert estimate(6.123, 4.01, 8.24, unit="deg", confidence=0.95) == f"6.1° (95%{NO_BREAK}CI 4.0 to 8.2°)"
    assert estimate(-6.123, -26.0, 14.0, unit="deg") == f"{MINUS}6° ({MINUS}26 to 14°)"
    assert estimate(0.8312, 0.79, 0.87) == "0.831 (0.790 to 0.870)"


def test_what_cannot_be_estimated_has_no_unit_and_is_said_once() -> None:
    nothing = math.nan
    assert with_unit(nothing, 1, "deg") == "not estimable"
    assert estimate(nothing, nothing, nothing, unit="deg", confidence=0.95) == "not estimable"
    assert interval(nothing, nothing, 1, "deg") == "interval not estimable"
    assert estimate(3.0, nothing, nothing, unit="deg") == "3.00° (interval not estimable)"
    assert interval(1.0, math.inf, 1, "deg") == "1.0 to ∞°"


@pytest.mark.parametrize(
    ("p", "text"),
    [
        (0.0, f"<{NO_BREAK}0.001"),
        (0.00099, f"<{NO_BREAK}0.001"),
        (0.001, "0.001"),
        (0.0496, "0.050"),
        (0.999, "0.999"),
        (0.9995, f">{NO_BREAK}0.999"),
        (1.0, f">{NO_BREAK}0.999"),
        (math.nan, "not estimable"),
    ],
)
def test_p_value_is_never_zero_or_one(p: float, text: str) -> None:
    assert p_value(p) == text


def test_shares_levels_counts_and_lists() -> None:
    assert percent(0.256) == "26%"
    assert percent(0.256, 1) == "25.6%"
    assert percent(math.nan) == "not estimable"
    assert level(0.95) == f"95%{NO_BREAK}CI"
    assert level(0.999) == f"99.9%{NO_BREAK}CI"
    assert counted(1, "row") == "1 row"
    assert counted(0, "row") == "0 rows"
    assert counted(12345, "person, adult", "people, adult") == f"12{NO_BREAK}345 people, adult"
    assert listed([]) == ""
    assert listed(["a"]) == "a"
    assert listed(["a", "b"]) == "a and b"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert listed(list("abcdefg")) == "a, b, c, d, e and 2 more"
    assert listed(list("abc"), most=2) == "a, b and 1 more"


def test_a_share_carries_its_interval_in_per_cent_and_a_difference_in_points() -> None:
    assert share_estimate(0.583, 0.388, 0.755) == "58% (39 to 76%)"
    assert share_estimate(0.0, 0.0, 0.14, confidence=0.9) == f"0% (90%{NO_BREAK}CI 0 to 14%)"
    assert share_estimate(math.nan, math.nan, math.nan) == "not estimable"
    assert share_difference(-0.29, -0.5, 0.03) == f"{MINUS}29 points ({MINUS}50 to 3)"
    assert share_difference(0.01, -0.2, 0.2) == f"1 point ({MINUS}20 to 20)"
    assert share_difference(math.nan, math.nan, math.nan) == "not estimable"
