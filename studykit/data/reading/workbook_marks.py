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
from xml.parsers.expat import ParserCreate
from zipfile import ZipFile

from openpyxl.styles.numbers import BUILTIN_FORMATS

_LITERAL = r'"[^"]*"|\\.'
"""Parts of a number format that stand for themselves."""
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
            return _Scan(formats, never_calculated).marks(stream)


class _Scan:
    """One pass over the XML of a sheet, for a parser that calls `start` at each element.

    Only starts are looked at, and a cell's letters are read only when the cell is marked, because a sheet may have
    millions of cells.
    """

    def __init__(self, formats: list[str], never_calculated: bool) -> None:
        self.percent_styles = {str(at) for at, code in enumerate(formats) if "%" in re.sub(_LITERAL, "", code)}
        self.zero_styles = {str(at): zeros for at, code in enumerate(formats) if (zeros := _padding(code)) is not None}
        self.never_calculated = never_calculated
        self.errors: dict[Cell, str] = {}
        self.uncalculated: set[Cell] = set()
        self.percent: set[Cell] = set()
        self.zeros: dict[Cell, tuple[str, int]] = {}
        self.merged: list[tuple[int, int, int, int]] = []
        self.hidden_rows: set[int] = set()
        self.hidden_columns: list[tuple[int, int]] = []
        self.last_row = self.last_column = self.row = -1
        self.reference: str | None = None
        self.steps = 0
        self.content_in_row: tuple[str | None, int] | None = None
        self.sort, self.style = "n", "0"
        self.formula = self.filled = self.in_cell = False
        self.value: list[str] = []
        self.parser = ParserCreate()
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self.start
        self.parser.StartDoctypeDeclHandler = self._refuse_doctype

    def marks(self, stream: IO[bytes]) -> SheetMarks:
        """Read the whole sheet."""
        self.parser.ParseFile(stream)
        self._end_row()
        return SheetMarks(
            errors=self.errors,
            uncalculated=frozenset(self.uncalculated),
            percent=frozenset(self.percent),
            zeros=self.zeros,
            merged=tuple(self.merged),
            hidden_rows=frozenset(self.hidden_rows),
            hidden_columns=tuple(self.hidden_columns),
            last_cell=(self.last_row, self.last_column),
        )

    def start(self, name: str, attributes: dict[str, str]) -> None:
        """An element begins."""
        local = name.rpartition(":")[2] if ":" in name else name
        if local == "c":
            self._start_cell(attributes)
        elif local in ("v", "is", "f"):
            if self.in_cell:
                self._hold_content(local)
        elif local == "row":
            self._start_row(attributes)
        elif local == "col":
            if _is_on(attributes.get("hidden")) or attributes.get("width") in ("0", "0.0"):
                self.hidden_columns.append((int(attributes.get("min", 1)) - 1, int(attributes.get("max", 1)) - 1))
        elif local == "mergeCell":
            self.merged.append(_range(attributes.get("ref", "A1")))
        elif local == "extLst":
            self._end_row()  # extensions hold elements named f of their own

    def _hold_content(self, local: str) -> None:
        self.filled = True
        self.formula = self.formula or local == "f"
        self.content_in_row = (self.reference, self.steps)
        if local == "v" and (self.formula or self.sort == "e"):
            self.parser.CharacterDataHandler = self.value.append

    def _start_row(self, attributes: dict[str, str]) -> None:
        self._end_row()
        self.row = int(attributes.get("r", self.row + 2)) - 1
        if _is_on(attributes.get("hidden")) or attributes.get("ht") in ("0", "0.0"):
            self.hidden_rows.add(self.row)

    def _end_row(self) -> None:
        self._end_cell()
        if self.content_in_row is not None:
            self.last_row = max(self.last_row, self.row)
            self.last_column = max(self.last_column, _column_of(self.content_in_row[0]) + self.content_in_row[1])
        self.reference, self.steps, self.content_in_row = None, 0, None
        self.sort, self.style = "n", "0"
        self.formula = self.filled = self.in_cell = False

    def _start_cell(self, attributes: dict[str, str]) -> None:
        self._end_cell()
        reference = attributes.get("r")
        self.reference, self.steps = (self.reference, self.steps + 1) if reference is None else (reference, 0)
        self.sort, self.style = attributes.get("t", "n"), attributes.get("s", "0")
        self.formula = self.filled = False
        self.in_cell = True

    def _end_cell(self) -> None:
        """Mark the cell that has just ended."""
        self.parser.CharacterDataHandler = None
        special = self.style in self.percent_styles or self.style in self.zero_styles
        if not (self.sort == "e" or self.formula or (special and self.filled)):
            return
        value = "".join(self.value).strip()
        self.value.clear()
        at = (self.row, _column_of(self.reference) + self.steps)
        if self.sort == "e":
            self.errors[at] = value or "error"
        elif self.formula and (self.never_calculated or (not value and self.sort != "str")):
            self.uncalculated.add(at)
        elif self.sort == "n":
            if self.style in self.percent_styles:
                self.percent.add(at)
            if self.style in self.zero_styles:
                self.zeros[at] = self.zero_styles[self.style]

    @staticmethod
    def _refuse_doctype(*_: object) -> None:
        raise ValueError("a workbook has no document type declaration")


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
