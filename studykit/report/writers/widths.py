"""How wide the columns of a printed table are: shares of a line, from the words that stand in them."""

from __future__ import annotations

from studykit.table import Table

_PADDING = 2
"""Letters of white beside each column."""


def shares(table: Table, *, line: int) -> tuple[float, ...]:
    """Share of a line that each column takes; the shares add up to 1 at most.

    Every column gets the room of its longest word; what is left goes to the columns whose text would have to be
    broken. A table that is narrower than the line keeps its own width.

    Args:
        table: the table.
        line: letters that fit on the line.
    """
    texts = list(zip(*[[column.heading for column in table.columns], *table.rows], strict=True))
    whole = [max(len(text) for text in column) + _PADDING for column in texts]
    least = [max(_longest_word(text) for text in column) + _PADDING for column in texts]
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
    texts = zip(*[[column.heading for column in table.columns], *table.rows], strict=True)
    return sum(max(_longest_word(text) for text in column) + _PADDING for column in texts) / line


def _longest_word(text: str) -> int:
    return max((len(word) for word in text.replace("\N{EN DASH}", " ").split(" ")), default=0)
