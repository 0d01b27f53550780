"""A table as Markdown with pipes."""

from __future__ import annotations

import re
from typing import Final

from studykit.table import Table

_SPECIAL: Final = re.compile(r"([\\`*_\[\]|~])")
_OPENS_A_LINE: Final = re.compile(r"^(\s*)([#+\-=]|\d+[.)])")


def markdown_escaped(text: str) -> str:
    """Text in which no letter sets type, ends a cell or opens a tag."""
    plain = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace("\n", " ")
    return _SPECIAL.sub(r"\\\1", plain)


def markdown_table(table: Table) -> str:
    """The title in bold, the table, the notes as paragraphs below it."""
    rule = "|" + "|".join(":---" if column.align == "left" else "---:" for column in table.columns) + "|"
    lines = [f"**{markdown_escaped(table.title)}**", ""]
    lines += [_line([column.heading for column in table.columns]), rule, *[_line(list(row)) for row in table.rows]]
    for note in table.notes:
        lines += ["", _paragraph(note)]
    return "\n".join(lines) + "\n"


def _line(cells: list[str]) -> str:
    return "| " + " | ".join(markdown_escaped(cell) for cell in cells) + " |"


def _paragraph(text: str) -> str:
    """A line that begins no list and no heading."""
    return _OPENS_A_LINE.sub(lambda found: f"{found[1]}{found[2][:-1]}\\{found[2][-1]}", markdown_escaped(text))
