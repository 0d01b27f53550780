"""One cell at a time: what a word in a cell means for a column of numbers, dates, yes and no, or text.

Nothing is guessed. A word that may be read in two ways, or that says more than a number, is refused with a sentence.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from types import MappingProxyType
from typing import Final, NamedTuple

from studykit.data.reading.sheet import (
    DATE,
    ERROR_VALUE,
    MERGED_ACROSS,
    MERGED_DOWN,
    NUMBER,
    PERCENT,
    TIME,
    UNCALCULATED,
    YES_NO,
)

_PLAIN_BLANKS = " \t\r\n"
_ODD_SPACES = "\x0b\x0c\x1c\x1d\x1e\x1f\x85\xa0\u1680\u2028\u2029\u202f\u205f\u3000"
_ODD_SPACES += "".join(map(chr, range(0x2000, 0x200B)))
_UNSEEN = "\u200b\u200c\u2060\ufeff"
_BLANKS = _PLAIN_BLANKS + _ODD_SPACES + _UNSEEN
NEEDS_TIDYING: Final = f"^[{_BLANKS}]|[{_BLANKS}]$|[{_ODD_SPACES}{_UNSEEN}]"
"""A pattern that is found in every text that `tidied` would change."""
_ODD = re.compile(f"[{_ODD_SPACES}]")
_GONE = re.compile(f"[{_UNSEEN}]")
_FIRST_YEAR, _LAST_YEAR = 1900, 2100


class Problem(NamedTuple):
    """Why a cell is refused. `message` follows the cell's content in quotation marks; `what_to_do` never quotes it."""

    rule: str
    message: str
    what_to_do: str


class Outcome(NamedTuple):
    """What became of a cell: `value` None when there is nothing or it was refused; `after` None when not changed."""

    value: str | float | bool | date | None = None
    after: str | None = None
    why: str = ""
    problem: Problem | None = None


@dataclass(frozen=True, slots=True)
class CellRules:
    """What the protocol declares about the cells of one column."""

    decimal_mark: str = "."
    date_order: str = "year-month-day"
    missing_words: frozenset[str] = frozenset()
    yes_words: frozenset[str] = frozenset({"yes"})
    no_words: frozenset[str] = frozenset({"no"})
    codes: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    factor: Decimal | None = None
    unit_change: str = ""
    free_text: bool = False


class Prepared(NamedTuple):
    """A cell without the spaces around it, after missing words and codes: `word` is "" when nothing is left."""

    word: str
    whys: list[str]
    problem: Problem | None


def prepared(word: str, kind: int, rules: CellRules) -> Prepared:
    """What every column has in common: broken cells, spaces, words for "not recorded", codes."""
    if kind in _BROKEN:
        return Prepared("", [], _BROKEN[kind])
    text = tidied(word)
    whys = []
    if text != word:
        plain = word.strip(_PLAIN_BLANKS) == text
        whys.append("spaces around the entry removed" if plain else "no-break or invisible space removed or replaced")
    if text in rules.missing_words:
        whys.append("declared to mean 'not recorded'")
        return Prepared("", whys, None)
    if text in rules.codes:
        whys.append("code declared in the protocol")
        text = rules.codes[text]
    return Prepared(text, whys, None)


def tidied(word: str) -> str:
    """A text without blanks at its ends, with ordinary spaces for no-break ones and without invisible ones."""
    return _GONE.sub("", _ODD.sub(" ", word)).strip(_PLAIN_BLANKS)


def read_text(word: str, kind: int, rules: CellRules) -> Outcome:
    """A word in a column of text: it stays as it is but for blanks around it."""
    text, whys, problem = prepared(word, kind, rules)
    if problem is None and kind in (DATE, TIME) and not rules.free_text:
        problem = _DATE_FOR_TEXT
    if problem is not None:
        return Outcome(problem=problem)
    return Outcome(text or None, text if whys else None, "; ".join(whys))


