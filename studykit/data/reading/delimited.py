"""Text files with one record a line: .csv with commas, semicolons or tabs, in UTF-8, UTF-16 or Windows-1252."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pv

from studykit.data.reading.sheet import Sheet
from studykit.errors import DataError
from studykit.protocol.intake_model import Intake

_ROWS_AT_ONCE = 20_000
_MARKS = {codecs.BOM_UTF8: "utf-8", codecs.BOM_UTF16_LE: "utf-16", codecs.BOM_UTF16_BE: "utf-16"}
_CODECS = {"utf-8": "utf-8-sig", "utf-16": "utf-16", "windows-1252": "cp1252"}
_SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab"}


def read_delimited(path: Path, *, heading_row: int, intake: Intake) -> Sheet:
    """Read a delimited text file; a row is a record, so a line break inside quotes does not count as a row.

    Raises:
        DataError: the file cannot be decoded, the delimiter is not clear, a quotation mark is never closed, or there is
            no heading row.
    """
    text, declared = _without_separator_line(_decoded(path, intake), path)
    delimiter = declared or _delimiter(text, heading_row, intake, path)
    first_row = 2 if declared else 1
    records = _records(text, delimiter, path)
    headings = next(islice(records, heading_row - first_row, None), None) if heading_row >= first_row else None
    if headings is None or not any(word.strip() for word in headings):
        raise DataError(f"{path.name} has no headings in row {heading_row}; declare heading_row, or check the file.")
    names = [word.strip() for word in headings]
    plain = _plain_sheet(path.name, names, text, delimiter, heading_row, heading_row - first_row + 1)
    return plain if plain is not None else _collected(path.name, names, records, heading_row)


def _plain_sheet(
    name: str, headings: list[str], text: str, delimiter: str, heading_row: int, lines_above: int
) -> Sheet | None:
    """The sheet of a file without quotation marks whose rows are all even; None when each record must be looked at."""
    if '"' in text or text.count("\r") != text.count("\r\n"):
        return None
    start = 0
    for _ in range(lines_above):
        end = text.find("\n", start)
        if end < 0:
            return None
        start = end + 1
    columns = [f"column {number}" for number in range(len(headings))]
    try:
        table = pv.read_csv(
            pa.py_buffer(text[start:].rstrip("\r\n").encode()),
            read_options=pv.ReadOptions(column_names=columns, use_threads=False),
            parse_options=pv.ParseOptions(delimiter=delimiter, quote_char=False, ignore_empty_lines=False),
            convert_options=pv.ConvertOptions(
                column_types=dict.fromkeys(columns, pa.large_string()), strings_can_be_null=False
            ),
        )
    except pa.ArrowInvalid:
        return None
    cells = tuple(pd.Series(pd.array(column, dtype="str")) for column in table.columns)
    held = np.zeros(table.num_rows, dtype=bool)
    for column in cells:
        held |= (column.str.strip() != "").to_numpy(dtype=bool)
        if held.all():
            break
    rows = np.arange(heading_row + 1, heading_row + 1 + table.num_rows, dtype=np.int64)
    last = int(np.flatnonzero(held)[-1]) if held.any() else -1
    blank = tuple(rows[: last + 1][~held[: last + 1]].tolist())
    return Sheet(name, "", tuple(headings), cells, (None,) * len(headings), rows, blank).kept(held)


def _collected(name: str, headings: list[str], records: Iterator[list[str]], heading_row: int) -> Sheet:
    width = len(headings)
    needed = max(at for at, word in enumerate(headings, start=1) if word)
    pieces: list[list[pa.Array]] = [[] for _ in headings]
    rows: list[np.ndarray] = []
    blank: list[int] = []
    uneven: dict[int, int] = {}
    before = 0
    seen = heading_row
    while chunk := list(islice(records, _ROWS_AT_ONCE)):
        numbers = np.arange(seen + 1, seen + 1 + len(chunk), dtype=np.int64)
        seen += len(chunk)
        if not all(len(record) == width and record[0] for record in chunk):
            held = [any(map(str.strip, record)) for record in chunk]
            blank += numbers[~np.array(held, dtype=bool)].tolist()
            numbers = numbers[held]
            chunk = [record for record, holds in zip(chunk, held, strict=True) if holds]
            for at, record in enumerate(chunk):
                if len(record) != width:
                    chunk[at], count = _evened(record, needed, width)
                    if count != width:
                        uneven[before + at] = count
        if chunk:
            for piece, column in zip(pieces, zip(*chunk, strict=True), strict=True):
                piece.append(pa.array(column, pa.large_string()))
            rows.append(numbers)
            before += len(chunk)
    row_numbers = np.concatenate(rows) if rows else np.empty(0, dtype=np.int64)
    last = int(row_numbers[-1]) if len(row_numbers) else heading_row
    return Sheet(
        file=name,
        sheet="",
        headings=tuple(headings),
        cells=tuple(pd.Series(pd.array(pa.chunked_array(piece, pa.large_string()), dtype="str")) for piece in pieces),
        kinds=(None,) * width,
        rows=row_numbers,
        blank=tuple(row for row in blank if row < last),
        uneven=uneven,
    )


def _evened(record: list[str], needed: int, width: int) -> tuple[list[str], int]:
    """A record with `width` cells, and how many it had: `width` when no headed cell is missing and none is too many."""
    count = len(record)
    while count > width and not record[count - 1].strip():
        count -= 1
    cells = (record + [""] * (width - len(record)))[:width]
    return cells, width if needed <= count <= width else count


def _decoded(path: Path, intake: Intake) -> str:
    data = path.read_bytes()
    if not data.strip(b"\x00 \r\n\t"):
        raise DataError(f"{path.name} is empty.")
    marked = next((name for mark, name in _MARKS.items() if data.startswith(mark)), None)
    if marked and intake.encoding and marked != intake.encoding:
        raise DataError(
            f"{path.name} says that it is {marked}, but the protocol declares encoding = {intake.encoding!r}."
        )
    encoding = marked or intake.encoding or "utf-8"
    codec = "utf-16-le" if encoding == "utf-16" and not marked else _CODECS[encoding]
    if encoding == "windows-1252" and not data.isascii() and _is_utf_8(data):
        raise DataError(
            f"{path.name} is declared as Windows-1252, but its letters are UTF-8; declare encoding = 'utf-8'."
        )
    try:
        text = data.decode(codec)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise DataError(
            f"{path.name}, line {line}: a byte there (0x{data[error.start]:02X}) is not {encoding.upper()}. "
            "Save the file as UTF-8, or declare its encoding ('windows-1252' is usual for older spreadsheets)."
        ) from None
    if "\x00" in text:
        line = text.count("\n", 0, text.index("\x00")) + 1
        raise DataError(
            f"{path.name}, line {line}: a null character. This is no text file, or it is UTF-16: declare the encoding."
        )
    return text


def _is_utf_8(data: bytes) -> bool:
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _without_separator_line(text: str, path: Path) -> tuple[str, str]:
    """The text without a first line such as "sep=;", and the delimiter it names ("" without such a line)."""
    first, _, rest = text.partition("\n")
    words = first.strip("\r\n\"'")
    if not words.lower().startswith("sep="):
        return text, ""
    delimiter = words[4:5]
    if delimiter not in _SEPARATORS:
        raise DataError(f"{path.name} begins with a line 'sep=' that names no comma, semicolon or tab.")
    return rest, delimiter


def _delimiter(text: str, heading_row: int, intake: Intake, path: Path) -> str:
    if intake.delimiter is not None:
        return "\t" if intake.delimiter == "tab" else intake.delimiter
    line = next(islice(io.StringIO(text), heading_row - 1, None), "")
    outside_quotes = "".join(line.split('"')[::2])
    used = [mark for mark in _SEPARATORS if mark in outside_quotes]
    if len(used) > 1:
        names = " and ".join(_SEPARATORS[mark] for mark in used)
        raise DataError(
            f"{path.name}: the headings in row {heading_row} hold {names}, so it is not clear which one separates the "
            "columns; declare delimiter under [intake]."
        )
    return used[0] if used else ","


def _records(text: str, delimiter: str, path: Path) -> Iterator[list[str]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        yield from reader
    except csv.Error as error:
        raise DataError(
            f"{path.name}, near line {reader.line_num}: the quotation marks do not come in pairs ({error}). "
            "A cell that holds a quotation mark, a delimiter or a line break must stand in quotation marks."
        ) from None
