"""What a check found, for an open notebook: rows used and set aside, every finding with its place, and every change.

A text that looks like a name, a date of birth or a number of a person is not repeated: an executed notebook is a file
that people hand on.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import Any

import pandas as pd

from studykit.data.checks.checked import Checked
from studykit.data.sharing.privacy import quotes_an_identifier
from studykit.display import in_notebook
from studykit.formatting import counted
from studykit.table import Column, Table
from studykit.vocabulary import ERROR, SUSPICION

MOST_LINES = 50
NOT_REPEATED = "(it looks like something of a person and is not repeated here)"


@dataclass(frozen=True, slots=True)
class Explained:
    """A check of a study in words.

    Attributes:
        headline: rows read, used and set aside, and how many findings.
        rows: one line a table; findings: one line a finding, at most `MOST_LINES`, or None; changes: one line for each
            kind of change that reading made, or None.
        next_step: what to do now.
    """

    headline: str
    rows: Table
    findings: Table | None
    changes: Table | None
    next_step: str

    def _repr_html_(self) -> str:
        tables = "".join(table.to_html() for table in (self.rows, self.findings, self.changes) if table is not None)
        now = f"<p><strong>Now.</strong> {escape(self.next_step)}</p>"
        return in_notebook(f'<p class="headline">{escape(self.headline)}</p>{tables}{now}')


def explain(checked: Checked) -> Explained:
    """Say what a check found, where, and what to do next."""
    used, aside = sum(checked.rows_used.values()), sum(checked.rows_set_aside.values())
    errors = int((checked.findings["severity"] == ERROR).sum())
    suspicions = int((checked.findings["severity"] == SUSPICION).sum())
    headline = (
        f"Rows read: {used + aside}; used: {used}, set aside: {aside}. "
        f"{counted(errors, 'error')}, {counted(suspicions, 'suspicion')}."
    )
    return Explained(
        headline, _rows(checked), _findings(checked.findings), _changes(checked.log), _next(checked, errors)
    )


def _rows(checked: Checked) -> Table:
    lines = tuple(
        (table, str(checked.rows_in[table]), str(checked.rows_used[table]), str(checked.rows_set_aside[table]))
        for table in checked.rows_in
        if checked.rows_in[table]
    )
    columns = (Column("Table", "left"), Column("Rows read"), Column("Used"), Column("Set aside"))
    return Table("rows_used", "Rows of each table", columns, lines, ("Rows read = used + set aside, on every run.",))


def _findings(findings: pd.DataFrame) -> Table | None:
    if findings.empty:
        return None
    lines = tuple(
        (_place(line), str(line.severity), _told(str(line.message)), _told(str(line.what_to_do)))
        for line in findings.head(MOST_LINES).itertuples()
    )
    columns = tuple(Column(heading, "left") for heading in ("Where", "Kind", "What", "What to do"))
    more = len(findings) - len(lines)
    notes = ["An error sets its row aside until it is mended. A suspicion removes nothing: somebody should look."]
    if more:
        notes.append(f"{counted(more, 'further finding')} in results/findings.csv, which 'studykit check' writes.")
    return Table("findings", "What the check found", columns, lines, tuple(notes))


def _changes(log: pd.DataFrame) -> Table | None:
    if log.empty:
        return None
    kinds = log.groupby(["table", "why"], sort=False).size()
    lines = tuple((f"{table}: {why}", str(count)) for (table, why), count in kinds.items())
    columns = (Column("Change on the way in", "left"), Column("Cells or rows"))
    return Table("changes", "What reading changed", columns, lines, ("Each one stands in results/import_log.csv.",))


def _next(checked: Checked, errors: int) -> str:
    if checked.study is None:
        return "Mend what keeps the study from being read, then run this notebook again."
    if errors:
        return "Mend the cells in the sheet itself, save it, and run this notebook again; or go on without those rows."
    if not checked.findings.empty:
        return "Look at each suspicion with the person who made the entry; then go on."
    return "Nothing stands in the way of the answers."


def _place(line: Any) -> str:
    parts = [f"{line.file}, sheet {line.sheet}" if line.sheet else line.file or f"table {line.table}"]
    if not pd.isna(line.row):
        parts.append(f"row {line.row}")
    if line.column:
        parts.append(f"column {line.column}")
    return ", ".join(parts)


def _told(text: str) -> str:
    return NOT_REPEATED if quotes_an_identifier(text) else text