def read_number(word: str, kind: int, rules: CellRules) -> Outcome:
    """A word in a column of numbers.

    Read are digits with at most one decimal mark and a sign in front; the minus sign U+2212 becomes a hyphen. A cell
    that a workbook holds as a number is that number whatever its format shows, but for a percentage.
    """
    text, whys, problem = prepared(word, kind, rules)
    if problem is None:
        problem = _NOT_FOR_NUMBERS.get(kind)
    if problem is not None:
        return Outcome(problem=problem)
    if not text:
        return Outcome(None, "" if whys else None, "; ".join(whys))
    if text.startswith("\u2212"):
        text = "-" + text[1:]
        whys.append("minus sign written as a hyphen")
    if kind == NUMBER:
        plain = text
    else:
        mark = re.escape(rules.decimal_mark)
        if not re.fullmatch(rf"[+-]?([0-9]+({mark}[0-9]+)?|{mark}[0-9]+)", text):
            return Outcome(problem=_why_no_number(text, rules.decimal_mark))
        plain = text.replace(",", ".")
        if plain != text:
            whys.append("decimal comma")
    return _number(plain, whys, rules)


def _number(plain: str, whys: list[str], rules: CellRules) -> Outcome:
    if rules.factor is not None:
        exact = Decimal(plain) * rules.factor
        if not math.isfinite(float(exact)):
            return Outcome(problem=_INFINITE)
        plain = format(exact.normalize(), "f")
        whys = [*whys, rules.unit_change]
    value = float(plain)
    if not math.isfinite(value):
        return Outcome(problem=_INFINITE)
    return Outcome(value, plain if whys else None, "; ".join(whys))


def read_whole_number(word: str, kind: int, rules: CellRules) -> Outcome:
    """A word in a column of whole numbers; 2.5 is refused, never cut."""
    outcome = read_number(word, kind, rules)
    if isinstance(outcome.value, float) and (not outcome.value.is_integer() or abs(outcome.value) >= 2.0**53):
        return Outcome(
            problem=Problem("not_a_whole_number", "is not a whole number", "Write a whole number, such as 1, 2 or 3.")
        )
    return outcome


def read_yes_no(word: str, kind: int, rules: CellRules) -> Outcome:
    """A word in a column of yes and no: the declared words, in small or capital letters, or a yes/no cell."""
    text, whys, problem = prepared(word, kind, rules)
    if problem is not None:
        return Outcome(problem=problem)
    if not text:
        return Outcome(None, "" if whys else None, "; ".join(whys))
    folded = text.casefold()
    yes = (kind == YES_NO and text == "TRUE") or folded in {known.casefold() for known in rules.yes_words}
    no = (kind == YES_NO and text == "FALSE") or folded in {known.casefold() for known in rules.no_words}
    if yes == no:
        known = ", ".join(sorted(rules.yes_words | rules.no_words))
        return Outcome(
            problem=Problem(
                "not_yes_or_no",
                "is neither yes nor no in the words of the protocol",
                f"Write one of: {known}; or declare the word under yes_words or no_words.",
            )
        )
    after = "yes" if yes else "no"
    if after != text:
        whys.append("word for yes or no")
    return Outcome(yes, after if after != word else None, "; ".join(whys))


_ISO = re.compile(r"([0-9]{4})-([0-9]{2})-([0-9]{2})([T ][0-9]{2}:[0-9]{2}(:[0-9]{2}(\.[0-9]+)?)?)?")
_YEAR_FIRST = re.compile(r"([0-9]{4})([-/.])([0-9]{1,2})\2([0-9]{1,2})")
_YEAR_LAST = re.compile(r"([0-9]{1,2})([-/.])([0-9]{1,2})\2([0-9]{4})")
_SHORT_YEAR = re.compile(r"[0-9]{1,2}([-/. ])[0-9]{1,2}\1[0-9]{2}")


