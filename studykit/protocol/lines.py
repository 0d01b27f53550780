"""Where in a TOML text does a value stand? Line numbers for messages about study.toml.

The standard parser gives values without their lines. This scanner walks once over the text, in linear time, and notes
the line of every table, key and list item. It trusts the parser for meaning: on text that is not TOML it gives the
best line that it has and never raises.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

Place = tuple[str | int, ...]
"""A place in the content: keys of tables and positions in lists, from the outside in, such as ("visits", 0, "week")."""

DEEPEST: Final = 16
"""Tables, lists and dotted keys may lie this deep inside each other; a protocol needs six."""

MOST_PLACES: Final = 20_000
"""Tables, keys and list items of one text; a protocol has a few hundred."""

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BLANKS = re.compile(r"[ \t]*")
_VALUE_END = re.compile(r"[,\]}\n#]")
_ESCAPE = re.compile(r"\\(?:u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8})|([btnfr\"\\]))")
_ESCAPED: Final = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}


@dataclass(frozen=True, slots=True)
class LineIndex:
    """Lines of the places of one text.

    Attributes:
        lines: line of the first mention of a place, counted from 1.
        last: the last line that is not empty; the answer for what the text does not have at all.
        too_deep: first line on which something lies deeper than `DEEPEST`, or None; the scan ends there.
        too_many: the line on which the text has more than `MOST_PLACES` places, or None; the scan ends there.
    """

    lines: dict[Place, int]
    last: int
    too_deep: int | None
    too_many: int | None

    def line(self, place: Sequence[str | int]) -> int:
        """Line of a place, or of the nearest thing around it that the text has."""
        wanted = tuple(place)
        while wanted:
            if wanted in self.lines:
                return self.lines[wanted]
            wanted = wanted[:-1]
        return self.last

    def has(self, place: Sequence[str | int]) -> bool:
        """True when the text mentions this very place."""
        return tuple(place) in self.lines


def line_index(text: str) -> LineIndex:
    """Scan a TOML text; see `LineIndex`."""
    scan = _Scan(text.replace("\r\n", "\n"))
    scan.document()
    last = text.rstrip().count("\n") + 1
    return LineIndex(scan.lines, last, scan.too_deep, scan.too_many)


class _TooDeepError(Exception):
    """Ends the scan from inside nested values."""


class _TooManyError(Exception):
    """Ends the scan of a text that is no protocol."""


@dataclass(slots=True)
class _Scan:
    """The walk over one text: `at` only ever grows."""

    text: str
    at: int = 0
    line: int = 1
    lines: dict[Place, int] = field(default_factory=dict)
    items: dict[Place, int] = field(default_factory=dict)
    too_deep: int | None = None
    too_many: int | None = None

    def document(self) -> None:
        """Headers and statements to the end of the text."""
        table: Place = ()
        try:
            while self.at < len(self.text):
                self._skip_empty()
                if self._sees("[["):
                    table = self._header(list_item=True)
                elif self._sees("["):
                    table = self._header(list_item=False)
                elif self.at < len(self.text):
                    self._statement(table)
                self._to_line_end()
        except _TooDeepError:
            self.too_deep = self.line
        except _TooManyError:
            self.too_many = self.line

    def _header(self, *, list_item: bool) -> Place:
        self._go(2 if list_item else 1)
        *outer, name = self._dotted_key() or [""]
        around: Place = ()
        for part in outer:
            self._note((*around, part))
            around = self._current((*around, part))
            self._note(around)
        place: Place = (*around, name)
        if list_item:
            self._note(place)
            self.items[place] = self.items.get(place, -1) + 1
        place = self._current(place)
        self._note(place)
        self._skip_blanks()
        while self._sees("]"):
            self._go(1)
        return place

    def _current(self, place: Place) -> Place:
        """The item that is being written, when the place is a list of tables."""
        return (*place, self.items[place]) if place in self.items else place

    def _statement(self, table: Place) -> None:
        keys = self._dotted_key()
        if not keys:
            return
        place = (*table, *keys)
        for length in range(len(table) + 1, len(place) + 1):
            self._note(place[:length])
        self._skip_blanks()
        if self._sees("="):
            self._go(1)
            self._value(place)

    def _value(self, place: Place) -> None:
        if len(place) > DEEPEST:
            raise _TooDeepError
        self._skip_blanks()
        if self._sees("["):
            self._list(place)
        elif self._sees("{"):
            self._inline_table(place)
        elif self._sees('"') or self._sees("'"):
            self._string()
        else:
            end = _VALUE_END.search(self.text, self.at)
            self._go((end.start() if end else len(self.text)) - self.at)

    def _list(self, place: Place) -> None:
        self._go(1)
        position = 0
        while self.at < len(self.text):
            self._skip_empty()
            if self._sees("]"):
                self._go(1)
                return
            before = self.at
            self._note((*place, position))
            self._value((*place, position))
            self._skip_empty()
            if self._sees(","):
                self._go(1)
                position += 1
            elif self.at == before:
                return

    def _inline_table(self, place: Place) -> None:
        self._go(1)
        while self.at < len(self.text):
            self._skip_empty()
            if self._sees("}"):
                self._go(1)
                return
            before = self.at
            self._statement(place)
            self._skip_empty()
            if self._sees(","):
                self._go(1)
            elif self.at == before:
                return

    def _dotted_key(self) -> list[str]:
        parts: list[str] = []
        while True:
            self._skip_blanks()
            if self._sees('"') or self._sees("'"):
                parts.append(self._string())
            else:
                bare = _BARE_KEY.match(self.text, self.at)
                if bare is None:
                    return parts
                self._go(len(bare.group()))
                parts.append(bare.group())
            if len(parts) > DEEPEST:
                raise _TooDeepError
            self._skip_blanks()
            if not self._sees("."):
                return parts
            self._go(1)

    def _string(self) -> str:
        quote = self.text[self.at]
        fence = quote * 3 if self._sees(quote * 3) else quote
        start = self.at + len(fence)
        end = self._end_of_string(start, fence)
        content = self.text[start:end]
        self._go(end + len(fence) - self.at)
        return _ESCAPE.sub(_unescaped, content) if quote == '"' else content

    def _end_of_string(self, start: int, fence: str) -> int:
        """Where the closing fence stands; a one-line string without one ends at the line."""
        stop = len(self.text)
        if len(fence) == 1:
            newline = self.text.find("\n", start)
            stop = stop if newline < 0 else newline
        at = start
        while at < stop:
            if fence[0] == '"' and self.text[at] == "\\":
                at += 2
            elif self.text.startswith(fence, at):
                while len(fence) == 3 and self.text.startswith(fence, at + 1):
                    at += 1
                return at
            else:
                at += 1
        return stop

    def _note(self, place: Place) -> None:
        if len(place) > DEEPEST:
            raise _TooDeepError
        self.lines.setdefault(place, self.line)
        if len(self.lines) > MOST_PLACES:
            raise _TooManyError

    def _sees(self, sign: str) -> bool:
        return self.text.startswith(sign, self.at)

    def _go(self, count: int) -> None:
        stop = min(self.at + max(count, 0), len(self.text))
        self.line += self.text.count("\n", self.at, stop)
        self.at = stop

    def _skip_blanks(self) -> None:
        blanks = _BLANKS.match(self.text, self.at)
        self._go(len(blanks.group()) if blanks else 0)

    def _skip_empty(self) -> None:
        """Over blanks, line ends and comments."""
        while self.at < len(self.text):
            self._skip_blanks()
            if self._sees("\n"):
                self._go(1)
            elif self._sees("#"):
                newline = self.text.find("\n", self.at)
                self._go((newline if newline >= 0 else len(self.text)) - self.at)
            else:
                return

    def _to_line_end(self) -> None:
        newline = self.text.find("\n", self.at)
        self._go((newline + 1 if newline >= 0 else len(self.text)) - self.at)


def _unescaped(found: re.Match[str]) -> str:
    code = found.group(1) or found.group(2)
    if code is None:
        return _ESCAPED[found.group(3)]
    number = int(code, 16)
    return chr(number) if number <= 0x10FFFF else found.group()
