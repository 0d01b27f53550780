"""Wide sheets become long: nothing that a column says is lost, no cell is counted twice."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from intake_cases import (
    check_promises,
    gathered,
    gathered_csv,
    only_finding,
    rules,
)

from studykit.data.intake.gathering import Gathered, RowCount, once_per_cell

WIDE = {
    "headings": {"Patient": "participant_id"},
    "fixed": {"rater_id": "R1"},
    "units": {"Reach": "mm"},
    "wide": [
        {"heading": "Left 1", "measure": "lunge", "side": "left", "trial": 1, "measured_on": "Day 1"},
        {"heading": "Left 2", "measure": "lunge", "side": "left", "trial": 2, "measured_on": "Day 2"},
        {"heading": "Reach", "measure": "reach", "trial": 1, "rater_id": "R2", "visit": "late", "measured_on": "Day 2"},
    ],
}
WIDE_HEADINGS = "Patient,Day 1,Left 1,Day 2,Left 2,Reach"


def wide(tmp_path: Path, *rows: str, **changes_to_declaration: Any) -> Gathered:
    tables = {"measurements": {**WIDE, **changes_to_declaration}}
    return gathered_csv(tmp_path, *rows, headings=WIDE_HEADINGS, tables=tables)


def test_a_wide_sheet_becomes_long_with_all_that_its_columns_say(tmp_path: Path) -> None:
    result = wide(tmp_path, "P1,2024-01-01,40,2024-02-01,41,120", "P2,2024-01-02,42,2024-02-02,43,130")
    check_promises(result)
    assert [rule for rule in rules(result) if rule != "column_given_twice"] == []
    frame = result.tables["measurements"]
    assert frame["participant_id"].tolist() == ["P1"] * 3 + ["P2"] * 3
    assert frame["measure"].tolist() == ["lunge", "lunge", "reach"] * 2
    assert frame["side"].fillna("").tolist() == ["left", "left", ""] * 2
    assert frame["trial"].tolist() == [1, 2, 1] * 2
    assert frame["rater_id"].tolist() == ["R1", "R1", "R2"] * 2
    assert frame["visit"].fillna("").tolist() == ["", "", "late"] * 2
    assert frame["value"].tolist() == [40.0, 41.0, 12.0, 42.0, 43.0, 13.0]
    days = ["2024-01-01", "2024-02-01", "2024-02-01", "2024-01-02", "2024-02-02", "2024-02-02"]
    assert frame["measured_on"].dt.strftime("%Y-%m-%d").tolist() == days
    assert result.places["measurements"]["value_heading"].tolist() == ["Left 1", "Left 2", "Reach"] * 2
    assert result.places["measurements"]["row"].tolist() == [2, 2, 2, 3, 3, 3]
    assert result.texts["measurements"]["value"].tolist() == ["40", "41", "120", "42", "43", "130"]
    assert result.texts["measurements"]["trial"].tolist() == ["1", "2", "1"] * 2


def test_an_empty_cell_of_a_wide_sheet_is_a_reading_not_taken_and_is_counted(tmp_path: Path) -> None:
    result = wide(tmp_path, "P1,2024-01-01,40,,,", "P2,,,,,", "P3,2024-01-01, ,2024-02-01,41,x")
    check_promises(result)
    count = result.counts["measurements"]
    assert (count.sheet_rows, count.cells_per_row, count.empty_cells, count.rows) == (3, 3, 6, 3)
    assert result.tables["measurements"]["participant_id"].tolist() == ["P1", "P3", "P3"]
    assert result.tables["measurements"]["value"].isna().tolist() == [False, False, True]


def test_one_bad_cell_of_a_wide_sheet_hits_all_its_rows_and_is_shown_once(tmp_path: Path) -> None:
    result = wide(tmp_path, "P1,2024-01-01,40,spring,41,120")
    bad = result.findings[result.findings["rule"] == "not_a_date"]
    assert bad["position"].tolist() == [1, 2]
    assert bad["column"].tolist() == ["Day 2"] * 2
    assert (once_per_cell(result.findings)["rule"] == "not_a_date").sum() == 1


def test_a_bad_cell_in_a_row_without_readings_is_found_too(tmp_path: Path) -> None:
    result = wide(tmp_path, "P1,spring,,,,")
    bad = result.findings[result.findings["rule"] == "not_a_date"]
    assert bad[["row", "position"]].values.tolist() == [[2, -1]]


def test_the_log_of_a_wide_sheet_has_one_line_a_cell(tmp_path: Path) -> None:
    result = wide(tmp_path, "P1 ,2024-01-01,40,2024-02-01,41,")
    assert result.log["column"].tolist() == ["Patient"]


def test_a_wide_heading_that_is_missing_or_given_twice(tmp_path: Path) -> None:
    first = {"heading": "Left 1", "measure": "lunge", "trial": 1}
    missing = wide(tmp_path, "P1,2024-01-01,40,2024-02-01,41,120", wide=[first, {**first, "heading": "Left 9"}])
    assert "declared_heading_missing" in rules(missing)
    twice = wide(tmp_path, "P1,2024-01-01,40,2024-02-01,41,120", wide=[first, first])
    assert "wide_heading_declared_twice" in rules(twice)
    assert len(twice.tables["measurements"]) == 1


def test_what_a_wide_column_says_and_a_heading_says_too_is_an_error(tmp_path: Path) -> None:
    declared = {"wide": [{"heading": "L1", "measure": "lunge", "trial": 1, "visit": "first"}]}
    headings = "participant_id,rater_id,visit,L1"
    result = gathered_csv(tmp_path, "P1,R1,second,40", headings=headings, tables={"measurements": declared})
    assert only_finding(result)["rule"] == "column_given_twice"


def test_one_sheet_may_hold_several_tables(tmp_path: Path) -> None:
    tables = {
        "participants": {"file": "all.csv"},
        "measurements": {"file": "all.csv", "fixed": {"rater_id": "R1"}, "wide": WIDE["wide"][:1]},
    }
    result = gathered(tmp_path, {"all.csv": "participant_id,sex,Day 1,Left 1\nP1,male,2024-01-01,40\n"}, tables=tables)
    assert rules(result) == []
    assert result.tables["participants"]["sex"].tolist() == ["male"]
    assert result.tables["measurements"]["value"].tolist() == [40.0]


def test_a_count_that_does_not_add_up_is_known() -> None:
    assert RowCount(sheet_rows=5, blank_rows=1, cells_per_row=2, empty_cells=3, rows=5).balanced
    assert not RowCount(sheet_rows=5, blank_rows=1, cells_per_row=2, empty_cells=3, rows=4).balanced
