"""One workbook for all tables: where its headings stand, which rows and sheets are no data, and files beside it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import openpyxl
from intake_cases import HEADINGS, ROW, protocol_with, rules

from studykit.data.intake.gathered import Gathered
from studykit.data.intake.gathering import gather

FORM = {
    "workbook": "form.xlsx",
    "workbook_heading_row": 2,
    "ignore_rows_with": ["EXAMPLE"],
    "ignore_sheets": ["Read me"],
}
EXAMPLE = ["EXAMPLE", "lunge", "R1", 1, 40]


def gathered_form(folder: Path, sheets: dict[str, list[list[Any]]], files: dict[str, str], **intake: Any) -> Gathered:
    (folder / "data").mkdir()
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.save(folder / "data" / "form.xlsx")
    for name, text in files.items():
        (folder / "data" / name).write_text(text, encoding="utf-8")
    return gather(folder, protocol_with(**{**FORM, **intake}))


def form_of(*rows: list[Any]) -> dict[str, list[list[Any]]]:
    headings = [["Code of the person", "What", "By", "No.", "Degrees"], HEADINGS.split(",")]
    return {"Read me": [["How to fill this"]], "measurements": [*headings, EXAMPLE, *rows]}


def test_the_example_is_left_out_in_the_log_and_is_no_lost_row(tmp_path: Path) -> None:
    result = gathered_form(tmp_path, form_of(["P1", "lunge", "R1", 1, 41.5]), {})
    assert rules(result) == []
    assert result.tables["measurements"]["value"].tolist() == [41.5]
    assert result.places["measurements"]["row"].tolist() == [4]
    assert result.counts["measurements"].marked_rows == 1
    line = result.log.iloc[0]
    assert (line["row"], line["before"]) == (3, "EXAMPLE")
    assert "left out" in line["why"]


def test_a_table_may_mark_further_rows(tmp_path: Path) -> None:
    marked = {"measurements": {"ignore_rows_with": ["Total"]}}
    result = gathered_form(tmp_path, form_of(["P1", "lunge", "R1", 1, 41], ["Total"]), {}, tables=marked)
    assert result.counts["measurements"].marked_rows == 2
    assert len(result.tables["measurements"]) == 1


def test_a_table_may_have_its_headings_elsewhere(tmp_path: Path) -> None:
    sheets = {"measurements": [HEADINGS.split(","), ["P1", "lunge", "R1", 1, 41]]}
    result = gathered_form(tmp_path, sheets, {}, tables={"measurements": {"heading_row": 1}})
    assert result.tables["measurements"]["value"].tolist() == [41.0]


def test_a_sheet_without_rows_gives_way_to_a_file_whose_headings_are_in_its_first_row(tmp_path: Path) -> None:
    result = gathered_form(tmp_path, form_of(), {"measurements.csv": f"{HEADINGS}\n{ROW}\n"})
    assert rules(result) == []
    assert result.places["measurements"]["file"].tolist() == ["measurements.csv"]


def test_a_sheet_without_rows_beside_a_read_sheet_is_no_riddle(tmp_path: Path) -> None:
    sheets = {**form_of(), "participants": [["Code"], ["participant_id"], ["P1"]]}
    result = gathered_form(tmp_path, sheets, {"measurements.csv": f"{HEADINGS}\n{ROW}\n"})
    assert rules(result) == []
    assert len(result.tables["participants"]) == 1


def test_a_filled_sheet_and_a_file_are_one_too_many(tmp_path: Path) -> None:
    result = gathered_form(
        tmp_path, form_of(["P1", "lunge", "R1", 1, 41]), {"measurements.csv": f"{HEADINGS}\n{ROW}\n"}
    )
    assert rules(result) == ["unreadable"]
    assert "Keep one: empty the sheet, or move the file out of data." in result.findings["message"].iloc[0]


def test_a_sheet_that_is_not_named_as_no_data_is_still_told(tmp_path: Path) -> None:
    result = gathered_form(tmp_path, form_of(["P1", "lunge", "R1", 1, 41]), {}, ignore_sheets=[])
    assert rules(result) == ["sheet_not_read"]
