"""The entry workbook typed full in LibreOffice, saved there and read back: nothing is lost, nothing is changed."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from functools import cache
from pathlib import Path

import openpyxl
import pytest

from studykit.data import check_study
from studykit.entry import EXAMPLE, HEADING_ROW, TABLES
from studykit.protocol import load_protocol
from studykit.protocol.cells import table_columns
from studykit.starting import start_study

TYPIST = Path(__file__).parent / "office_typist.py"
REQUIRED = os.environ.get("STUDYKIT_OFFICE_TESTS") == "required"


@cache
def python_of_the_office() -> str | None:
    """A Python that can talk to LibreOffice, which is seldom the one of the tests."""
    for name in ("/usr/bin/python3", shutil.which("python3")):
        if name is None or shutil.which("soffice") is None:
            continue
        if subprocess.run([name, "-c", "import uno"], capture_output=True, check=False).returncode == 0:
            return name
    return None


pytestmark = pytest.mark.skipif(
    python_of_the_office() is None and not REQUIRED, reason="no LibreOffice with python3-uno on this machine"
)
PEOPLE = ("001", "002", "P-3", "4e5", "1.10")
"""Codes that a spreadsheet program likes to take for numbers."""


def rows_to_type() -> dict[str, list[dict[str, str]]]:
    """What a person types, as text, for every sheet of an audit."""
    readings = [
        {
            "participant_id": person,
            "visit": visit,
            "measured_on": f"2026-0{month}-0{at + 1}",
            "side": side,
            "measure": "shoulder_external_rotation",
            "rater_id": rater,
            "trial": str(trial),
            "value": f"{40 + 3 * at + trial + (0.5 if side == 'left' else 0):g}",
            "warmed_up": "yes" if at % 2 else "no",
            "note": "=sore, 5° more" if at == 2 else "",
        }
        for at, person in enumerate(PEOPLE)
        for visit, month, rater in (("first", 2, "R1"), ("first", 2, "R2"), ("review", 4, "R1"))
        for side in ("left", "right")
        for trial in (1, 2)
    ]
    return {
        "participants": [
            {"participant_id": person, "sex": "female", "age_years": f"{30 + at}", "enrolled_on": f"2026-02-0{at + 1}"}
            for at, person in enumerate(PEOPLE)
        ],
        "raters": [{"rater_id": "R1", "profession": "physiotherapist"}, {"rater_id": "R2", "experience_years": "7.5"}],
        "measurements": readings,
        "prescriptions": [
            {
                "participant_id": "001",
                "technique": "sleeper_stretch",
                "hold_s": "30",
                "repetitions": "3",
                "sessions_per_day": "1",
                "days_per_week": "5",
                "weeks": "8",
            }
        ],
        "events": [{"participant_id": "002", "happened_on": "2026-03-01", "description": "+1 day of soreness"}],
    }


def typed_in_the_office(folder: Path, rows: dict[str, list[dict[str, str]]], work: Path) -> None:
    python = python_of_the_office()
    assert python is not None, "tests in LibreOffice are required here, and there is none with python3-uno"
    protocol = load_protocol(folder / "study.toml")
    cells = [
        [table, table_columns(table, protocol).index(column), HEADING_ROW + 1 + at, text]
        for table, lines in rows.items()
        for at, line in enumerate(lines)
        for column, text in line.items()
        if text
    ]
    (work / "typed.json").write_text(json.dumps(cells), encoding="utf-8")
    (work / "profile").mkdir()
    command = [
        python,
        str(TYPIST),
        str(folder / "data" / "entry.xlsx"),
        str(work / "typed.json"),
        str(work / "profile"),
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=240, check=False)
    assert done.returncode == 0, done.stderr


def test_typed_saved_and_read_back(tmp_path: Path) -> None:
    folder, rows = tmp_path / "study", rows_to_type()
    start_study(folder, design="audit")
    typed_in_the_office(folder, rows, tmp_path)
    checked = check_study(folder)
    errors = checked.findings[checked.findings["severity"] == "error"]
    assert errors.empty, errors.to_string()
    assert checked.rows_used == {**dict.fromkeys(checked.rows_used, 0), **{name: len(rows[name]) for name in rows}}
    assert checked.log["before"].tolist() == [EXAMPLE] * len(TABLES["audit"])  # no cell needed a change
    assert checked.study is not None
    for table, lines in rows.items():
        read = checked.study.table(table)
        for at, line in enumerate(lines):
            for column, text in line.items():
                assert as_typed(read[column].iloc[at]) == text, (table, at, column)


def as_typed(cell: object) -> str:
    """A cell of the study as it would be typed."""
    if cell is None or cell != cell:
        return ""
    if isinstance(cell, bool) or type(cell).__name__ in {"bool_", "bool"}:
        return "yes" if cell else "no"
    if hasattr(cell, "strftime"):
        return str(cell.strftime("%Y-%m-%d"))
    return cell if isinstance(cell, str) else f"{cell:g}"


def test_lists_and_rules_survive_being_saved_by_another_program(tmp_path: Path) -> None:
    folder = tmp_path / "study"
    start_study(folder, design="audit")
    path = folder / "data" / "entry.xlsx"
    before = openpyxl.load_workbook(path)
    typed_in_the_office(folder, {"participants": [{"participant_id": "P1"}]}, tmp_path)
    after = openpyxl.load_workbook(path)
    assert after.sheetnames == before.sheetnames
    for table in TABLES["audit"]:
        for place in range(1, before[table].max_column + 1):
            rule = rule_at(before, table, place)
            if rule is not None and rule[0] == "list":
                assert rule_at(after, table, place) == rule
        assert after[table].freeze_panes == before[table].freeze_panes
    assert set(before.defined_names) <= set(after.defined_names)


def rule_at(book: openpyxl.Workbook, table: str, place: int) -> tuple[str, str] | None:
    """Kind and list of the rule that holds in a column, in a row far down."""
    cell = book[table].cell(500, place).coordinate
    rules = [one for one in book[table].data_validations.dataValidation if cell in one.cells]
    return (rules[0].type, rules[0].formula1) if rules else None
