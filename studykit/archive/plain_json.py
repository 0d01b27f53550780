"""JSON from a stranger: bounded in size and depth, every key once, every number finite."""

from __future__ import annotations

import json
import math
import re
from typing import Any, Final

from studykit.errors import DataError

MOST_BYTES: Final = 20_000_000
DEEPEST: Final = 20
_STRING_OR_BRACKET = re.compile(r'"(?:[^"\\]|\\.)*+(?:"|\\?\Z)|[\[\]{}]', re.DOTALL)
"""A string that never ends is taken to the end of the text, so that no text takes more than one pass."""


def read_json(content: bytes, *, name: str) -> dict[str, Any]:
    """The object in a JSON text.

    Raises:
        DataError: the text is too large, too deep, no JSON, no object at its top, or holds NaN, an infinite number or
            a key twice.
    """
    if len(content) > MOST_BYTES:
        raise _refused(name, f"it has more than {MOST_BYTES:,} bytes")
    try:
        text = content.decode()
        if _depth(text) > DEEPEST:
            raise _refused(name, f"its parts lie more than {DEEPEST} deep inside each other")
        document = json.loads(
            text, object_pairs_hook=_each_once, parse_constant=_no_constant, parse_float=_finite, parse_int=_short
        )
    except UnicodeDecodeError:
        raise _refused(name, "it is not UTF-8 text") from None
    except _NotPlainError as trouble:
        raise _refused(name, str(trouble)) from None
    except (ValueError, RecursionError):
        raise _refused(name, "it is no JSON") from None
    if not isinstance(document, dict):
        raise _refused(name, "it does not hold an object")
    return document


class _NotPlainError(ValueError):
    """JSON that the standard reader takes and this one does not."""


def _depth(text: str) -> int:
    deep = deepest = 0
    for found in _STRING_OR_BRACKET.finditer(text):
        if found.group() in "[{":
            deep += 1
            deepest = max(deepest, deep)
        elif found.group() in "]}":
            deep -= 1
    return deepest


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    document = dict(pairs)
    if len(document) < len(pairs):
        raise _NotPlainError("a key stands twice in one object")
    return document


def _no_constant(word: str) -> float:
    raise _NotPlainError(f"it holds {word}, which is no number")


def _finite(word: str) -> float:
    value = float(word)
    if not math.isfinite(value):
        raise _NotPlainError("it holds a number that is too large")
    return value


def _short(word: str) -> int:
    if len(word) > 18:
        raise _NotPlainError("it holds a whole number of more than 18 digits")
    return int(word)


def _refused(name: str, reason: str) -> DataError:
    return DataError(f"{name} in the seal is refused: {reason}.")
