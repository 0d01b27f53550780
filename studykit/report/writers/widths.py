"""How wide the columns of a printed table are: shares of a line, from the words that stand in them."""

from __future__ import annotations

from typing import Final

from studykit.table import Table

_PADDING = 2
"""Letters of white beside each column."""
_BOLD: Final = 1.2
"""Width of a bold letter over that of a plain one."""
_PROSE: Final = 70
"""Letters beyond which a text is prose: it is broken anyway, and more of it asks for no wider column."""
_LONGEST_WHOLE_WORD: Final = 30
"""A longer word, such as a hash, may be broken."""


def shares(table: Table, *, line: int) -> tuple[float, ...]:
    """Share of a line that each column takes; the shares add up to 1 at most.

    Every column gets the room of its longest word; what is left goes to the columns whose text would have to be
    broken. A table that is narrower than the line keeps its own width.

    Args:
        table: the table.
        line: letters that fit on the line.
    """
    columns = _texts(table)
    least = _least(columns)
    whole = [
        max(word, min(_PROSE, max(len(text) for text in column)) + _PADDING)
        for word, column in zip(least, columns, strict=True)
    ]
    if sum(whole) <= line:
        return tuple(width / line for width in whole)
    if sum(least) >= line:
        return tuple(width / sum(least) for width in least)
    left, wanted = line - sum(least), [full - word for full, word in zip(whole, least, strict=True)]
    spread = [want**0.5 for want in wanted]
    given = [min(want, left * part / sum(spread)) for want, part in zip(wanted, spread, strict=True)]
    over = left - sum(given)
    greedy = sum(want - got for want, got in zip(wanted, given, strict=True))
    final = [
        word + got + (over * (want - got) / greedy if greedy > 0 else 0.0)
        for word, got, want in zip(least, given, wanted, strict=True)
    ]
    return tuple(width / line for width in final)


def crowding(table: Table, *, line: int) -> float:
    """Letters that the longest words need over the letters that the line has; above 1 the type must be smaller."""
    return sum(_least(_texts(table))) / line


def _texts(table: Table) -> list[list[str]]:
    """Column by column: heading, then cells."""
    return [[column.heading, *(row[place] for row in table.rows)] for place, column in enumerate(table.columns)]


def _least(columns: list[list[str]]) -> list[float]:
    """The room of the longest word of each column; headings are bold and therefore wider."""
    return [
        max(_BOLD * _longest_word(heading), *(_longest_word(cell) for cell in cells), 0) + _PADDING
        for heading, *cells in columns
    ]


def _longest_word(text: str) -> int:
    longest = max((len(word) for word in text.replace("\N{EN DASH}", " ").split(" ")), default=0)
    return min(longest, _LONGEST_WHOLE_WORD)
