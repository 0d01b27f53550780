"""One sheet becomes one table: columns are converted in the sheet, then a wide sheet becomes long."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from studykit.data.intake.converting import DTYPES
from studykit.data.intake.gathered import RowCount
from studykit.data.intake.headings import WIDE_COLUMNS, Matched
from studykit.data.intake.import_log import one_log
from studykit.data.intake.leaving_out import leave_out
from studykit.data.intake.row_findings import Spot, doubtful_identifiers, hidden_rows, refused_cells, uneven_rows
from studykit.data.intake.sheet_columns import SheetColumns, read_columns, sort_of
from studykit.data.reading.sheet import Sheet
from studykit.protocol import Protocol
from studykit.protocol.intake_model import TableIntake
from studykit.vocabulary import MEASUREMENTS


@dataclass(frozen=True, slots=True)
class Assembled:
    """One table as `Gathered` holds it: aligned frames, headings, log, findings and the count of rows."""

    frame: pd.DataFrame
    places: pd.DataFrame
    texts: pd.DataFrame
    headings: dict[str, str]
    log: pd.DataFrame
    findings: list[pd.DataFrame]
    count: RowCount


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the rows of the long table come from.

    Attributes:
        sheet_at: (m,) position in the sheet of each row of the table.
        reading_at: (m,) number of the column of readings of each row of the table.
        row_of: (n, w) position in the table of each cell of readings; -1 for an empty one in a wide sheet.
    """

    sheet_at: npt.NDArray[np.int64]
    reading_at: npt.NDArray[np.int64]
    row_of: npt.NDArray[np.int64]

    @property
    def one_to_one(self) -> bool:
        """True when each row of the sheet is a row of the table."""
        return self.row_of.shape[1] == 1 and len(self.sheet_at) == len(self.row_of)


def assemble(
    table: str, sheet: Sheet, matched: Matched, columns: tuple[str, ...], declared: TableIntake, protocol: Protocol
) -> Assembled:
    """The table that a sheet holds."""
    rest = leave_out(table, sheet, declared, protocol.intake.read_hidden)
    read = read_columns(table, rest.sheet, matched, declared, protocol)
    layout = _layout(rest.sheet, matched, read)
    frame = pd.DataFrame({name: _values(name, matched, read, layout, protocol) for name in columns})
    places = _places(table, rest.sheet, matched, layout)
    width = layout.row_of.shape[1]
    count = RowCount(
        sheet_rows=len(sheet) + len(sheet.blank),
        blank_rows=len(sheet.blank),
        marked_rows=rest.marked_rows,
        hidden_rows=rest.hidden_rows,
        cells_per_row=width,
        empty_cells=int((layout.row_of < 0).sum()),
        rows=len(frame),
    )
    spot = Spot(table, rest.sheet, places, layout.row_of)
    findings = [
        *read.findings,
        *uneven_rows(spot),
        *hidden_rows(spot, protocol.intake.read_hidden),
        *(refused_cells(spot, one) for one in read.each()),
        *(finding for one in read.shared.values() for finding in doubtful_identifiers(spot, one)),
    ]
    return Assembled(
        frame=frame,
        places=places,
        texts=pd.DataFrame({name: _texts(name, matched, read, layout) for name in columns}),
        headings={name: read.shared[name].heading if name in read.shared else _heading(name, read) for name in columns},
        log=one_log([rest.log, *read.log]),
        findings=findings,
        count=count,
    )


def _layout(sheet: Sheet, matched: Matched, read: SheetColumns) -> Layout:
    rows = np.arange(len(sheet), dtype=np.int64)
    if not matched.wide:
        return Layout(rows, np.zeros_like(rows), rows[:, None])
    if not read.values:
        return Layout(rows[:0], rows[:0], np.empty((len(sheet), 0), dtype=np.int64))
    held = ~np.column_stack([one.converted.empty for one in read.values])
    row_of = np.full(held.shape, -1, dtype=np.int64)
    row_of[held] = np.arange(int(held.sum()), dtype=np.int64)
    sheet_at, reading_at = np.nonzero(held)
    return Layout(sheet_at.astype(np.int64), reading_at.astype(np.int64), row_of)


def _values(name: str, matched: Matched, read: SheetColumns, layout: Layout, protocol: Protocol) -> pd.Series:
    """One column of the long table."""
    sort = sort_of(name, protocol)
    if name == "value" and read.values:
        return _by_reading([one.converted.values for one in read.values], layout)
    values = pd.Series(index=range(len(layout.sheet_at)), dtype=DTYPES[sort])
    if name in read.shared:
        values = _spread(read.shared[name].converted.values, layout)
    elif name in read.fixed:
        values = read.fixed[name].values.take(np.zeros(len(values), dtype=np.int64)).reset_index(drop=True)
    if matched.wide and name in WIDE_COLUMNS:
        for at, reading in enumerate(matched.readings):
            constant = getattr(reading.declared, name)
            if constant is not None:
                values[layout.reading_at == at] = constant
    if name == "measured_on":
        for one in read.dates.values():
            own = np.isin(layout.reading_at, one.readings or ())
            values[own] = one.converted.values.to_numpy()[layout.sheet_at[own]]
    return values


def _texts(name: str, matched: Matched, read: SheetColumns, layout: Layout) -> pd.Series:
    """The cells behind one column of the long table, as they were read."""
    if name == "value" and read.values:
        return _by_reading([one.cells for one in read.values], layout)
    texts = pd.Series("", index=range(len(layout.sheet_at)), dtype="str")
    if name in read.shared:
        texts = _spread(read.shared[name].cells, layout)
    elif name in matched.fixed:
        texts[:] = matched.fixed[name]
    if matched.wide and name in WIDE_COLUMNS:
        for at, reading in enumerate(matched.readings):
            constant = getattr(reading.declared, name)
            if constant is not None:
                texts[layout.reading_at == at] = str(constant)
    if name == "measured_on":
        for one in read.dates.values():
            own = np.isin(layout.reading_at, one.readings or ())
            texts[own] = one.cells.to_numpy(dtype=object)[layout.sheet_at[own]]
    return texts


def _by_reading(columns: list[pd.Series], layout: Layout) -> pd.Series:
    if layout.one_to_one:
        return columns[0]
    both = pd.concat(columns, ignore_index=True)
    return both.take(layout.reading_at * len(columns[0]) + layout.sheet_at).reset_index(drop=True)


def _spread(column: pd.Series, layout: Layout) -> pd.Series:
    return column if layout.one_to_one else column.take(layout.sheet_at).reset_index(drop=True)


def _heading(name: str, read: SheetColumns) -> str:
    """Heading of a column that belongs to readings when all share one, else the column's own name."""
    own = read.values if name == "value" else list(read.dates.values()) if name == "measured_on" else []
    return own[0].heading if len(own) == 1 else name


def _places(table: str, sheet: Sheet, matched: Matched, layout: Layout) -> pd.DataFrame:
    index = range(len(layout.sheet_at))
    places = pd.DataFrame(
        {
            "file": pd.Series(sheet.file, index=index, dtype="str"),
            "sheet": pd.Series(sheet.sheet, index=index, dtype="str"),
            "row": pd.Series(sheet.rows[layout.sheet_at], index=index, dtype="int64"),
        }
    )
    if table == MEASUREMENTS:
        headings = [sheet.headings[reading.number] for reading in matched.readings] or ["value"]
        places["value_heading"] = pd.Series(headings, dtype="str").take(layout.reading_at).reset_index(drop=True)
    return places
