"""How a problem in study.toml is told: the place, the value and the remedy in words that a clinician can follow."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Final

from studykit.protocol.lines import Place

LIST_KEYS: Final = ("visits", "wide", "reference_values")
"""Keys whose value is a list of tables, written as [[...]]."""
TABLE_KEYS: Final = (
    "study",
    "arms",
    "measures",
    "reliability",
    "covariates",
    "analysis",
    "planning",
    "privacy",
    "intake",
)
"""Keys at the top of the file whose value is a table, written as [...]."""
_MOST_NAMED: Final = 12
_MOST_COMPARED: Final = 200
_MOST_SHOWN: Final = 60


@dataclass(frozen=True, slots=True)
class Problem:
    """One problem: where in the content, and the sentence that says what is wrong and what to do."""

    place: Place
    sentence: str


def shown(value: object) -> str:
    """A value as a person would recognise it in the file; long ones are cut."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value) if abs(value) < 10**20 else "a number of more than 20 digits"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, (list, tuple)):
        return "a list"
    if isinstance(value, (datetime.date, datetime.time)):
        return "a date or a time"
    return "nothing"


def quoted(word: str) -> str:
    """A word in quotation marks; what cannot be printed is written as an escape, and a long text is cut."""
    cut = word if len(word) <= _MOST_SHOWN else word[:_MOST_SHOWN] + "..."
    return '"' + "".join(sign if sign.isprintable() else ascii(sign)[1:-1] for sign in cut) + '"'


def listed(words: Iterable[str], *, joined_by: str = "and") -> str:
    """Words in quotation marks as one phrase: "a", "b" and "c"."""
    names = [quoted(word) for word in words]
    if len(names) > _MOST_NAMED:
        names = [*names[:_MOST_NAMED], f"{len(names) - _MOST_NAMED} more"]
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} {joined_by} {names[-1]}"


def close_to(word: str, known: Iterable[str]) -> str | None:
    """The known word that was probably meant, or None."""
    lower = {name.lower(): name for name in list(known)[:_MOST_COMPARED]}
    found = get_close_matches(word[:_MOST_SHOWN].lower(), list(lower), n=1, cutoff=0.6)
    return lower[found[0]] if found else None


def meant(word: str, known: Sequence[str]) -> str:
    """ "; did you mean ...?" for a word close to a known one, else the known ones, else only the full stop."""
    close = close_to(word, known)
    if close is not None:
        return f"; did you mean {quoted(close)}?"
    return f"; {known_words(known)}." if known else "."


def known_words(known: Sequence[str]) -> str:
    """ "known are ..." for several words, "known is ..." for one."""
    return f"known {'is' if len(known) == 1 else 'are'} {listed(known)}"


def named(place: Place) -> str:
    """A place in the words of the file: `week in [[visits]] number 2`, `[study]`, `raters, item 3`."""
    if not place:
        return "the file"
    *outer, last = place
    if isinstance(last, int):
        return (
            f"{named(tuple(outer))} number {last + 1}"
            if _is_list_of_tables(outer)
            else f"{_key(outer)}, item {last + 1}"
        )
    if _is_list_of_tables(place):
        return f"[[{_dotted(place)}]]"
    if not outer:
        return f"[{last}]" if last in TABLE_KEYS else _printable(last)
    return f"{_printable(last)} in {_container(tuple(outer))}"


def table_named(place: Place) -> str:
    """A table by its heading: `[arms.stretch.dose]`."""
    return _container(place) if place else "the file"


def _container(place: Place) -> str:
    return named(place) if isinstance(place[-1], int) else f"[{_dotted(place)}]"


def _key(place: Sequence[str | int]) -> str:
    return named(tuple(place))


def _is_list_of_tables(place: Sequence[str | int]) -> bool:
    return bool(place) and place[-1] in LIST_KEYS


def _dotted(place: Sequence[str | int]) -> str:
    return ".".join(_printable(step) for step in place if isinstance(step, str))


def _printable(step: str) -> str:
    if len(step) <= _MOST_SHOWN and step.replace("_", "").replace("-", "").isalnum():
        return step
    return quoted(step)
