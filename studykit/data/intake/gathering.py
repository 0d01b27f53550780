"""The files of a study, read as the protocol declares them: nothing guessed, no change without a line in the log."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import get_args

import pandas as pd

from studykit.data.findings import found_in_file, joined
from studykit.data.intake.assembling import Assembled, assemble
from studykit.data.intake.converting import DTYPES
from studykit.data.intake.gathered import Gathered, RowCount, once_per_cell
from studykit.data.intake.headings import Matched, match_headings, unread_columns
from studykit.data.intake.hidden import check_hidden
from studykit.data.intake.import_log import one_log
from studykit.data.intake.sheet_columns import sort_of
from studykit.data.intake.unread import unread_files, unread_sheets
from studykit.data.reading.folder import Folder, Source
from studykit.data.reading.sheet import Sheet
from studykit.errors import DataError, FitError
from studykit.protocol import Protocol
from studykit.protocol.cells import table_columns
from studykit.protocol.intake_model import TableName
from studykit.vocabulary import ERROR, MEASUREMENTS, REQUIRED

__all__ = ["Gathered", "RowCount", "gather", "once_per_cell"]

_TABLES: tuple[TableName, ...] = get_args(TableName)


def gather(folder: Path, protocol: Protocol, *, progress: Callable[[str], None] | None = None) -> Gathered:
    """Read every table of a study from `folder`/data.

    A file that cannot be read, a heading that is missing, a cell that cannot be converted: each is a line of the
    findings, and the other files, columns and cells are read all the same.

    Args:
        folder: the study's folder; its files lie in the folder `data` inside.
        progress: called with one short sentence before each table.

    Raises:
        DataError: there is no folder `data`.
        FitError: a row of a sheet is neither in its table nor counted as left out, which is a fault of the kit.
    """
    if not (folder / "data").is_dir():
        raise DataError(f"There is no folder 'data' in {folder.resolve().name!r}; put the study's files there.")
    files = Folder(folder / "data", protocol.intake)
    work = _Work()
    sources = {table: source for table in _TABLES if (source := _source(table, files, work)) is not None}
    for table, source in sources.items():
        if progress is not None:
            progress(f"Reading {table} from {source.file}")
        _read_table(table, source, files, protocol, work)
    work.findings += _unread_columns(work, protocol)
    work.findings += unread_sheets(files, list(sources.values()))
    work.findings += unread_files(files, {source.file for source in sources.values()} | work.named_files)
    if MEASUREMENTS not in sources and MEASUREMENTS not in work.refused_tables:
        work.findings.append(_no_measurements())
    return _gathered(work, frozenset(sources), protocol)


@dataclass(slots=True)
class _Work:
    """What has been read so far."""

    tables: dict[str, Assembled] = field(default_factory=dict)
    matched: dict[str, tuple[Source, Sheet, Matched]] = field(default_factory=dict)
    findings: list[pd.DataFrame] = field(default_factory=list)
    named_files: set[str] = field(default_factory=set)
    refused_tables: set[str] = field(default_factory=set)
    said: set[str] = field(default_factory=set)

    def refuse(self, table: str, file: str, sheet: str, error: DataError) -> None:
        """Note a table that cannot be read; what holds for several tables is said once."""
        self.refused_tables.add(table)
        if str(error) in self.said:
            return
        self.said.add(str(error))
        self.findings.append(
            found_in_file(
                table=table,
                file=file,
                sheet=sheet,
                rule="unreadable",
                severity=ERROR,
                message=str(error),
                what_to_do="Correct the file or what the protocol declares about it, then check again.",
            )
        )


def _source(table: TableName, files: Folder, work: _Work) -> Source | None:
    declared = files.intake.table(table)
    file = declared.file or files.intake.workbook
    if file is not None:
        work.named_files.add(file)
    try:
        return files.source_of(table)
    except DataError as error:
        named = files.named_after(table)
        work.named_files.update(named)
        work.refuse(table, file or ", ".join(named), declared.sheet or "", error)
        return None


def _read_table(table: TableName, source: Source, files: Folder, protocol: Protocol, work: _Work) -> None:
    try:
        sheet = files.read(source)
    except DataError as error:
        work.refuse(table, source.file, source.sheet, error)
        return
    sheet, hidden = check_hidden(table, sheet, protocol.intake.read_hidden)
    declared = protocol.intake.table(table)
    columns = table_columns(table, protocol)
    matched = match_headings(table, sheet, declared, columns)
    assembled = assemble(table, sheet, matched, columns, declared, protocol)
    if not assembled.count.balanced:
        raise FitError(f"Rows of {table} went uncounted: {assembled.count}. This is a fault of the kit; report it.")
    work.matched[table] = (source, sheet, matched)
    work.tables[table] = assembled
    work.findings += [*hidden, *matched.findings, *assembled.findings]


def _unread_columns(work: _Work, protocol: Protocol) -> Iterator[pd.DataFrame]:
    """Columns that no table reads; a sheet that holds several tables is looked at once."""
    by_source: dict[Source, list[str]] = {}
    for table, (source, _, _) in work.matched.items():
        by_source.setdefault(source, []).append(table)
    for tables in by_source.values():
        claimed: set[int] = set()
        missing: list[str] = []
        absent: list[str] = []
        for table in tables:
            matched = work.matched[table][2]
            claimed |= matched.claimed
            free = [one for one in table_columns(table, protocol) if one not in {**matched.columns, **matched.fixed}]
            missing += [one for one in free if one in REQUIRED[table]]
            absent += [one for one in free if one not in REQUIRED[table]]
        sheet = work.matched[tables[0]][1]
        yield from unread_columns(tables[0], sheet, claimed=frozenset(claimed), missing=missing, absent=absent)


def _no_measurements() -> pd.DataFrame:
    return found_in_file(
        table=MEASUREMENTS,
        file="",
        rule="no_measurements",
        severity=ERROR,
        message="there is no file or sheet with measurements",
        what_to_do="Put measurements.csv or measurements.xlsx into data, or declare where they lie under [intake].",
    )


def _gathered(work: _Work, present: frozenset[str], protocol: Protocol) -> Gathered:
    whole = {table: work.tables.get(table) or _nothing(table, protocol) for table in _TABLES}
    return Gathered(
        tables={table: one.frame for table, one in whole.items()},
        places={table: one.places for table, one in whole.items()},
        headings={table: one.headings for table, one in whole.items()},
        texts={table: one.texts for table, one in whole.items()},
        log=one_log([one.log for one in whole.values()]),
        findings=joined(work.findings),
        present=present,
        counts={table: one.count for table, one in whole.items()},
    )


def _nothing(table: str, protocol: Protocol) -> Assembled:
    """A table that the study does not have."""
    columns = table_columns(table, protocol)
    places = {"file": "str", "sheet": "str", "row": "int64"} | (
        {"value_heading": "str"} if table == MEASUREMENTS else {}
    )
    return Assembled(
        frame=_no_rows(tuple((name, DTYPES[sort_of(name, protocol)]) for name in columns)).copy(),
        places=_no_rows(tuple(places.items())).copy(),
        texts=_no_rows(tuple((name, "str") for name in columns)).copy(),
        headings={name: name for name in columns},
        log=one_log([]),
        findings=[],
        count=RowCount(),
    )


@cache
def _no_rows(dtypes: tuple[tuple[str, str], ...]) -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(index=range(0), dtype=dtype) for name, dtype in dtypes})
