"""Whatever is in the files: never an exception that is no sentence, never a lost row."""

from __future__ import annotations

import csv
import datetime as dt
import io
import tempfile
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from intake_cases import (
    COLUMNS,
    check_promises,
    gathered,
)

from studykit.data.intake.gathering import Gathered
from studykit.errors import StudykitError
from studykit.vocabulary import COLUMNS as TABLE_COLUMNS

CELLS = st.one_of(
    st.text(alphabet=st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=8),
    st.sampled_from(
        ["", " ", "P1", "001", "1", "46.5", "46,5", "47°", "2024-03-04", "03/04/2024", "yes", "TRUE", "NA", '"', ";"]
    ),
)
SHEET_CELLS = st.one_of(
    st.none(),
    st.booleans(),
    st.floats(allow_nan=False, allow_infinity=False, width=32),
    st.integers(-10_000, 60_000),
    st.dates(dt.date(1901, 1, 1), dt.date(2100, 1, 1)),
    st.times(),
    st.sampled_from(["P1", "001", "46,5", " 4", "=1+1", "#N/A", "03/04/2024", "lunge", "\u22125"]),
)
HEADING_CELLS = st.one_of(st.sampled_from([*TABLE_COLUMNS["measurements"], "", "Value", "X"]), CELLS)
INTAKES = st.fixed_dictionaries(
    {},
    optional={
        "decimal_mark": st.sampled_from([".", ","]),
        "date_order": st.sampled_from(["year-month-day", "day-month-year", "month-day-year"]),
        "missing_words": st.sampled_from([[], ["NA"]]),
        "encoding": st.sampled_from(["utf-8", "utf-16", "windows-1252"]),
        "delimiter": st.sampled_from([";", "tab"]),
        "read_hidden": st.sampled_from(["refuse", "use", "leave out"]),
        "tables": st.fixed_dictionaries(
            {
                "measurements": st.fixed_dictionaries(
                    {},
                    optional={
                        "heading_row": st.integers(1, 3),
                        "headings": st.dictionaries(
                            HEADING_CELLS, st.sampled_from(TABLE_COLUMNS["measurements"]), max_size=2
                        ),
                        "fixed": st.dictionaries(st.sampled_from(TABLE_COLUMNS["measurements"]), CELLS, max_size=2),
                        "units": st.sampled_from([{}, {"value": "in"}, {"X": "mm"}]),
                        "ignore": st.lists(HEADING_CELLS, max_size=1),
                        "ignore_rows_with": st.lists(CELLS, max_size=1),
                        "wide": st.sampled_from(
                            [[], [{"heading": "X", "measure": "lunge", "trial": 1}, {"heading": "value"}]]
                        ),
                    },
                )
            }
        ),
    },
)


def gather_quietly(files: dict[str, bytes], intake: dict[str, Any]) -> Gathered | None:
    """The import of a folder with these files; None when it is refused with a sentence."""
    with tempfile.TemporaryDirectory() as folder:
        try:
            return gathered(Path(folder), dict(files), **intake)
        except StudykitError:
            return None


ANY_TEXT_FILE = given(
    headings=st.lists(HEADING_CELLS, min_size=1, max_size=7),
    rows=st.lists(st.lists(CELLS, max_size=8), max_size=6),
    mark=st.sampled_from([",", ";", "\t"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
    intake=INTAKES,
)
ANY_WORKBOOK = given(
    headings=st.lists(HEADING_CELLS.filter(str.isprintable), min_size=1, max_size=7),
    rows=st.lists(st.lists(SHEET_CELLS, max_size=8), max_size=6),
    merged=st.lists(st.sampled_from(["A2:A3", "B2:C3", "E3:E5", "A1:A2", "A4:G4"]), max_size=2, unique=True),
    hidden=st.lists(st.integers(2, 6), max_size=2),
    intake=INTAKES,
)


def any_text_file_is_read_or_refused_in_words(
    headings: list[str], rows: list[list[str]], mark: str, encoding: str, intake: dict[str, Any]
) -> None:
    text = "\n".join(mark.join(row) for row in [headings, *rows])
    result = gather_quietly({"measurements.csv": text.encode(encoding, errors="replace")}, intake)
    assert result is not None
    check_promises(result)


test_any_text_file = settings(max_examples=80)(ANY_TEXT_FILE(any_text_file_is_read_or_refused_in_words))
test_any_text_file_at_length = pytest.mark.slow(
    settings(max_examples=2000)(ANY_TEXT_FILE(any_text_file_is_read_or_refused_in_words))
)


@settings(max_examples=60)
@given(
    rows=st.lists(st.lists(CELLS, min_size=5, max_size=5), min_size=1, max_size=8),
    quoted=st.booleans(),
)
def test_no_row_is_lost(rows: list[list[str]], quoted: bool) -> None:
    rows = [["P", *row[1:]] for row in rows]
    frame = pd.DataFrame(rows, columns=COLUMNS)
    text = io.StringIO(newline="")
    csv.writer(text, quoting=csv.QUOTE_ALL if quoted else csv.QUOTE_MINIMAL).writerows([COLUMNS, *rows])
    result = gather_quietly({"measurements.csv": text.getvalue().encode()}, {"delimiter": ",", "encoding": "utf-8"})
    assert result is not None
    assert len(result.tables["measurements"]) == len(rows)
    pd.testing.assert_frame_equal(result.texts["measurements"][COLUMNS], frame.astype("str"), check_column_type=False)


def any_workbook_is_read_or_refused_in_words(
    headings: list[str],
    rows: list[list[object]],
    merged: list[str],
    hidden: list[int],
    intake: dict[str, Any],
) -> None:
    workbook = openpyxl.Workbook()
    for row in [headings, *rows]:
        workbook.active.append(
            [cell[1:] if isinstance(cell, str) and cell.startswith("=") and len(cell) < 2 else cell for cell in row]
        )
    for reference in merged:
        workbook.active.merge_cells(reference)
    for number in hidden:
        workbook.active.row_dimensions[number].hidden = True
    content = io.BytesIO()
    workbook.save(content)
    result = gather_quietly({"measurements.xlsx": content.getvalue()}, intake)
    assert result is not None
    check_promises(result)


test_any_workbook = settings(max_examples=50)(ANY_WORKBOOK(any_workbook_is_read_or_refused_in_words))
test_any_workbook_at_length = pytest.mark.slow(
    settings(max_examples=2000)(ANY_WORKBOOK(any_workbook_is_read_or_refused_in_words))
)
