"""Readings alone, the other sheets left empty: nobody is called unknown, and every question says what it lacks."""

from __future__ import annotations

import datetime
from pathlib import Path

import openpyxl

import studykit
from studykit.data import check_study
from studykit.entry import HEADING_ROW
from studykit.protocol.cells import table_columns
from studykit.starting import start_study


def study_of_readings(folder: Path) -> Path:
    """An audit in which only the sheet of measurements was filled: five people, two visits."""
    start_study(folder, design="audit")
    text = (folder / "study.toml").read_text(encoding="utf-8").replace("trials_per_visit = 3", "trials_per_visit = 1")
    (folder / "study.toml").write_text(text, encoding="utf-8")
    book = openpyxl.load_workbook(folder / "data" / "entry.xlsx")
    columns = table_columns("measurements", studykit.load_protocol(folder / "study.toml"))
    lines = [(f"P00{at}", visit, month) for at in range(1, 6) for visit, month in (("first", 2), ("review", 4))]
    for row, (person, visit, month) in enumerate(lines, start=HEADING_ROW + 2):
        cells = {
            "participant_id": person,
            "visit": visit,
            "measured_on": datetime.datetime(2026, month, 3),
            "side": "left",
            "measure": "shoulder_external_rotation",
            "rater_id": "R1",
            "trial": 1,
            "value": 50 + row + (month if visit == "review" else 0),
        }
        for column, content in cells.items():
            book["measurements"].cell(row, columns.index(column) + 1).value = content
    book.save(folder / "data" / "entry.xlsx")
    return folder


def test_a_sheet_that_nobody_began_accuses_nobody(tmp_path: Path) -> None:
    checked = check_study(study_of_readings(tmp_path / "study"))
    assert checked.findings.empty, checked.findings.to_string()
    assert checked.rows_used["measurements"] == 10


def test_every_question_is_answered_or_says_what_it_lacks(tmp_path: Path) -> None:
    study = studykit.open_study(study_of_readings(tmp_path / "study"))
    parts = {part.key: part for part in studykit.answer(study)}
    for key in ("flow", "missing_visits"):
        (refused,) = parts[key].unanswered
        assert "Nobody stands in the participants table" in refused.reason
        assert "Write one line for each person" in refused.reason
    for part in parts.values():
        assert part.results or part.unanswered
        for result in part.results:
            assert result._repr_html_()


def test_an_empty_study_is_told_which_sheet_to_fill(tmp_path: Path) -> None:
    start_study(tmp_path / "study", design="trial")
    told = check_study(tmp_path / "study").findings
    assert "Fill the sheet measurements of entry.xlsx, or put measurements.csv" in " ".join(told["what_to_do"])
