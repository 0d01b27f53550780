"""Workbooks (.xlsx): one sheet at a time, values as text, with everything that a plain reader would lose."""

from __future__ import annotations

import zlib
from datetime import date, datetime, time, timedelta
from pathlib import Path
from xml.etree.ElementTree import ParseError
from xml.parsers.expat import ExpatError
from zipfile import BadZipFile, ZipFile

import numpy as np
from python_calamine import CalamineError, CalamineWorkbook, PasswordError, SheetVisibleEnum

from studykit.data.reading.sheet import (
    DATE,
    ERROR_VALUE,
    MERGED_ACROSS,
    NUMBER,
    PERCENT,
    TEXT,
    TIME,
    UNCALCULATED,
    YES_NO,
    Sheet,
    cells_of,
    column_letter,
)
from studykit.data.reading.workbook_marks import SheetMarks, read_marks
from studykit.errors import DataError

_OLD_FORMAT = b"\xd0\xcf\x11\xe0"
_DAMAGE = (BadZipFile, zlib.error, KeyError, ValueError, NotImplementedError, RuntimeError, EOFError, OSError)
"""What Python's own readers raise on a broken archive."""
_MOST_BYTES = 2_000_000_000
_MOST_CELLS = 50_000_000


def sheet_names(path: Path) -> dict[str, bool]:
    """Names of the sheets of a workbook in their order -> True for a hidden one.

    Raises:
        DataError: the file is no workbook that can be read.
    """
    with _opened(path) as workbook:
        return {one.name: one.visible != SheetVisibleEnum.Visible for one in workbook.sheets_metadata}


def holds_something(path: Path, sheet: str) -> bool:
    """True when a sheet has any filled cell, or when it is damaged and cannot be looked at."""
    try:
        return read_marks(path, sheet).last_cell != (-1, -1)
    except (ParseError, ExpatError, *_DAMAGE):
        return True


def read_sheet(path: Path, sheet: str, *, heading_row: int) -> Sheet:
    """Read one sheet of a workbook.

    Raises:
        DataError: the file is no workbook that can be read, or the sheet has no headings in that row.
    """
    with _opened(path) as workbook:
        metadata = next((one for one in workbook.sheets_metadata if one.name == sheet), None)
        if metadata is None:
            raise DataError(f"{path.name} has no sheet {sheet!r}.")
        try:
            marks = read_marks(path, sheet)
            _check_size(path.name, sheet, marks)
            grid: list[list[object]] = [
                list(row) for row in workbook.get_sheet_by_name(sheet).to_python(skip_empty_area=False)
            ]
        except (CalamineError, ParseError, ExpatError, *_DAMAGE) as error:
            raise DataError(f"{path.name}, sheet {sheet!r}, is damaged ({error}); save it again.") from None
    return _sheet_of(path.name, sheet, grid, marks, heading_row, metadata.visible != SheetVisibleEnum.Visible)


def _check_size(file: str, sheet: str, marks: SheetMarks) -> None:
    row, column = marks.last_cell
    if (row + 1) * (column + 1) > _MOST_CELLS:
        raise DataError(
            f"{file}, sheet {sheet!r}, reaches to cell {column_letter(column)}{row + 1}; delete what stands far from "
            "the table, or save the table as .csv."
        )


def _opened(path: Path) -> CalamineWorkbook:
    with path.open("rb") as stream:
        start = stream.read(4)
    if start == _OLD_FORMAT:
        raise DataError(f"{path.name} is protected by a password, or it is an old .xls file; save it as plain .xlsx.")
    if not start:
        raise DataError(f"{path.name} is empty.")
    try:
        with ZipFile(path) as archive:
            size = sum(entry.file_size for entry in archive.infolist())
        if size > _MOST_BYTES:
            raise DataError(f"{path.name} would unpack to {size / 1e9:.1f} GB; save the table as .csv instead.")
        return CalamineWorkbook.from_path(str(path))
    except PasswordError:
        raise DataError(f"{path.name} is protected by a password; save it without one.") from None
    except (CalamineError, *_DAMAGE) as error:
        raise DataError(f"{path.name} is no workbook that can be read ({error}); save it again as .xlsx.") from None


