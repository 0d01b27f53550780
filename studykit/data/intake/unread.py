"""Files and sheets in data/ that no table reads: nothing is passed over in silence."""

from __future__ import annotations

from collections.abc import Iterator
from difflib import get_close_matches

import pandas as pd

from studykit.data.findings import found_in_file
from studykit.data.reading.folder import READABLE, Folder, Source
from studykit.data.reading.workbook import holds_something
from studykit.errors import DataError
from studykit.vocabulary import COLUMNS, SUSPICION

NO_DATA = "READ_ME_FIRST.txt"
"""The page that `studykit start` lays into data/ for people to read."""


def unread_files(folder: Folder, read: set[str]) -> Iterator[pd.DataFrame]:
    """A suspicion for each file that no table reads."""
    known = [table + ending for table in COLUMNS for ending in READABLE]
    for name in folder.files():
        if name in read or name == NO_DATA:
            continue
        close = get_close_matches(name.casefold(), known, n=1, cutoff=0.8)
        hint = f"; did you mean {close[0]!r}?" if close else ""
        what = "folder" if (folder.path / name).is_dir() else "file"
        yield found_in_file(
            table="",
            file=name,
            rule="file_not_read",
            severity=SUSPICION,
            message=f"no table is read from the {what} {name!r}{hint}",
            what_to_do="Declare it under [intake], give it the name of its table, or move it out of data.",
        )


def unread_sheets(folder: Folder, sources: list[Source]) -> Iterator[pd.DataFrame]:
    """A suspicion for each filled sheet that no table reads, in workbooks of which another sheet is read."""
    read = {(source.file, source.sheet) for source in sources}
    for file in sorted({source.file for source in sources if source.sheet}):
        for name, hidden in _names(folder, file).items():
            if name in folder.intake.ignore_sheets or (file, name) in folder.gave_way:
                continue
            if (file, name) not in read and holds_something(folder.path / file, name):
                yield found_in_file(
                    table="",
                    file=file,
                    sheet=name,
                    rule="sheet_not_read",
                    severity=SUSPICION,
                    message=f"no table is read from the {'hidden ' if hidden else ''}sheet {name!r}",
                    what_to_do="Declare it under [intake], or leave it if it holds no data.",
                )


def _names(folder: Folder, file: str) -> dict[str, bool]:
    try:
        return folder.all_sheets(file)
    except DataError:
        return {}  # the file was refused with its own finding when its table was read
