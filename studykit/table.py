"""One immutable table value: headings, rows of ready text, notes. Writers for other formats live in `report`."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import Literal

from studykit.errors import CallError

Align = Literal["left", "right"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table: its heading and the side to which its cells are set."""

    heading: str
    align: Align = "right"


@dataclass(frozen=True, slots=True)
class Table:
    """A table ready for print. The first column names the rows.

    Attributes:
        key: stable name, also the stem of the file it is written to.
        title: what the table shows, with the unit.
        columns: headings, left to right.
        rows: cells as text, already rounded by `formatting`; each row as long as `columns`.
        notes: lines below the table.
    """

    key: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for position, row in enumerate(self.rows):
            if len(row) != len(self.columns):
                raise CallError(
                    f"Row {position + 1} of table {self.key!r} has {len(row)} cells; it needs {len(self.columns)}."
                )

    def to_html(self) -> str:
        """The table as an HTML fragment with caption, column scopes and row scopes."""
        head = "".join(f'<th scope="col" class="{c.align}">{escape(c.heading)}</th>' for c in self.columns)
        body = "".join(f"<tr>{self._row_html(row)}</tr>" for row in self.rows)
        notes = "".join(f'<p class="note">{escape(note)}</p>' for note in self.notes)
        return (
            f'<div class="sk-table" tabindex="0" role="group" aria-label="{escape(self.title)}"><table>'
            f"<caption>{escape(self.title)}</caption>"
            f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>{notes}"
        )

    def _row_html(self, row: tuple[str, ...]) -> str:
        cells = [f'<th scope="row" class="{self.columns[0].align}">{escape(row[0])}</th>']
        cells += [
            f'<td class="{column.align}">{escape(cell)}</td>'
            for column, cell in zip(self.columns[1:], row[1:], strict=True)
        ]
        return "".join(cells)
