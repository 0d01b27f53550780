"""What a workbook says about its cells beside their values: errors, formulas never calculated, merged and hidden parts.

A fast reader gives the values; this pass over the sheet's own XML gives everything that would otherwise be lost in
silence. Names of elements and attributes are those of the Office Open XML standard (ECMA-376, part 1, chapter 18).
"""

from __future__ import annotations

import posixpath
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO
from xml.etree.ElementTree import Element, iterparse
from zipfile import ZipFile

from openpyxl.styles.numbers import BUILTIN_FORMATS

Cell = tuple[int, int]
"""Row and column, both counted from 0."""


@dataclass(frozen=True, slots=True)
class SheetMarks:
    """Marks of one sheet; rows and columns are counted from 0.

    Attributes:
        errors: cell -> its error value, such as "#N/A".
        uncalculated: formulas whose result the file does not hold.
        percent: numbers with a percent format.
        zeros: number cells -> (letters in front, least number of digits) of a format that pads with zeros.
        merged: ranges as (first row, first column, last row, last column).
        hidden_rows: hidden rows; hidden_columns: ranges (first, last) of hidden columns.
        last_cell: last row and last column that hold anything.
    """

    errors: dict[Cell, str]
    uncalculated: frozenset[Cell]
    percent: frozenset[Cell]
    zeros: dict[Cell, tuple[str, int]]
    merged: tuple[tuple[int, int, int, int], ...]
    hidden_rows: frozenset[int]
    hidden_columns: tuple[tuple[int, int], ...]
    last_cell: Cell

    def column_is_hidden(self, column: int) -> bool:
        """True for a hidden column."""
        return any(first <= column <= last for first, last in self.hidden_columns)


def read_marks(path: Path, sheet: str) -> SheetMarks:
    """Marks of one sheet of an .xlsx workbook.

    Raises:
        KeyError: the workbook has no such sheet.
    """
    with ZipFile(path) as archive:
        part, never_calculated = _sheet_part(archive, sheet)
        formats = _number_formats(archive)
        with archive.open(part) as stream:
            return _marks(stream, formats, never_calculated)


def _marks(stream: IO[bytes], formats: list[str], never_calculated: bool) -> SheetMarks:
    percent_styles = {str(at) for at, code in enumerate(formats) if "%" in re.sub(r'"[^"]*"|\\.', "", code)}
    zero_styles = {str(at): zeros for at, code in enumerate(formats) if (zeros := _padding(code)) is not None}
    errors: dict[Cell, str] = {}
    uncalculated, percent, hidden_rows = set[Cell](), set[Cell](), set[int]()
    zeros_at: dict[Cell, tuple[str, int]] = {}
    merged: list[tuple[int, int, int, int]] = []
    hidden_columns: list[tuple[int, int]] = []
    row = column = last_row = last_column = -1
    for event, element in iterparse(stream, events=("start", "end")):  # noqa: S314 - a study's own workbook
        name = _local(element)
        if event == "start":
            if name == "row":
                row = int(element.get("r", row + 2)) - 1
                column = -1
                if _is_on(element.get("hidden")) or element.get("ht") in ("0", "0.0"):
                    hidden_rows.add(row)
            continue
        if name == "c":
            column = _column_of(element.get("r")) if element.get("r") else column + 1
            sort, style, at = element.get("t", "n"), element.get("s", "0"), (row, column)
            value = next((child.text or "" for child in element if _local(child) == "v"), "")
            has_formula = any(_local(child) == "f" for child in element)
            if len(element):
                last_row, last_column = max(last_row, row), max(last_column, column)
            if sort == "e":
                errors[at] = value or "error"
            elif has_formula and (never_calculated or (not value and sort != "str")):
                uncalculated.add(at)
            elif sort == "n" and value:
                if style in percent_styles:
                    percent.add(at)
                if style in zero_styles:
                    zeros_at[at] = zero_styles[style]
        elif name == "col":
            if _is_on(element.get("hidden")) or element.get("width") in ("0", "0.0"):
                hidden_columns.append((int(element.get("min", 1)) - 1, int(element.get("max", 1)) - 1))
        elif name == "mergeCell":
            merged.append(_range(element.get("ref", "A1")))
        elif name == "row":
            element.clear()
    return SheetMarks(
        errors,
        frozenset(uncalculated),
        frozenset(percent),
        zeros_at,
        tuple(merged),
        frozenset(hidden_rows),
        tuple(hidden_columns),
        (last_row, last_column),
    )