def read_date(word: str, kind: int, rules: CellRules) -> Outcome:
    """A word in a column of dates: a date cell, year-month-day, or the declared order with a year of four digits."""
    text, whys, problem = prepared(word, kind, rules)
    if problem is None and kind in (YES_NO, TIME, PERCENT):
        problem = Problem("not_a_date", "is no date", _WRITE_DATE)
    if problem is not None:
        return Outcome(problem=problem)
    if not text:
        return Outcome(None, "" if whys else None, "; ".join(whys))
    if kind == NUMBER or re.fullmatch(r"[0-9]{5}([.,][0-9]+)?", text):
        return Outcome(problem=_serial(text))
    if found := _ISO.fullmatch(text):
        year, month, day = found[1], found[2], found[3]
        if found[4] and found[4].strip("T 0:."):
            whys.append("time of day left out")
    elif found := _YEAR_FIRST.fullmatch(text):
        year, month, day = found[1], found[3], found[4]
    elif (found := _YEAR_LAST.fullmatch(text)) and rules.date_order != "year-month-day":
        year = found[4]
        day, month = (found[1], found[3]) if rules.date_order == "day-month-year" else (found[3], found[1])
    else:
        return Outcome(problem=_why_no_date(text))
    value = _day(int(year), int(month), int(day))
    if value is None:
        return Outcome(
            problem=Problem(
                "impossible_date",
                f"would be day {int(day)} of month {int(month)} in {year}, which does not exist or cannot be meant",
                _WRITE_DATE,
            )
        )
    after = value.isoformat()
    if after == word:
        return Outcome(value)
    if after != text[:10]:
        whys.append(f"date rewritten as year-month-day, read as {_order_of(text, rules)}")
    return Outcome(value, after, "; ".join(whys) or "time of midnight left out")


def _order_of(text: str, rules: CellRules) -> str:
    return "year-month-day" if _YEAR_FIRST.fullmatch(text) else rules.date_order


def _day(year: int, month: int, day: int) -> date | None:
    if not _FIRST_YEAR <= year <= _LAST_YEAR:
        return None
    try:
        return date(year, month, day)
    except ValueError:
        return None


def _why_no_date(text: str) -> Problem:
    if found := _YEAR_LAST.fullmatch(text):
        first, second, year = int(found[1]), int(found[3]), int(found[4])
        readings = [day for day in (_day(year, second, first), _day(year, first, second)) if day is not None]
        if not readings:
            return Problem("impossible_date", "is no date in either order of day and month", _WRITE_DATE)
        ways = " or ".join(f"{day.day} {_MONTHS[day.month - 1]} {day.year}" for day in dict.fromkeys(readings))
        return Problem(
            "ambiguous_date", f"could be {ways}; the protocol does not say which order holds", _DECLARE_ORDER
        )
    if _SHORT_YEAR.fullmatch(text):
        return Problem("two_digit_year", "has a year of two digits", _WRITE_DATE)
    return Problem("not_a_date", "is no date that can be read without a guess", _WRITE_DATE)


def _serial(text: str) -> Problem:
    number = float(text.replace(",", "."))
    hint = ""
    if 1 <= number < 73_000:
        hint = f"; a spreadsheet would show it as {(date(1899, 12, 30) + timedelta(days=int(number))).isoformat()}"
    return Problem(
        "number_for_date",
        f"is a number where a date belongs{hint}",
        "Give the cell a date format and look whether the date is right; or write the date as year-month-day.",
    )


def _why_no_number(text: str, mark: str) -> Problem:
    other = "," if mark == "." else "."
    folded = text.casefold()
    if "." in text and "," in text:
        return Problem(
            "ambiguous_number",
            "holds a point and a comma, and either may be the decimal mark",
            "Write the number with one mark only.",
        )
    if re.fullmatch(rf"[+-]?[0-9]*{re.escape(other)}[0-9]+", text):
        return Problem(
            "ambiguous_number",
            f"holds {_MARK_NAMES[other]}, but the protocol declares {_MARK_NAMES[mark]} as decimal mark",
            f"Correct the cell; if the whole study writes {_MARK_NAMES[other]}, declare decimal_mark = {other!r}.",
        )
    if folded in _WORDS_FOR_NOTHING:
        return Problem(
            "not_a_number",
            "is a word for 'not recorded' that the protocol does not declare",
            "Leave the cell empty, or declare the word under missing_words.",
        )
    for pattern, message in _NUMBER_AND_MORE:
        if re.search(pattern, folded):
            return Problem("not_a_number", message, _NUMBER_ALONE)
    return Problem("not_a_number", "is no number", _NUMBER_ALONE)


