"""Two results documents, number by number."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Final

import pandas as pd

from studykit.errors import DataError

RELATIVE_TOLERANCE: Final = 1e-6
ABSOLUTE_TOLERANCE: Final = 1e-9
WHY_THIS_TOLERANCE: Final = (
    "Two numbers agree when they differ by less than one part in a million, or by less than 1e-9. Closed formulas give "
    "the same digits everywhere to about 1e-12; estimates that are found by a search (mixed models, intervals of "
    "profiles) stop at slightly different places under another release of a library, at about 1e-8. One part in a "
    "million of 50 degrees is far below what any goniometer shows."
)
MOST_DIGITS: Final = 17

SAME: Final = "same"
AGREES: Final = "agrees"
DIFFERS: Final = "differs"
ONLY_SEALED: Final = "only in the seal"
ONLY_NOW: Final = "only computed now"
GOOD: Final = (SAME, AGREES)


def compared(sealed: dict[str, Any], recomputed: dict[str, Any]) -> pd.DataFrame:
    """Every number of two results documents side by side.

    Returns:
        `key` ("answers.<answer>.<number>" or "rows.<table>.<kind>"), `sealed`, `recomputed` (nan where a number could
        not be estimated or is absent), `digits_in_common` (0 to 17; missing where one is absent), `verdict` (same,
        agrees, differs, only in the seal, only computed now), in the order of the seal.

    Raises:
        DataError: the sealed document does not have the form of results.json.
    """
    before, now = numbers_of(sealed), numbers_of(recomputed)
    keys = [*before, *(key for key in now if key not in before)]
    rows = [(key, *_pair(before, now, key)) for key in keys]
    frame = pd.DataFrame(rows, columns=["key", "sealed", "recomputed", "digits_in_common", "verdict"])
    types = {"key": "str", "sealed": "float64", "recomputed": "float64", "digits_in_common": "Int64", "verdict": "str"}
    return frame.astype(types)


def numbers_of(document: dict[str, Any]) -> dict[str, float]:
    """Full key -> number of a results document; nan for null.

    Raises:
        DataError: the document does not have the form of results.json.
    """
    try:
        found = {
            f"answers.{key}.{name}": _number(value)
            for key, entry in document["answers"].items()
            for name, value in entry["numbers"].items()
        }
        rows = {
            f"rows.{table}.{kind}": _number(value)
            for table, counts in document["rows"].items()
            for kind, value in counts.items()
        }
        document["provenance"].keys()
    except (KeyError, TypeError, AttributeError, ValueError, OverflowError):
        raise DataError("results.json in the seal does not have the form in which the kit writes results.") from None
    return {**found, **rows}


def parts_of(sealed: dict[str, Any], recomputed: dict[str, Any]) -> tuple[str, ...]:
    """Beginnings of keys that belong together: one for each answer of either document, then one for the rows."""
    answers = dict.fromkeys([*sealed["answers"], *recomputed["answers"]])
    return (*(f"answers.{key}" for key in answers), "rows")


def words_that_differ(sealed: dict[str, Any], recomputed: dict[str, Any]) -> list[str]:
    """Places of a results document where something other than a number differs, such as a headline."""
    return [*_differences("", _without_numbers(sealed), _without_numbers(recomputed))]


def digits_in_common(one: float, other: float) -> int:
    """Leading significant digits in which two numbers agree: 17 when equal, 0 when nothing agrees."""
    if one == other:
        return MOST_DIGITS
    larger = max(abs(one), abs(other))
    apart = abs(one - other)
    if not (math.isfinite(larger) and math.isfinite(apart)) or apart >= larger:
        return 0
    return min(MOST_DIGITS - 1, math.floor(-math.log10(apart / larger)))


def _pair(before: dict[str, float], now: dict[str, float], key: str) -> tuple[float, float, int | None, str]:
    if key not in now:
        return before[key], math.nan, None, ONLY_SEALED
    if key not in before:
        return math.nan, now[key], None, ONLY_NOW
    one, other = before[key], now[key]
    if math.isnan(one) or math.isnan(other):
        both = math.isnan(one) and math.isnan(other)
        return one, other, MOST_DIGITS if both else 0, SAME if both else DIFFERS
    digits = digits_in_common(one, other)
    if one == other:
        return one, other, digits, SAME
    close = math.isclose(one, other, rel_tol=RELATIVE_TOLERANCE, abs_tol=ABSOLUTE_TOLERANCE)
    return one, other, digits, AGREES if close else DIFFERS


def _number(value: object) -> float:
    if value is None:
        return math.nan
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise TypeError("no number")
    return float(value)


_OWN_OF_A_RUN: Final = frozenset({"numbers", "rows", "versions"})


def _without_numbers(value: Any) -> Any:
    """The document without its numbers and without versions, which may differ between two installations."""
    if isinstance(value, dict):
        return {key: _without_numbers(entry) for key, entry in value.items() if key not in _OWN_OF_A_RUN}
    return value


def _differences(place: str, one: Any, other: Any) -> Iterator[str]:
    if isinstance(one, dict) and isinstance(other, dict):
        for key in [*one, *(key for key in other if key not in one)]:
            inner = f"{place}.{key}" if place else str(key)
            if key in one and key in other:
                yield from _differences(inner, one[key], other[key])
            else:
                yield inner
    elif one != other:
        yield place