def _sheet_part(archive: ZipFile, sheet: str) -> tuple[str, bool]:
    """Path of a sheet inside the workbook, and whether the workbook asks to be calculated when it is opened."""
    main = next(
        (target for kind, target in _relations(archive, "_rels/.rels", "").values() if kind == "officeDocument"),
        "xl/workbook.xml",
    )
    folder, name = posixpath.split(main)
    targets = _relations(archive, f"{folder}/_rels/{name}.rels", folder)
    with archive.open(main) as stream:
        elements = [element for _, element in iterparse(stream)]  # noqa: S314 - a study's own workbook
    never_calculated = any(_local(one) == "calcPr" and _is_on(one.get("fullCalcOnLoad")) for one in elements)
    for element in elements:
        if _local(element) == "sheet" and element.get("name") == sheet:
            keys = [value for word, value in element.attrib.items() if word.endswith("}id")]
            return targets["".join(keys)][1], never_calculated
    raise KeyError(sheet)


def _relations(archive: ZipFile, part: str, folder: str) -> dict[str, tuple[str, str]]:
    """Relation id -> (kind of its target, path of its target)."""
    with archive.open(part) as stream:
        return {
            element.get("Id", ""): (
                element.get("Type", "").rsplit("/", 1)[-1],
                posixpath.normpath(posixpath.join("/" + folder, element.get("Target", ""))).lstrip("/"),
            )
            for _, element in iterparse(stream)  # noqa: S314 - a study's own workbook
            if _local(element) == "Relationship"
        }


def _number_formats(archive: ZipFile) -> list[str]:
    """Number format of each cell style."""
    styles = next((name for name in archive.namelist() if name.lower().endswith("xl/styles.xml")), None)
    if styles is None:
        return []
    own: dict[int, str] = {}
    formats: list[str] = []
    with archive.open(styles) as stream:
        for element in _ended(stream):
            if _local(element) == "numFmt":
                own[int(element.get("numFmtId", 0))] = element.get("formatCode", "")
            elif _local(element) == "cellXfs":
                numbers = [int(style.get("numFmtId", 0)) for style in element if _local(style) == "xf"]
                formats = [own.get(number, BUILTIN_FORMATS.get(number, "")) for number in numbers]
    return formats


def _ended(stream: IO[bytes]) -> Iterator[Element]:
    for _, element in iterparse(stream):  # noqa: S314 - a study's own workbook
        yield element


def _padding(code: str) -> tuple[str, int] | None:
    """Letters in front and number of zeros of a format such as 000 or "P"000, else None."""
    found = re.fullmatch(r'(?:"([^"]*)"|\\(.)|([A-Z-]))?(0+)', code)
    if found is None:
        return None
    front = found[1] or found[2] or found[3] or ""
    return (front, len(found[4])) if front or len(found[4]) > 1 else None


def _range(reference: str) -> tuple[int, int, int, int]:
    first, _, last = reference.partition(":")
    last = last or first
    return _row_of(first), _column_of(first), _row_of(last), _column_of(last)


def _row_of(reference: str) -> int:
    return int(reference.lstrip("$ABCDEFGHIJKLMNOPQRSTUVWXYZ")) - 1


def _column_of(reference: str | None) -> int:
    number = 0
    for letter in (reference or "").lstrip("$"):
        if not letter.isalpha():
            break
        number = number * 26 + ord(letter) - ord("A") + 1
    return number - 1


def _local(element: Element) -> str:
    return element.tag.rpartition("}")[2]


def _is_on(word: str | None) -> bool:
    return word in ("1", "true", "on")
