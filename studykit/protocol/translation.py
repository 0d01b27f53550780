"""What the schema of the parts refuses, in plain English: the schema's own messages are never shown."""

from __future__ import annotations

import types
from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final, Literal, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from studykit.formatting import counted
from studykit.protocol.catalogue import shipped_measures
from studykit.protocol.lines import Place
from studykit.protocol.measure import Measure
from studykit.protocol.model import Protocol
from studykit.protocol.problems import Problem, close_to, known_words, listed, named, quoted, shown, table_named

_KEY_OF_TABLE: Final = "[key]"
"""How the schema marks a complaint about a key of a free table, not about its value."""
_WORD_RULE: Final = (
    "a code has up to 64 letters, digits, underscores, dots and hyphens, and begins with a letter or digit"
)
_HELP: Final[dict[Place, str]] = {
    ("study",): "; write the title, the question and the design under it",
    ("measures",): "; give each measure a heading of its own, such as [measures.straight_leg_raise]",
}
Details = Mapping[str, Any]


def problems_in_parts(error: ValidationError) -> list[Problem]:
    """One problem for each thing that the schema refuses; a measure that lacks several fields is told once."""
    found: list[Problem] = []
    lacking: dict[Place, list[str]] = {}
    for details in error.errors(include_url=False):
        place: Place = tuple(details["loc"])
        if details["type"] == "missing" and len(place) == 3 and place[0] == "measures":
            lacking.setdefault(place[:2], []).append(str(place[2]))
        else:
            found.append(_problem(place, details))
    return [*found, *(_unfinished_measure(place, fields) for place, fields in lacking.items())]


def declared_at(place: Place) -> object:
    """What the protocol expects at a place: a model, a type, or None when it knows no such place."""
    about_key = bool(place) and place[-1] == _KEY_OF_TABLE
    expected: object = Protocol
    for step in place[:-2] if about_key else place:
        expected = _inside(_bare(expected), step)
    expected = _bare(expected)
    return _bare(get_args(expected)[0]) if about_key else expected


def known_keys(place: Place) -> tuple[str, ...]:
    """Keys that the protocol knows at a place; empty where keys are free or the place is no table."""
    expected = declared_at(place)
    return tuple(expected.model_fields) if isinstance(expected, type) and issubclass(expected, BaseModel) else ()


def _problem(place: Place, details: Details) -> Problem:
    if place and place[-1] == _KEY_OF_TABLE:
        return Problem(place[:-1], _refused_key(place))
    kind = details["type"]
    if kind == "extra_forbidden":
        return Problem(place, _unknown_key(place))
    if kind == "missing":
        return Problem(place, f"{_missing_name(place)} is missing{_HELP.get(place, '')}.")
    if kind == "value_error":
        return Problem(place, f"{_owner(place)}: {details['ctx']['error']}.")
    value = shown(details["input"])
    return Problem(place, f"{named(place)} is {value}; it {_demand(place, kind, details.get('ctx', {}))}.")


def _demand(place: Place, kind: str, limits: Details) -> str:
    """What is asked of the value, as the end of a sentence that begins with "it"."""
    if kind == "literal_error":
        return f"must be one of {listed(_choices(declared_at(place)), joined_by='or')}"
    demand = _DEMANDS.get(kind)
    return demand(limits) if demand else "cannot be used here"


