"""TOML text -> plain content, or one sentence with the line at which the text stops being TOML."""

from __future__ import annotations

import re
import tomllib
from typing import Any, Final

from studykit.errors import ProtocolError
from studykit.protocol.lines import DEEPEST, MOST_PLACES, LineIndex, line_index
from studykit.protocol.problems import quoted

MOST_BYTES: Final = 1_000_000
"""A protocol is a page or two; a text longer than this is refused before it is read."""

_PLACE = re.compile(r"^(.*) \(at (?:line (\d+), column (\d+)|end of document)\)$", re.DOTALL)
_CURLY = re.compile("[“”„‘’‚«»]")
_DECIMAL_COMMA = re.compile(r"=\s*[+-]?\d+,\d")
_UNQUOTED = re.compile(r"=\s*([^\W\d][^\"'#\[\]{}]*)$")
_PLAIN_WORDS: Final = (
    ("Cannot overwrite a value", "the key on this line was already given above; keep one of the two"),
    ("Cannot declare", "this heading, or one around it, was already written above; put both parts under one heading"),
    ("Cannot mutate", "this adds to something that is already complete above; write both parts together"),
    ("Cannot redefine", "this heading or key was already written above; put both parts together"),
    ("Duplicate inline table key", "a key stands twice between these curly brackets; keep one"),
    ("Unclosed array", "a list that begins with [ has no closing ]"),
    ("Unclosed inline table", "a table that begins with { has no closing }"),
    ("Expected ']' at the end", "a heading that begins with [ must end with ]"),
    ("Expected ']]' at the end", "a heading that begins with [[ must end with ]]"),
    ("Expected '='", "a key must be followed by = and its value; a remark begins with #"),
    ("Invalid initial character for a key", "a key may hold only letters, digits, underscores and hyphens"),
    ("Invalid statement", "a line is a key = value, a [heading] or a remark that begins with #"),
    ("Expected newline", "there is something behind the value; write one key = value on a line"),
    ("Unterminated string", "a text has no closing quotation mark"),
    ("Unescaped", "a backslash \\ in a text must be doubled, or the text put between single quotation marks"),
    ("Escaped character", "a backslash code in this text is no character"),
    ("Invalid hex value", "a backslash code in this text is incomplete"),
    ("Invalid date", "this date or time does not exist"),
    ("Found invalid character", "there is a sign here that cannot stand in the file"),
    ("Illegal character", "there is a sign here that cannot stand in the file"),
    ("Invalid value", "the value cannot be read; text stands between straight quotation marks, numbers do not"),
    ("Expected", "a text or a remark is not closed"),
)


def too_long(name: str) -> str:
    """The sentence that refuses a text of more than `MOST_BYTES`."""
    return f"{name} is larger than {MOST_BYTES // 1000:,} kB; a protocol is a page or two of text."


def read_toml(text: str, *, name: str) -> tuple[dict[str, Any], LineIndex]:
    """Content of a TOML text and the lines of its places.

    Raises:
        ProtocolError: the text is too long, too deep or not TOML; one sentence with the line.
    """
    plain = text.removeprefix("\ufeff")
    if len(plain.encode("utf-8", "surrogatepass")) > MOST_BYTES:
        raise ProtocolError(too_long(name))
    index = line_index(plain)
    if index.too_deep is not None:
        raise ProtocolError(
            _refusal(name, index.too_deep, f"tables or lists lie more than {DEEPEST} deep inside each other")
        )
    if index.too_many is not None:
        raise ProtocolError(
            _refusal(name, index.too_many, f"the text holds more than {MOST_PLACES:,} entries; a protocol has hundreds")
        )
    try:
        return tomllib.loads(plain), index
    except tomllib.TOMLDecodeError as error:
        raise ProtocolError(_told(name, plain, str(error), index.last)) from None
    except RecursionError:
        raise ProtocolError(_refusal(name, 1, "tables or lists lie too deep inside each other")) from None
    except ValueError:
        line = _line_of_longest_number(plain)
        raise ProtocolError(_refusal(name, line, "a number has too many digits to be read")) from None


def _told(name: str, text: str, message: str, last: int) -> str:
    found = _PLACE.match(message)
    reason, line_text = (found.group(1), found.group(2)) if found else (message, None)
    line = min(int(line_text), last) if line_text else last
    return _refusal(name, line, _sentence(reason, _line(text, line)))


def _sentence(reason: str, line: str) -> str:
    """The likeliest reason, seen from the line itself where a common slip is visible on it."""
    curly = _CURLY.search(line.partition("#")[0])
    if curly:
        return f"{quoted(curly.group())} is not a straight quotation mark; a word processor may have changed it"
    if _DECIMAL_COMMA.search(line):
        return "write a decimal point, not a decimal comma"
    unquoted = _UNQUOTED.search(line.rstrip())
    if unquoted and reason.startswith("Invalid value"):
        return f"text must stand between straight quotation marks: {quoted(unquoted.group(1).strip())}"
    return next((words for start, words in _PLAIN_WORDS if reason.startswith(start)), "this line cannot be read")


def _refusal(name: str, line: int, sentence: str) -> str:
    return f"{name} cannot be read:\nline {line}: {sentence}."


def _line(text: str, number: int) -> str:
    lines = text.split("\n")
    return lines[number - 1] if 0 < number <= len(lines) else ""


def _line_of_longest_number(text: str) -> int:
    longest = max(re.finditer(r"[0-9_]+", text), key=lambda found: len(found.group()), default=None)
    return 1 if longest is None else text.count("\n", 0, longest.start()) + 1
