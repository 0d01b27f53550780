"""Rows that are left out because the protocol says so, each with its line in the log."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from studykit.data.intake.import_log import log_lines, one_log
from studykit.data.intake.words import tidied
from studykit.data.reading.sheet import Sheet
from studykit.protocol.intake_model import TableIntake


@dataclass(frozen=True, slots=True)
class Rest:
    """What is left of a sheet, and what was left out."""

    sheet: Sheet
    marked_rows: int
    hidden_rows: int
    log: pd.DataFrame


def leave_out(table: str, sheet: Sheet, declared: TableIntake, read_hidden: str) -> Rest:
    """Leave out rows that are declared to be no data and, where declared, hidden rows; blank rows are logged too."""
    first = sheet.headings[0]
    marked = np.zeros(len(sheet), dtype=bool)
    if declared.ignore_rows_with and len(sheet):
        marked = sheet.cells[0].map(tidied).isin(declared.ignore_rows_with).to_numpy(dtype=bool)
    hidden = np.zeros(len(sheet), dtype=bool)
    if read_hidden == "leave out" and sheet.hidden_rows is not None:
        hidden = sheet.hidden_rows & ~marked
    cells = sheet.cells[0]
    logs = [
        log_lines(table, sheet, sheet.blank, heading="", before="", after="", why="row left out: it holds nothing"),
        log_lines(
            table,
            sheet,
            sheet.rows[marked],
            heading=first,
            before=cells[marked],
            after="",
            why="row left out: the protocol declares this word to mark a row without data",
        ),
        log_lines(
            table,
            sheet,
            sheet.rows[hidden],
            heading=first,
            before=cells[hidden],
            after="",
            why="row left out: it is hidden, and the protocol leaves hidden rows out",
        ),
    ]
    return Rest(sheet.kept(~(marked | hidden)), int(marked.sum()), int(hidden.sum()), one_log(logs))
