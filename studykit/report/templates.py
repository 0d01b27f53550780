"""Sentences with blanks that are filled from results.json: no number is typed, every number has its key.

A template holds two kinds of blanks:

    <measure>                                       a word of the protocol, given by the caller
    {difference.<measure>|<visit>.<arm>.p|p}        answer | number, or value, low, high | how it is printed

How a number is printed: `count`, `tenth`, `share`, `shares` (share, low, high), `points` (the same of a difference of
shares), `p`, `spread` (mean, standard deviation), `estimate` (value, low, high with the unit `<unit>`, rounded by the
interval), `plain` (the same without a unit), `size` (the same for an amount above zero: rounded by the amount where it
is smaller than its interval), `ratio` (value, low, high without a unit, each to two digits of its own), `value` (one
number with the unit).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from studykit.errors import DataError
from studykit.formatting import (
    NO_BREAK,
    decimals_for_width,
    estimate,
    interval,
    number,
    p_value,
    percent,
    share_difference,
    share_estimate,
    with_unit,
)

WORD: Final = re.compile(r"<([a-z_]+)>")
NUMBER: Final = re.compile(r"\{([^{}|]+)\|([^{}|]+)\|([a-z]+)\}")


class AbsentNumberError(DataError):
    """results.json does not hold a number that a sentence would print."""


@dataclass(frozen=True, slots=True)
class Printed:
    """One number of a sentence: where it stands in results.json, at full precision, and as it was printed."""

    answer: str
    name: str
    value: float
    text: str


@dataclass(frozen=True, slots=True)
class Sentence:
    """A finished sentence and its numbers, in order."""

    text: str
    numbers: tuple[Printed, ...]


def fill(template: str, document: Mapping[str, Any], words: Mapping[str, str]) -> Sentence | None:
    """The sentence, or None where one of its numbers could not be estimated (null in results.json).

    Args:
        template: text with blanks.
        document: results.json as plain values.
        words: what stands for `<word>`; `unit` is the unit of `estimate` and `value`.

    Raises:
        AbsentNumberError: an answer or a number that is not there; the sentence names it.
        DataError: a word that is not there, or a way of printing that is not known.
    """
    worded = WORD.sub(lambda blank: _word(blank[1], words), template)
    used: list[Printed] = []
    parts: list[str] = []
    end = 0
    for blank in NUMBER.finditer(worded):
        names = [name.strip() for name in blank[2].split(",")]
        found = [_number(document, blank[1], name) for name in names]
        values = [value for value in found if value is not None]
        if len(values) < len(found):
            return None
        text = _printer(blank[3])(values, words.get("unit", ""))
        used += [Printed(blank[1], name, value, text) for name, value in zip(names, values, strict=True)]
        parts += [worded[end : blank.start()], text]
        end = blank.end()
    return Sentence("".join([*parts, worded[end:]]), tuple(used))


def _word(name: str, words: Mapping[str, str]) -> str:
    if name not in words:
        raise DataError(f"A sentence needs the word {name!r}, which nobody gave; known are {', '.join(sorted(words))}.")
    return words[name]


def _number(document: Mapping[str, Any], answer: str, name: str) -> float | None:
    answers = document["answers"]
    if answer not in answers:
        raise AbsentNumberError(f"A sentence needs the answer {answer!r}, which results.json does not hold.")
    numbers = answers[answer]["numbers"]
    if name not in numbers:
        raise AbsentNumberError(
            f"A sentence needs the number {name!r} of {answer!r}, which results.json does not hold."
        )
    value = numbers[name]
    return None if value is None else float(value)


def _printer(form: str) -> Callable[[list[float], str], str]:
    if form not in PRINTERS:
        raise DataError(f"A sentence prints a number as {form!r}; known are {', '.join(PRINTERS)}.")
    return PRINTERS[form]


def _estimate(values: list[float], unit: str) -> str:
    value, low, high = values
    return estimate(value, low, high, unit=unit)


def _size(values: list[float], unit: str) -> str:
    value, low, high = values
    decimals = decimals_for_width(min(high - low, abs(value)))
    return f"{with_unit(value, decimals, unit)} ({interval(low, high, decimals, unit)})"


def _ratio(values: list[float]) -> str:
    """Value and limits each to two digits of its own: limits of a ratio lie on no common scale."""
    value, low, high = (number(one, decimals_for_width(one)) for one in values)
    return f"{value} ({low} to {high})"


def _p(value: float) -> str:
    text = p_value(value)
    between = NO_BREAK if text.startswith(("<", ">")) else f"{NO_BREAK}={NO_BREAK}"
    return f"p{between}{text}"


def _spread(values: list[float], _unit: str) -> str:
    mean, sd = values
    decimals = decimals_for_width(sd)
    return f"{number(mean, decimals)} ({number(sd, decimals)})"


PRINTERS: Final[dict[str, Callable[[list[float], str], str]]] = {
    "count": lambda values, _unit: number(values[0], 0),
    "tenth": lambda values, _unit: number(values[0], 1),
    "share": lambda values, _unit: percent(values[0]),
    "shares": lambda values, _unit: share_estimate(*values),
    "points": lambda values, _unit: share_difference(*values),
    "p": lambda values, _unit: _p(values[0]),
    "spread": _spread,
    "estimate": _estimate,
    "size": lambda values, unit: _size(values, unit),
    "plain": lambda values, _unit: _estimate(values, ""),
    "ratio": lambda values, _unit: _ratio(values),
    "value": lambda values, unit: with_unit(values[0], decimals_for_width(values[0]), unit),
}