_MARK_NAMES = {".": "a point", ",": "a comma"}
_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
_WORDS_FOR_NOTHING = frozenset(
    {
        "na",
        "n/a",
        "n.a.",
        "nan",
        "none",
        "null",
        "nil",
        "-",
        "--",
        "\u2013",
        "\u2014",
        "?",
        ".",
        "missing",
        "nd",
        "#n/a",
    }
)
_NUMBER_ALONE = "Write the number alone, without unit, sign or remark; a remark belongs in the column 'note'."
_WRITE_DATE = "Write the date as year-month-day, such as 2024-03-31."
_DECLARE_ORDER = "Write the date as year-month-day, or declare date_order under [intake]."
_NUMBER_AND_MORE = (
    (r"^(true|false|yes|no)$", "is yes or no, not a number"),
    (r"^[<>\u2264\u2265]", "is a limit, not a reading"),
    (r"%$", "is a percentage, not a reading"),
    (r"^[+-]?(inf|infinity)$", "is not finite"),
    (r"^[+-]?[0-9.,]+e[+-]?[0-9]+$", "is written with an exponent; a spreadsheet may have made it from something else"),
    (r"^[+-]?[0-9]+[.,]?[0-9]*\s+[0-9]", "holds a space between digits"),
    (r"[0-9]\s*[-\u2013\u2014/]\s*[0-9]", "is a range or two numbers"),
    (r"^\u2013", "begins with a dash, which may be a minus sign or not"),
    (
        r"^[+-]?[0-9]+([.,][0-9]+)?\s*(\u00b0|\u00ba|[a-z\u00b5\"']+\.?)$",
        "holds a unit or another sign behind the number",
    ),
    (r"[0-9]", "holds more than a number"),
)
_INFINITE = Problem("not_a_number", "is not a finite number", _NUMBER_ALONE)
_DATE_FOR_TEXT = Problem(
    "date_for_text",
    "is a date or a time where a word belongs; a spreadsheet turns entries such as 1-2 into dates",
    "Give the cell the format 'text' and write the word again.",
)
_TIME_FOR_NUMBER = Problem(
    "date_for_number",
    "is a date or a time where a number belongs; a spreadsheet turns entries such as 4.5 or 1-2 into dates",
    "Give the cell a number format and write the number again.",
)
_NOT_FOR_NUMBERS = {
    YES_NO: Problem("yes_no_for_number", "is a yes/no cell where a number belongs", "Write the number."),
    DATE: _TIME_FOR_NUMBER,
    TIME: _TIME_FOR_NUMBER,
    PERCENT: Problem(
        "percent_for_number",
        "has a percent format, so the sheet shows a hundred times the number that it holds",
        "Give the cell a number format and write the number again.",
    ),
    MERGED_DOWN: Problem(
        "merged_reading",
        "is one number in a merged cell that spans several rows; it cannot count as a reading of each",
        "Undo the merge and write in each row what was read.",
    ),
}
_BROKEN = {
    ERROR_VALUE: Problem(
        "error_value",
        "is an error of the spreadsheet, not an entry",
        "Repair the formula, or write what was recorded.",
    ),
    UNCALCULATED: Problem(
        "uncalculated_formula",
        "is a formula whose result the file does not hold",
        "Open the workbook in a spreadsheet, let it calculate, and save; or write the value.",
    ),
    MERGED_ACROSS: Problem(
        "merged_across",
        "stands in a merged cell over several columns, so it is not clear which column it belongs to",
        "Undo the merge and write each entry in its own column.",
    ),
}
