"""From a folder to seven typed tables: which files are read, what becomes of cells, what is left out."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest
from intake_cases import (
    COLUMNS,
    HEADINGS,
    ROW,
    changes,
    check_promises,
    gathered,
    gathered_csv,
    gathered_sheet,
    only_finding,
    protocol_with,
    rules,
)

from studykit.data.intake.gathering import gather
from studykit.errors import DataError
from studykit.vocabulary import COLUMNS as TABLE_COLUMNS


def test_every_table_is_there_and_typed(tmp_path: Path) -> None:
    result = gathered_csv(tmp_path, ROW + ",2024-03-04,yes,n", headings=HEADINGS + ",measured_on,warmed_up,note")
    check_promises(result)
    assert set(result.tables) == set(TABLE_COLUMNS)
    assert result.present == {"measurements"}
    dtypes = result.tables["measurements"].dtypes.astype(str).to_dict()
    assert dtypes["participant_id"] == "str"
    assert dtypes["measured_on"] == "datetime64[us]"
    assert dtypes["trial"] == "Int64"
    assert dtypes["value"] == "float64"
    assert dtypes["warmed_up"] == "boolean"
    for table, frame in result.tables.items():
        if table != "measurements":
            assert len(frame) == 0
    shared = {"participant_id", "measured_on", "side", "value"}
    assert result.tables["participants"].dtypes["enrolled_on"] == "datetime64[us]"
    assert shared <= set(result.tables["measurements"].columns)


def test_there_must_be_a_folder_data(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="no folder 'data'"):
        gather(tmp_path, protocol_with())


def test_progress_says_what_is_read(tmp_path: Path) -> None:
    gathered_csv(tmp_path, ROW)
    said: list[str] = []
    gather(tmp_path, protocol_with(), progress=said.append)
    assert said == ["Reading measurements from measurements.csv"]


def test_measurements_must_be_there_and_the_other_tables_need_not(tmp_path: Path) -> None:
    assert only_finding(gathered(tmp_path, {}))["rule"] == "no_measurements"


def test_a_file_that_no_table_reads_is_a_suspicion_with_a_hint(tmp_path: Path) -> None:
    result = gathered(
        tmp_path, {"measurements.csv": f"{HEADINGS}\n{ROW}\n", "Participants.csv": "participant_id\nP1\n"}
    )
    finding = only_finding(result)
    assert (finding["rule"], finding["severity"]) == ("file_not_read", "suspicion")
    assert "did you mean 'participants.csv'" in finding["message"]


def test_two_files_with_the_name_of_one_table_are_refused(tmp_path: Path) -> None:
    gathered_sheet(tmp_path, [COLUMNS, ["P1", "lunge", "R1", 1, 40]])
    finding = only_finding(gathered(tmp_path, {"measurements.csv": f"{HEADINGS}\n{ROW}\n"}))
    assert "measurements.csv, measurements.xlsx" in finding["message"]


def test_a_folder_with_the_name_of_a_file_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "data" / "measurements.csv").mkdir(parents=True)
    assert "is a folder" in only_finding(gather(tmp_path, protocol_with()))["message"]


@pytest.mark.parametrize(
    ("declared", "said"),
    [
        ({"file": "measurments.csv"}, "Did you mean 'measurements.csv'"),
        ({"file": "old.xls"}, "save it as .xlsx or .csv"),
        ({"file": "measurements.csv", "sheet": "x"}, "is no workbook"),
    ],
)
def test_declared_files_that_cannot_be_read(tmp_path: Path, declared: dict[str, str], said: str) -> None:
    files: dict[str, str | bytes] = {"measurements.csv": f"{HEADINGS}\n{ROW}\n", "old.xls": b"\xd0\xcf\x11\xe0"}
    result = gathered(tmp_path, files, tables={"measurements": declared})
    assert "unreadable" in rules(result)
    assert said in result.findings["message"].iloc[0]


def test_several_tables_of_one_workbook_and_a_sheet_that_is_not_there(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    workbook = openpyxl.Workbook()
    workbook.active.title = "participants"
    workbook.active.append(["participant_id"])
    workbook.active.append(["P1"])
    sheet = workbook.create_sheet("Readings")
    sheet.append(COLUMNS)
    sheet.append(["P1", "lunge", "R1", 1, 40])
    workbook.save(tmp_path / "data" / "clinic.xlsx")
    tables = {"measurements": {"sheet": "Readings"}}
    result = gather(tmp_path, protocol_with(workbook="clinic.xlsx", tables=tables))
    assert result.present == {"participants", "measurements"}
    assert rules(result) == []
    wrong = gather(tmp_path, protocol_with(workbook="clinic.xlsx", tables={"measurements": {"sheet": "Reading"}}))
    assert "Did you mean 'Readings'" in wrong.findings["message"].iloc[0]
    undeclared = gather(tmp_path, protocol_with())
    assert rules(undeclared) == ["file_not_read", "no_measurements"]


def test_a_workbook_that_cannot_be_read_is_said_once(tmp_path: Path) -> None:
    result = gathered(tmp_path, {"clinic.xlsx": b"PK nothing"}, workbook="clinic.xlsx")
    assert only_finding(result)["rule"] == "unreadable"


def test_refused_cells_are_errors_at_their_rows_and_missing_in_the_table(tmp_path: Path) -> None:
    result = gathered_csv(tmp_path, "P1,lunge,R1,1,47°", "P2,lunge,R1,1,40", "P3,lunge,R1,x,>50")
    check_promises(result)
    assert result.findings[["row", "column", "value"]].values.tolist() == [
        [4, "trial", "x"],
        [2, "value", "47°"],
        [4, "value", ">50"],
    ]
    assert result.tables["measurements"]["value"].isna().tolist() == [True, False, True]
    assert result.texts["measurements"]["value"].tolist() == ["47°", "40", ">50"]


def test_every_changed_cell_is_in_the_log(tmp_path: Path) -> None:
    result = gathered_csv(
        tmp_path,
        "P1 ;lunge;R1;1;46,5;04.03.2024;ja;NA",
        "P2;lunge;R1;1;46;2024-03-04;nein;ok",
        headings="participant_id;measure;rater_id;trial;value;measured_on;warmed_up;note",
        decimal_mark=",",
        date_order="day-month-year",
        missing_words=["NA"],
        yes_words=["ja"],
        no_words=["nein"],
    )
    assert rules(result) == []
    assert sorted(zip(result.log["row"], result.log["column"], *zip(*changes(result), strict=True), strict=True)) == [
        (2, "measured_on", "04.03.2024", "2024-03-04"),
        (2, "note", "NA", ""),
        (2, "participant_id", "P1 ", "P1"),
        (2, "value", "46,5", "46.5"),
        (2, "warmed_up", "ja", "yes"),
        (3, "warmed_up", "nein", "no"),
    ]
    assert result.log["why"].str.len().min() > 0


def test_identifiers_that_differ_in_zeros_or_capitals_are_two_people_and_a_suspicion(tmp_path: Path) -> None:
    result = gathered_csv(tmp_path, "001,lunge,R1,1,40", "001,lunge,R1,2,40", "1,lunge,r1,1,41", "010,lunge,R1,1,40")
    assert rules(result) == ["identifiers_nearly_alike"] * 2
    assert result.findings[["row", "column", "value"]].values.tolist() == [
        [4, "participant_id", "1"],
        [4, "rater_id", "r1"],
    ]
    assert result.tables["measurements"]["participant_id"].tolist() == ["001", "001", "1", "010"]


def test_rows_that_are_declared_to_be_no_data_are_logged_and_counted(tmp_path: Path) -> None:
    declared = {"ignore_rows_with": ["Example"]}
    result = gathered_csv(tmp_path, "Example ,lunge,R1,1,40", ROW, tables={"measurements": declared})
    assert result.tables["measurements"]["participant_id"].tolist() == ["P1"]
    assert result.counts["measurements"].marked_rows == 1
    assert result.log[["row", "before", "after"]].values.tolist() == [[2, "Example ", ""]]
    assert result.places["measurements"]["row"].tolist() == [3]