_DEMANDS: Final[dict[str, Callable[[Details], str]]] = {
    "string_type": lambda _: "must be text between straight quotation marks",
    "string_unicode": lambda _: "holds a sign that is no character",
    "string_too_short": lambda _: "must not be empty",
    "string_too_long": lambda limits: f"may have at most {limits['max_length']} characters",
    "string_pattern_mismatch": lambda _: f"cannot be used as a code: {_WORD_RULE}",
    "float_type": lambda _: "must be a number without quotation marks",
    "int_type": lambda _: "must be a whole number without quotation marks",
    "int_from_float": lambda _: "must be a whole number",
    "bool_type": lambda _: "must be true or false, without quotation marks",
    "finite_number": lambda _: "must be an ordinary number",
    "greater_than": lambda limits: f"must be more than {limits['gt']:g}",
    "greater_than_equal": lambda limits: f"must be {limits['ge']:g} or more",
    "less_than": lambda limits: f"must be less than {limits['lt']:g}",
    "less_than_equal": lambda limits: f"must be {limits['le']:g} or less",
    "too_short": lambda limits: f"must have at least {counted(limits['min_length'], 'entry', 'entries')}",
    "too_long": lambda limits: f"may have at most {limits['max_length']} entries",
    "model_type": lambda _: "must be a table of its own",
    "dict_type": lambda _: "must be a table of its own",
    "tuple_type": lambda _: "must be a list in square brackets",
}


def _missing_name(place: Place) -> str:
    return table_named(place) if len(place) > 1 and _is_model(declared_at(place)) else named(place)


def _owner(place: Place) -> str:
    return named(place) if place and not _is_model(declared_at(place)) else table_named(place)


def _refused_key(place: Place) -> str:
    *outer, key, _ = place
    allowed = _choices(declared_at(place))
    start = f"{quoted(str(key))} in {table_named(tuple(outer))}"
    if allowed:
        close = close_to(str(key), allowed)
        hint = f"; did you mean {quoted(close)}?" if close else f"; allowed are {listed(allowed)}."
        return f"{start} is not a table of the kit{hint}"
    return f"{start} cannot be used as a code: {_WORD_RULE}."


def _unknown_key(place: Place) -> str:
    *outer, key = place
    around = tuple(outer)
    known = known_keys(around)
    start = f"{named(place)} is not a key that the protocol knows"
    close = close_to(str(key), known)
    if close is not None and close != key:
        return f"{start}; did you mean {quoted(close)}?"
    home = next(_homes(str(key), around), None)
    if home is not None:
        return f"{start}; it belongs {home}."
    return f"{start}; {known_words(known)}."


def _homes(key: str, around: Place) -> Iterator[str]:
    """Where a key that stands in the wrong table would be right."""
    if around and key in Protocol.model_fields:
        yield "at the top of the file, above the first [table], or under a heading of its own"
    for part in ("study", "reliability", "privacy", "intake"):
        if around != (part,) and key in known_keys((part,)):
            yield f"in [{part}]"


def _unfinished_measure(place: Place, fields: list[str]) -> Problem:
    key = str(place[1])
    close = close_to(key, shipped_measures())
    hint = f"; did you mean {quoted(close)}? A" if close else ". A"
    every = len(fields) == sum(field.is_required() for field in Measure.model_fields.values())
    lacks = (
        f"measure of your own needs {listed(fields)}" if every else f"measure of your own also needs {listed(fields)}"
    )
    return Problem(place, f"{table_named(place)} is not in the catalogue of measures{hint} {lacks}.")


def _is_model(expected: object) -> bool:
    return isinstance(expected, type) and issubclass(expected, BaseModel)


def _bare(expected: object) -> object:
    """A type without its constraints and without "or nothing"."""
    while True:
        origin = get_origin(expected)
        if hasattr(expected, "__metadata__"):
            expected = get_args(expected)[0]
        elif origin is Union or origin is types.UnionType:
            expected = next(part for part in get_args(expected) if part is not type(None))
        else:
            return expected


def _inside(expected: object, step: str | int) -> object:
    if isinstance(expected, type) and issubclass(expected, BaseModel):
        found = expected.model_fields.get(str(step))
        return found.annotation if found else None
    if get_origin(expected) is dict:
        return get_args(expected)[1]
    if get_origin(expected) is tuple:
        return get_args(expected)[0]
    return None


def _choices(expected: object) -> tuple[str, ...]:
    return tuple(str(word) for word in get_args(expected)) if get_origin(expected) is Literal else ()
