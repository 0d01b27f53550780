"""The room's own writer of workbooks: what went in comes back, the same bytes each time."""

from __future__ import annotations

import datetime as dt
import io
import time

import numpy as np
import openpyxl
import pandas as pd
import pytest

from studykit.simulate.answer_key import Spoiling, shift
from studykit.simulate.audit import READINGS, simulate_audit
from studykit.simulate.cells import Formula, SheetOfCells, Shown, workbook_bytes
from studykit.simulate.writing import plain_csv


def test_workbook_holds_what_was_put_in_and_no_time_of_writing() -> None:
    rows = [
        ["001", 1.5, True, dt.date(2025, 3, 4), Formula("=1+1"), Formula("=NA()", "#N/A"), Shown(0.25, "0%"), None],
        [None, -2, False, None, None, None, None, "=not a formula"],
    ]
    page = SheetOfCells([f"h{number}" for number in range(8)], rows, [(2, 0, 3, 0)], [3], [7])
    sheets = {"one": page, "two": SheetOfCells(["x"], [["y"]], hidden=True)}
    first = workbook_bytes(sheets)
    time.sleep(2.1)  # a zip counts time in steps of two seconds
    assert workbook_bytes(sheets) == first
    book = openpyxl.load_workbook(io.BytesIO(first), data_only=True)
    sheet = book["one"]
    assert [cell.value for cell in sheet[2]] == ["001", 1.5, True, dt.datetime(2025, 3, 4), None, "#N/A", 0.25, None]
    assert sheet["G2"].number_format == "0%"
    assert sheet["H3"].value == "=not a formula"
    assert [str(part) for part in sheet.merged_cells.ranges] == ["A2:A3"]
    assert sheet.row_dimensions[3].hidden
    assert sheet.column_dimensions["H"].hidden
    assert book["two"].sheet_state == "hidden"


def test_rows_are_found_by_their_cells() -> None:
    work = Spoiling(simulate_audit(rng=np.random.default_rng(1)))
    row = work.reading_row("003", "review", "R", "KE")
    cells = work.sheets[READINGS].rows[row - 2]
    assert [cells[0], cells[1], cells[3], cells[4]] == ["003", "review", "R", "KE"]
    with pytest.raises(LookupError, match="no row of Readings"):
        work.reading_row("003", "review", "R", "ER")
    with pytest.raises(TypeError, match="no date"):
        shift("2025-01-01", 1)


def test_plain_csv_writes_no_more_digits_than_a_number_needs() -> None:
    frame = pd.DataFrame(
        {
            "value": [42.0, 0.1 + 0.2, None],
            "trial": pd.array([1, None, 3], dtype="Int64"),
            "blinded": pd.array([True, False, None], dtype="boolean"),
            "measured_on": pd.to_datetime(["2025-03-04", None, "2025-03-05"]),
            "note": ["a, b", None, ""],
        }
    )
    assert plain_csv(frame) == (
        'value,trial,blinded,measured_on,note\n42,1,yes,2025-03-04,"a, b"\n0.30000000000000004,,no,,\n,3,,2025-03-05,\n'
    )
