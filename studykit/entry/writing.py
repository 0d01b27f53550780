"""data/entry.xlsx on disk: written again whenever the protocol changes, and never over somebody's entries."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from python_calamine import CalamineError, CalamineWorkbook

from studykit.entry.form import EXAMPLE, HEADING_ROW, PAGES, entry_workbook
from studykit.errors import CallError
from studykit.protocol import Protocol
from studykit.vocabulary import COLUMNS

DATA_SHEETS: Final = frozenset(COLUMNS)
ENTRY_NAME: Final = "entry.xlsx"
BESIDE: Final = "entry_new.xlsx"
"""The new workbook beside a filled one: in the study's folder and not in data/, where it would be taken for data."""


@dataclass(frozen=True, slots=True)
class Entry:
    """What was written.

    Attributes:
        path: the workbook that was written.
        kept: the filled workbook that was left as it is, or None; `kept_rows`: rows in it.
    """

    path: Path
    kept: Path | None
    kept_rows: int


def write_entry(folder: Path, protocol: Protocol) -> Entry:
    """Write data/entry.xlsx; where one stands that holds anything, leave it and write entry_new.xlsx beside study.toml.

    Raises:
        CallError: the workbook that stands there cannot be read, or the new one cannot be written.
    """
    path = folder / "data" / ENTRY_NAME
    rows = filled_rows(path) if path.exists() else 0
    target = folder / BESIDE if rows else path
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(entry_workbook(protocol))
    except OSError as error:
        raise CallError(
            f"{target} cannot be written: {error.strerror or error}. Close it in the spreadsheet program and try again."
        ) from None
    return Entry(target, path if rows else None, rows)


def filled_rows(path: Path) -> int:
    """Rows of a workbook that hold anything but headings, the example and the pages of explanation.

    Raises:
        CallError: it cannot be read, so that nobody can tell.
    """
    try:
        book = CalamineWorkbook.from_path(str(path))
        sheets = {name: book.get_sheet_by_name(name).to_python() for name in book.sheet_names if name not in PAGES}
    except (CalamineError, OSError, ValueError) as error:
        raise CallError(
            f"{path} cannot be read ({error}), so it was left as it is. Move it away and run the command again."
        ) from None
    return sum(
        1
        for name, rows in sheets.items()
        for row in rows[HEADING_ROW if name in DATA_SHEETS else 0 :]
        if row[0] != EXAMPLE and any(str(cell).strip() for cell in row)
    )
