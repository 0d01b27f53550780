"""What one cell means, for each sort of column."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from studykit.data.intake.words import CellRules, read_date, read_number, read_text, read_whole_number, read_yes_no
from studykit.data.reading.sheet import DATE, NUMBER, PERCENT, TEXT, TIME, YES_NO

COMMA = CellRules(decimal_mark=",")


@pytest.mark.parametrize(
    ("word", "value"),
    [("46.5", 46.5), ("0", 0.0), ("-5", -5.0), ("+5", 5.0), (".5", 0.5), ("007", 7.0), ("46.50", 46.5)],
)
def test_a_plain_number_is_read_and_not_called_changed(word: str, value: float) -> None:
    outcome = read_number(word, TEXT, CellRules())
    assert outcome.value == value
    assert outcome.after is None


@pytest.mark.parametrize(
    ("word", "rule", "said"),
    [
        ("46,5", "ambiguous_number", "holds a comma"),
        ("1.234,5", "ambiguous_number", "a point and a comma"),
        ("1,234.5", "ambiguous_number", "a point and a comma"),
        ("47°", "not_a_number", "unit"),
        ("47 deg", "not_a_number", "unit"),
        ('12"', "not_a_number", "unit"),
        (">50", "not_a_number", "limit"),
        ("≤ 50", "not_a_number", "limit"),
        ("approx 5", "not_a_number", "more than a number"),
        ("4 7", "not_a_number", "space between digits"),
        ("4\u00a07", "not_a_number", "space between digits"),
        ("1e3", "not_a_number", "exponent"),
        ("5-10", "not_a_number", "range"),
        ("5.", "not_a_number", "more than a number"),
        ("5%", "not_a_number", "percentage"),
        ("TRUE", "not_a_number", "yes or no"),
        ("NaN", "not_a_number", "not recorded"),
        ("NA", "not_a_number", "not recorded"),
        ("None", "not_a_number", "not recorded"),
        ("inf", "not_a_number", "not finite"),
        ("–5", "not_a_number", "dash"),
        ("４７", "not_a_number", "no number"),
        ("0x1F", "not_a_number", "more than a number"),
        ("1_000", "not_a_number", "more than a number"),
        ("=1+1", "not_a_number", "more than a number"),
    ],
)
def test_what_is_more_or_less_than_a_number_is_refused(word: str, rule: str, said: str) -> None:
    outcome = read_number(word, TEXT, CellRules())
    assert outcome.value is None
    assert outcome.problem is not None
    assert outcome.problem.rule == rule
    assert said in outcome.problem.message
    assert word not in outcome.problem.what_to_do


@pytest.mark.parametrize(
    ("word", "value", "after"),
    [("46,5", 46.5, "46.5"), (",5", 0.5, ".5"), ("46", 46.0, None), ("\u22125,5", -5.5, "-5.5")],
)
def test_a_declared_decimal_comma_is_read_and_logged(word: str, value: float, after: str | None) -> None:
    outcome = read_number(word, TEXT, COMMA)
    assert outcome.value == value
    assert outcome.after == after


def test_with_a_declared_comma_a_point_is_refused() -> None:
    problem = read_number("46.5", TEXT, COMMA).problem
    assert problem is not None
    assert problem.rule == "ambiguous_number"


def test_a_number_cell_is_its_number_whatever_mark_is_declared() -> None:
    assert read_number("46.5", NUMBER, COMMA).value == 46.5
    assert read_number("1e-05", NUMBER, CellRules()).value == 1e-5


@pytest.mark.parametrize(
    ("kind", "word"), [(YES_NO, "TRUE"), (DATE, "2024-03-04"), (TIME, "12:30:00"), (PERCENT, "0.5")]
)
def test_cells_of_another_kind_are_no_numbers(kind: int, word: str) -> None:
    assert read_number(word, kind, CellRules()).problem is not None


@pytest.mark.parametrize("blank", [" ", "\u00a0", "\u2009", "\u200b", "\ufeff", "\t"])
def test_blanks_around_a_word_are_removed_and_logged(blank: str) -> None:
    for outcome in (read_text(f"{blank}004{blank}", TEXT, CellRules()), read_number(f"{blank}4", TEXT, CellRules())):
        assert outcome.after in ("004", "4")
        assert outcome.why


def test_a_no_break_space_inside_a_word_becomes_a_space() -> None:
    outcome = read_text("left\u00a0knee", TEXT, CellRules())
    assert (outcome.value, outcome.after) == ("left knee", "left knee")


def test_words_for_not_recorded_stay_words_unless_declared() -> None:
    assert read_text("NA", TEXT, CellRules()).value == "NA"
    assert read_text("None", TEXT, CellRules()).value == "None"
    declared = CellRules(missing_words=frozenset({"NA"}))
    assert read_text("NA", TEXT, declared)[:2] == (None, "")
    assert read_number("NA", TEXT, declared)[:2] == (None, "")


def test_a_declared_code_is_mapped_and_logged() -> None:
    outcome = read_text("w ", TEXT, CellRules(codes={"w": "female"}))
    assert (outcome.value, outcome.after) == ("female", "female")


def test_units_are_converted_by_exact_decimal_factors() -> None:
    inches = CellRules(factor=Decimal("2.54"), unit_change="in converted to cm")
    # 1.1 in = 2.794 cm exactly; the product of the two floats is another number
    assert read_number("1.1", TEXT, inches)[:2] == (2.794, "2.794")
    assert 1.1 * 2.54 != 2.794


def test_whole_numbers_are_never_cut() -> None:
    assert read_whole_number("2.0", TEXT, CellRules()).value == 2.0
    for word in ("2.5", "9" * 20):
        problem = read_whole_number(word, TEXT, CellRules()).problem
        assert problem is not None
        assert problem.rule == "not_a_whole_number"


def test_yes_and_no_are_only_the_declared_words_and_real_yes_no_cells() -> None:
    assert read_yes_no("yes", TEXT, CellRules())[:2] == (True, None)
    assert read_yes_no("No", TEXT, CellRules())[:2] == (False, "no")
    assert read_yes_no("FALSE", YES_NO, CellRules())[:2] == (False, "no")
    assert read_yes_no("ja", TEXT, CellRules(yes_words=frozenset({"ja"})))[:2] == (True, "yes")
    for word in ("False", "TRUE", "1", "0", "maybe"):
        assert read_yes_no(word, TEXT, CellRules()).problem is not None


def test_a_word_declared_for_both_yes_and_no_is_refused() -> None:
    both = CellRules(yes_words=frozenset({"x"}), no_words=frozenset({"x"}))
    assert read_yes_no("x", TEXT, both).problem is not None


@pytest.mark.parametrize(
    ("word", "order", "value"),
    [
        ("2024-03-04", "year-month-day", date(2024, 3, 4)),
        ("2024-03-04", "day-month-year", date(2024, 3, 4)),
        ("2024/3/4", "year-month-day", date(2024, 3, 4)),
        ("03/04/2024", "day-month-year", date(2024, 4, 3)),
        ("03/04/2024", "month-day-year", date(2024, 3, 4)),
        ("3.4.2024", "day-month-year", date(2024, 4, 3)),
        ("29.02.2024", "day-month-year", date(2024, 2, 29)),
        ("2024-03-04 14:30", "year-month-day", date(2024, 3, 4)),
    ],
)
def test_dates_are_read_in_the_declared_order(word: str, order: str, value: date) -> None:
    outcome = read_date(word, TEXT, CellRules(date_order=order))
    assert outcome.value == value
    assert outcome.after == (None if word == value.isoformat() else value.isoformat())


@pytest.mark.parametrize(
    ("word", "order", "rule", "said"),
    [
        ("03/04/2024", "year-month-day", "ambiguous_date", "3 April 2024 or 4 March 2024"),
        ("13/04/2024", "year-month-day", "ambiguous_date", "13 April 2024"),
        ("31/02/2024", "year-month-day", "impossible_date", "either order"),
        ("31/02/2024", "day-month-year", "impossible_date", "day 31 of month 2"),
        ("04/13/2024", "day-month-year", "impossible_date", "month 13"),
        ("2023-02-29", "year-month-day", "impossible_date", "day 29"),
        ("0024-03-04", "year-month-day", "impossible_date", "0024"),
        ("3/4/24", "day-month-year", "two_digit_year", "two digits"),
        ("45356", "year-month-day", "number_for_date", "2024-03-05"),
        ("4 March 2024", "year-month-day", "not_a_date", "guess"),
        ("20240304", "year-month-day", "not_a_date", "guess"),
        ("2024-03-04T10:00:00Z", "year-month-day", "not_a_date", "guess"),
        ("03/04-2024", "day-month-year", "not_a_date", "guess"),
    ],
)
def test_dates_that_need_a_guess_are_refused(word: str, order: str, rule: str, said: str) -> None:
    problem = read_date(word, TEXT, CellRules(date_order=order)).problem
    assert problem is not None
    assert problem.rule == rule
    assert said in problem.message


def test_a_number_cell_is_no_date_and_never_1970() -> None:
    problem = read_date("45356", NUMBER, CellRules()).problem
    assert problem is not None
    assert problem.rule == "number_for_date"


def test_a_date_cell_is_no_identifier_but_may_stand_in_a_note() -> None:
    assert read_text("2024-02-01", DATE, CellRules()).problem is not None
    assert read_text("2024-02-01", DATE, CellRules(free_text=True)).value == "2024-02-01"
