"""What the import hands on: seven typed tables, where each row came from, what was changed and what was refused."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from studykit.vocabulary import FINDING_COLUMNS


@dataclass(frozen=True, slots=True)
class RowCount:
    """How the rows of a sheet became the rows of a table; no row goes uncounted.

    Attributes:
        sheet_rows: rows below the headings, up to the last row that holds anything.
        blank_rows: rows between the others that hold nothing.
        marked_rows: rows that the protocol declares to be no data (`ignore_rows_with`), each in the log.
        hidden_rows: hidden rows that the protocol leaves out (`read_hidden = "leave out"`), each in the log.
        cells_per_row: 1, or the number of columns of readings of a wide sheet.
        empty_cells: empty cells in the columns of readings of a wide sheet: a reading that was not taken makes no row.
        rows: rows of the table.
    """

    sheet_rows: int = 0
    blank_rows: int = 0
    marked_rows: int = 0
    hidden_rows: int = 0
    cells_per_row: int = 1
    empty_cells: int = 0
    rows: int = 0

    @property
    def balanced(self) -> bool:
        """True when (sheet_rows - blank - marked - hidden) x cells_per_row = rows + empty_cells."""
        used = self.sheet_rows - self.blank_rows - self.marked_rows - self.hidden_rows
        return used * self.cells_per_row == self.rows + self.empty_cells


@dataclass(frozen=True, slots=True)
class Gathered:
    """All seven tables as they were read, before any rule of the study is checked.

    Attributes:
        tables: table name -> frame with exactly `vocabulary.COLUMNS` (participants: plus the declared covariates),
            empty when the study has no such table. Text is `str`, numbers float64, trial and repetitions Int64, yes/no
            boolean, dates datetime64[us] at midnight. A cell that is empty or could not be converted is missing.
        places: table name -> frame aligned by position: `file`, `sheet` ("" unless a workbook), `row` as the person
            sees it (the headings' row is counted), and for measurements `value_heading`, the heading of the column
            that holds the reading.
        headings: table name -> {column -> heading as the person sees it}, for every column; a column that is not in
            the sheet stands under its own name.
        texts: table name -> frame aligned by position: the cells as they were read, "" when empty.
        log: `vocabulary.LOG_COLUMNS`, one line for every cell that was changed.
        findings: `vocabulary.FINDING_COLUMNS` and `position`. In a wide sheet one cell (a name, a date) may belong to
            several rows of the long table: its finding then stands once for each, with its own position;
            `once_per_cell` leaves one line a cell for showing.
        present: tables for which a file or a sheet was found.
        counts: table name -> how the rows of the sheet became rows of the table.
    """

    tables: Mapping[str, pd.DataFrame]
    places: Mapping[str, pd.DataFrame]
    headings: Mapping[str, Mapping[str, str]]
    texts: Mapping[str, pd.DataFrame]
    log: pd.DataFrame
    findings: pd.DataFrame
    present: frozenset[str]
    counts: Mapping[str, RowCount]


def once_per_cell(findings: pd.DataFrame) -> pd.DataFrame:
    """One line a cell: repeated lines that differ in nothing but their position are left out."""
    return findings.drop_duplicates(subset=list(FINDING_COLUMNS), ignore_index=True)
