"""Files of a check: every row with its reason, shareable findings without values, cells that cannot run."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tables_for_checks import clean_rows, gathered_from, trial_protocol, typed

from studykit.data.checks.checked import Checked
from studykit.data.checks.checking import check_gathered
from studykit.data.checks.setting_aside import BEGINS_A_FORMULA, harmless_cell, write_check

CANARY = "Quellmann 1931-04-05"


def spoilt() -> Checked:
    rows = clean_rows(people=4)
    rows["measurements"][2] |= {"value": 99.0, "note": "=cmd|' /C calc'!A0"}
    rows["measurements"][4] |= {"visit": CANARY, "note": "-5"}
    rows["participants"][1]["site"] = "@home"
    protocol = trial_protocol()
    return check_gathered(gathered_from(typed(rows, protocol)), protocol)


def read(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"))))


def test_files_hold_every_finding_and_every_row_that_was_set_aside(tmp_path: Path) -> None:
    checked = spoilt()
    write_check(checked, tmp_path)
    assert len(read(tmp_path / "findings.csv")) == len(checked.findings)
    aside = read(tmp_path / "set_aside" / "measurements.csv")
    assert [row["row"] for row in aside] == ["4", "6"]
    assert aside[0]["value"] == "99.0"
    assert "value_outside_plausible_range" in aside[0]["reason"]
    assert sorted(path.name for path in (tmp_path / "set_aside").iterdir()) == ["measurements.csv"]
    assert (
        (tmp_path / "import_log.csv").read_text(encoding="utf-8-sig").startswith("table,file,sheet,row,column,before")
    )


def test_shareable_findings_tell_place_rule_and_remedy_and_no_value(tmp_path: Path) -> None:
    write_check(spoilt(), tmp_path)
    text = (tmp_path / "findings_shareable.csv").read_text(encoding="utf-8-sig")
    assert CANARY in (tmp_path / "findings.csv").read_text(encoding="utf-8-sig")
    assert CANARY not in text
    assert list(read(tmp_path / "findings_shareable.csv")[0]) == [
        "table",
        "file",
        "sheet",
        "row",
        "column",
        "rule",
        "severity",
        "what_to_do",
    ]


def test_cells_that_begin_a_formula_are_made_harmless_and_numbers_stay(tmp_path: Path) -> None:
    write_check(spoilt(), tmp_path)
    aside = read(tmp_path / "set_aside" / "measurements.csv")
    assert aside[0]["note"] == "'=cmd|' /C calc'!A0"
    assert aside[1]["note"] == "-5"


@pytest.mark.parametrize(
    ("cell", "written"),
    [
        ("=1+1", "'=1+1"),
        ("+49 170", "'+49 170"),
        ("-", "'-"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1", "'\t=1"),
        ("-5", "-5"),
        ("+3,5", "+3,5"),
        ("-1e-05", "-1e-05"),
        ("-5-2", "'-5-2"),
        ("P01", "P01"),
        ("", ""),
        (-5.0, -5.0),
    ],
)
def test_harmless_cell(cell: object, written: object) -> None:
    assert harmless_cell(cell) == written


@given(st.text(max_size=20))
def test_no_text_but_a_number_begins_a_formula_and_the_cell_can_be_had_back(cell: str) -> None:
    written = harmless_cell(cell)
    assert isinstance(written, str)
    if written.startswith(BEGINS_A_FORMULA):
        assert float(written.replace(",", ".")) is not None
    assert written in (cell, f"'{cell}")


def test_a_second_check_replaces_the_first_and_leaves_nothing_behind(tmp_path: Path) -> None:
    write_check(spoilt(), tmp_path)
    protocol = trial_protocol()
    write_check(check_gathered(gathered_from(typed(clean_rows(people=4), protocol)), protocol), tmp_path)
    assert read(tmp_path / "findings.csv") == []
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "findings.csv",
        "findings_shareable.csv",
        "import_log.csv",
        "set_aside",
    ]
    assert list((tmp_path / "set_aside").iterdir()) == []


def test_a_write_that_fails_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_check(spoilt(), tmp_path)
    before = (tmp_path / "findings.csv").read_bytes()

    def fail(*_: object, **__: object) -> None:
        raise OSError("disk full")

    monkeypatch.setattr(pd.DataFrame, "to_csv", fail)
    with pytest.raises(OSError, match="disk full"):
        write_check(spoilt(), tmp_path)
    assert (tmp_path / "findings.csv").read_bytes() == before