def _sheet_of(
    file: str, sheet: str, grid: list[list[object]], marks: SheetMarks, heading_row: int, hidden: bool
) -> Sheet:
    top = heading_row - 1
    marked = [*marks.errors, *marks.uncalculated]
    width = max([len(grid[0]) if grid else 0, *(column + 1 for _, column in marked)])
    height = max([len(grid), *(row + 1 for row, _ in marked)])
    full: list[list[object]] = [[*row, *[""] * (width - len(row))] for row in grid]
    full += [[""] * width for _ in range(height - len(full))]
    for (row, column), word in marks.errors.items():
        full[row][column] = word
    for row, column in marks.uncalculated:
        full[row][column] = "(formula)"
    if top >= height or not any(_word(cell)[0].strip() for cell in full[top]):
        raise DataError(f"{file}, sheet {sheet!r}, has no headings in row {heading_row}; declare heading_row.")
    held = [row for row in range(top + 1, height) if any(cell != "" and str(cell).strip() for cell in full[row])]
    last = held[-1] if held else top
    headings = [_word(cell)[0].strip() for cell in full[top]]
    place = {row: at for at, row in enumerate(held)}
    texts, kinds = _columns(full, held, width)
    _mark(texts, kinds, marks, place)
    filled = _fill_merged(texts, kinds, marks, place, width)
    return Sheet(
        file=file,
        sheet=sheet,
        headings=tuple(headings),
        cells=tuple(cells_of(column) for column in texts),
        kinds=tuple(kinds[:, column] for column in range(width)),
        rows=np.array(held, dtype=np.int64) + 1,
        blank=tuple(row + 1 for row in range(top + 1, last) if row not in place),
        shown={
            (place[row], column): _as_shown(texts[column][place[row]], *zeros)
            for (row, column), zeros in marks.zeros.items()
            if row in place and column < width
        },
        filled=filled,
        hidden_rows=np.array([row in marks.hidden_rows for row in held], dtype=bool),
        hidden_columns=frozenset(column for column in range(width) if marks.column_is_hidden(column)),
        hidden=hidden,
    )


def _columns(full: list[list[object]], held: list[int], width: int) -> tuple[list[list[str]], np.ndarray]:
    kinds = np.zeros((len(held), width), dtype=np.uint8)
    texts: list[list[str]] = []
    for column in range(width):
        words = [_word(full[row][column]) for row in held]
        texts.append([word for word, _ in words])
        kinds[:, column] = [kind for _, kind in words]
    return texts, kinds


def _mark(texts: list[list[str]], kinds: np.ndarray, marks: SheetMarks, place: dict[int, int]) -> None:
    for cells, kind in ((marks.errors, ERROR_VALUE), (marks.uncalculated, UNCALCULATED), (marks.percent, PERCENT)):
        for row, column in cells:
            if row in place and column < len(texts):
                kinds[place[row], column] = kind


def _fill_merged(
    texts: list[list[str]], kinds: np.ndarray, marks: SheetMarks, place: dict[int, int], width: int
) -> dict[int, tuple[int, ...]]:
    """Fill merged ranges of one column downwards, mark those over several; ranges of headings are left alone."""
    filled: dict[int, list[int]] = {}
    for first_row, first_column, last_row, last_column in marks.merged:
        if first_row not in place or first_column >= width:
            continue
        spots = [place[row] for row in range(first_row, last_row + 1) if row in place]
        columns = range(first_column, min(last_column, width - 1) + 1)
        top, kind = texts[first_column][spots[0]], kinds[spots[0], first_column]
        if last_column > first_column:
            for column in columns:
                for at in spots if top else ():
                    texts[column][at] = top
                    kinds[at, column] = MERGED_ACROSS
        elif top:
            for at in spots[1:]:
                texts[first_column][at] = top
                kinds[at, first_column] = kind
            filled.setdefault(first_column, []).extend(spots[1:])
    return {column: tuple(sorted(spots)) for column, spots in filled.items() if spots}


def _as_shown(number: str, front: str, digits: int) -> str:
    return front + number.zfill(digits)


def _word(cell: object) -> tuple[str, int]:
    """A cell as text, and its kind."""
    if isinstance(cell, str):
        return cell, TEXT
    if isinstance(cell, bool):
        return ("TRUE" if cell else "FALSE"), YES_NO
    if isinstance(cell, float):
        return (str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)), NUMBER
    if isinstance(cell, int):
        return str(cell), NUMBER
    if isinstance(cell, datetime):
        midnight = cell.time() == time(0)
        return (cell.date().isoformat() if midnight else cell.isoformat(sep=" ", timespec="seconds")), DATE
    if isinstance(cell, date):
        return cell.isoformat(), DATE
    if isinstance(cell, time | timedelta):
        return str(cell), TIME
    return str(cell), TEXT
