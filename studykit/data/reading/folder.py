"""Files in data/ become sheets of text; where each table lies is declared, or the file bears the name of the table."""

from __future__ import annotations

from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Final

from studykit.data.reading.delimited import read_delimited
from studykit.data.reading.parquet import read_parquet
from studykit.data.reading.sheet import Sheet
from studykit.data.reading.workbook import read_sheet, sheet_names
from studykit.errors import DataError
from studykit.protocol.intake_model import Intake, TableIntake, TableName

_TEXT_FILES: Final = (".csv", ".tsv", ".txt")
READABLE: Final = (".csv", ".tsv", ".xlsx", ".parquet")
"""Endings under which a file with a table's name is found without a declaration."""
_WORKBOOKS = (".xlsx", ".xlsm")
_OF_THE_SYSTEM = frozenset({"Thumbs.db", "desktop.ini"})


@dataclass(frozen=True, slots=True)
class Source:
    """Where a table lies: file in data/, sheet ("" unless a workbook), row of its headings."""

    file: str
    sheet: str
    heading_row: int


@dataclass(slots=True)
class Folder:
    """The folder data/ of a study; each sheet is read once, also when it holds several tables."""

    path: Path
    intake: Intake
    gave_way: set[tuple[str, str]] = field(default_factory=set)
    """(file, sheet) of sheets without rows whose table is read from a file of its own."""
    _sheets: dict[Source, Sheet] = field(default_factory=dict)

    def files(self) -> list[str]:
        """Names in the folder in order; lock files of open spreadsheets and hidden files do not count."""
        names = (entry.name for entry in self.path.iterdir())
        return sorted(name for name in names if not name.startswith(("~$", ".")) and name not in _OF_THE_SYSTEM)

    def named_after(self, table: TableName) -> list[str]:
        """Files that bear the name of a table."""
        return [name for name in self.files() if name in {table + ending for ending in READABLE}]

    def source_of(self, table: TableName) -> Source | None:
        """Where a table lies; None when the study has no such table.

        Raises:
            DataError: what the protocol declares is not there, or more than one file bears the table's name.
        """
        declared = self.intake.table(table)
        if declared.file is not None:
            return self._declared_source(declared.file, table, declared)
        named = self.named_after(table)
        if self.intake.workbook is not None:
            found = self._sheet_in_common_workbook(self.intake.workbook, table, declared)
            if found is not None and named and self._holds_rows(found, declared):
                raise DataError(
                    f"{table} is both a filled sheet of {found.file} and the file {named[0]}. Keep one: empty the"
                    " sheet, or move the file out of data."
                )
            if found is not None and not named:
                return found
            if found is not None:
                self.gave_way.add((found.file, found.sheet))
        if len(named) > 1:
            raise DataError(
                f"{table} is in {len(named)} files ({', '.join(named)}); declare one, or remove the others."
            )
        return self._declared_source(named[0], table, declared) if named else None

    def read(self, source: Source) -> Sheet:
        """The sheet at a source.

        Raises:
            DataError: it cannot be read.
        """
        if source not in self._sheets:
            self._sheets[source] = self._read(source)
        return self._sheets[source]

    def all_sheets(self, file: str) -> dict[str, bool]:
        """Names of all sheets of a workbook -> True for a hidden one.

        Raises:
            DataError: the file is no workbook that can be read.
        """
        try:
            return sheet_names(self.path / file)
        except OSError as error:
            raise DataError(f"{file} cannot be opened: {error.strerror or error}.") from None

    def _read(self, source: Source) -> Sheet:
        path = self.path / source.file
        try:
            if source.sheet:
                return read_sheet(path, source.sheet, heading_row=source.heading_row)
            if path.suffix.lower() == ".parquet":
                return read_parquet(path)
            return read_delimited(path, heading_row=source.heading_row, intake=self.intake)
        except OSError as error:
            raise DataError(f"{source.file} cannot be opened: {error.strerror or error}.") from None

    def _declared_source(self, file: str, table: TableName, declared: TableIntake) -> Source:
        path = self.path / file
        if not path.exists():
            close = get_close_matches(file, self.files(), n=1, cutoff=0.6)
            hint = f" Did you mean {close[0]!r}?" if close else ""
            raise DataError(f"The protocol declares the file {file!r} for {table}, but it is not in data.{hint}")
        if path.is_dir():
            raise DataError(f"{file} is a folder, not a file.")
        ending = path.suffix.lower()
        if ending in _WORKBOOKS:
            common = self.intake.workbook_heading_row if file == self.intake.workbook else 1
            return Source(file, self._sheet_of(file, table, declared), declared.heading_row or common)
        if ending not in (*_TEXT_FILES, ".parquet"):
            raise DataError(f"{file}: files ending in {ending or 'nothing'} are not read; save it as .xlsx or .csv.")
        if declared.sheet is not None:
            raise DataError(
                f"The protocol declares the sheet {declared.sheet!r} for {table}, but {file} is no workbook."
            )
        return Source(file, "", declared.heading_row or 1)

    def _sheet_of(self, file: str, table: TableName, declared: TableIntake) -> str:
        names = list(self._sheet_names(file))
        wanted = declared.sheet or table
        if wanted in names:
            return wanted
        if declared.sheet is None and len(names) == 1:
            return names[0]
        close = get_close_matches(wanted, names, n=1, cutoff=0.6)
        hint = f" Did you mean {close[0]!r}?" if close else f" It has {', '.join(map(repr, names))}."
        raise DataError(f"{file} has no sheet {wanted!r} for {table}.{hint}")

    def _sheet_in_common_workbook(self, file: str, table: TableName, declared: TableIntake) -> Source | None:
        if not (self.path / file).is_file():
            return self._declared_source(file, table, declared)
        if declared.sheet is None and table not in self._sheet_names(file):
            return None
        return self._declared_source(file, table, declared)

    def _holds_rows(self, source: Source, declared: TableIntake) -> bool:
        """True when a sheet has a row below its headings that is not marked as no data."""
        if not source.sheet:
            return True
        return not set(self.read(source).cells[0].str.strip()) <= set(declared.ignore_rows_with)

    def _sheet_names(self, file: str) -> dict[str, bool]:
        left_out = self.intake.read_hidden == "leave out"
        return {name: hidden for name, hidden in self.all_sheets(file).items() if not (hidden and left_out)}
