"""Workbooks: everything that a plain reader of cells would lose or change in silence."""

from __future__ import annotations

import datetime as dt
import io
import random
import zipfile
from pathlib import Path

import openpyxl
import pytest
import xlsxwriter
from intake_cases import COLUMNS, changes, gathered, gathered_sheet, only_finding, protocol_with, rules
from openpyxl.utils.datetime import CALENDAR_MAC_1904
from openpyxl.worksheet.worksheet import Worksheet

from studykit.data.intake.gathering import gather
from studykit.data.reading.sheet import column_letter
from studykit.data.reading.workbook import read_sheet, sheet_names
from studykit.errors import DataError

DATED = [*COLUMNS, "measured_on"]


def rows(*values: object, name: object = "P1") -> list[list[object]]:
    return [list(COLUMNS), *([name, "lunge", "R1", number + 1, value] for number, value in enumerate(values))]


def test_text_identifiers_stay_text(tmp_path: Path) -> None:
    sheet = [COLUMNS, *([name, "lunge", "R1", 1, 40] for name in ("001", "004", "004 ", "NA", "None"))]
    result = gathered_sheet(tmp_path, sheet)
    assert result.tables["measurements"]["participant_id"].tolist() == ["001", "004", "004", "NA", "None"]
    assert changes(result) == [("004 ", "004")]
    assert result.log["row"].tolist() == [4]
    assert rules(result) == []


def test_a_number_among_text_identifiers_is_a_suspicion_and_never_merged(tmp_path: Path) -> None:
    result = gathered_sheet(tmp_path, [COLUMNS, *([name, "lunge", "R1", 1, 40] for name in ("001", 1, "002"))])
    assert result.tables["measurements"]["participant_id"].tolist() == ["001", "1", "002"]
    assert rules(result) == ["identifier_is_number", "identifiers_nearly_alike"]
    assert result.findings["row"].tolist() == [3, 3]


def test_identifiers_that_are_all_numbers_are_one_suspicion(tmp_path: Path) -> None:
    result = gathered_sheet(tmp_path, [COLUMNS, *([name, "lunge", "R1", 1, 40] for name in (1, 2, 3))])
    assert only_finding(result)["rule"] == "identifier_is_number"
    assert "all 3" in only_finding(result)["message"]


@pytest.mark.parametrize(("code", "shown"), [("000", "007"), ('"P"00', "P07"), ("General", "7")])
def test_identifiers_are_taken_as_the_sheet_shows_them(tmp_path: Path, code: str, shown: str) -> None:
    def change(sheet: Worksheet) -> None:
        sheet["A2"].number_format = code

    result = gathered_sheet(tmp_path, rows(40, name=7), change)
    assert result.tables["measurements"]["participant_id"].tolist() == [shown]
    assert changes(result) == ([("7", shown)] if shown != "7" else [])


def test_numbers_booleans_dates_times_and_percentages_in_a_column_of_degrees(tmp_path: Path) -> None:
    def change(sheet: Worksheet) -> None:
        sheet["E6"].number_format = "0%"

    cells = (46.5, True, dt.date(2024, 5, 4), dt.time(6), 0.46, "46.5", 46)
    result = gathered_sheet(tmp_path, rows(*cells), change)
    assert rules(result) == ["yes_no_for_number", "date_for_number", "date_for_number", "percent_for_number"]
    assert [message.split(":")[0] for message in result.findings["message"]] == [
        "cell E3",
        "cell E4",
        "cell E5",
        "cell E6",
    ]
    assert result.tables["measurements"]["value"].dropna().tolist() == [46.5, 46.5, 46.0]


def test_an_error_cell_is_refused_with_its_address(tmp_path: Path) -> None:
    def change(sheet: Worksheet) -> None:
        sheet["E3"].value = "#N/A"
        sheet["E3"].data_type = "e"

    finding = only_finding(gathered_sheet(tmp_path, rows(40, 0, 42), change))
    assert finding["rule"] == "error_value"
    assert finding["message"].startswith("cell E3: '#N/A'")
    assert (finding["row"], finding["column"], finding["position"]) == (3, "value", 1)


def test_a_formula_that_was_never_calculated_is_refused_with_its_address(tmp_path: Path) -> None:
    finding = only_finding(gathered_sheet(tmp_path, rows(40, "=E2+1")))
    assert finding["rule"] == "uncalculated_formula"
    assert finding["message"].startswith("cell E3: ")


def test_a_formula_written_with_the_result_zero_is_refused_too(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    workbook = xlsxwriter.Workbook(tmp_path / "data" / "measurements.xlsx")
    sheet = workbook.add_worksheet("measurements")
    sheet.write_row(0, 0, COLUMNS)
    sheet.write_row(1, 0, ["P1", "lunge", "R1", 1])
    sheet.write_formula(1, 4, "=20+20")
    workbook.close()
    result = gather(tmp_path, protocol_with())
    assert only_finding(result)["rule"] == "uncalculated_formula"


def rewritten(path: Path, part: str, old: str, new: str) -> None:
    """Change a part of a workbook as a spreadsheet would have written it."""
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    assert old.encode() in parts[part]
    parts[part] = parts[part].replace(old.encode(), new.encode())
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in parts.items():
            archive.writestr(name, content)


def test_a_calculated_formula_is_read_and_one_whose_result_is_empty_text_is_an_empty_cell(tmp_path: Path) -> None:
    gathered_sheet(tmp_path, rows("=20+20", '=""'))
    path = tmp_path / "data" / "measurements.xlsx"
    rewritten(path, "xl/workbook.xml", ' fullCalcOnLoad="1"', "")
    rewritten(path, "xl/worksheets/sheet1.xml", "<f>20+20</f><v></v>", "<f>20+20</f><v>40</v>")
    rewritten(path, "xl/worksheets/sheet1.xml", '<c r="E3"><f>""</f>', '<c r="E3" t="str"><f>""</f>')
    result = gather(tmp_path, protocol_with())
    assert rules(result) == []
    assert result.tables["measurements"]["value"].iloc[0] == 40.0
    assert result.tables["measurements"]["value"].isna().tolist() == [False, True]


def test_a_merged_identifier_is_filled_from_its_own_range_and_logged(tmp_path: Path) -> None:
    def change(sheet: Worksheet) -> None:
        sheet.merge_cells("A2:A3")

    sheet = [COLUMNS, ["P1", "lunge", "R1", 1, 40], [None, "lunge", "R1", 2, 41], [None, "lunge", "R1", 3, 42]]
    result = gathered_sheet(tmp_path, sheet, change)
    names = result.tables["measurements"]["participant_id"]
    assert names.dropna().tolist() == ["P1", "P1"]
    assert names.isna().tolist() == [False, False, True]
    assert changes(result) == [("", "P1")]
    assert result.log["row"].tolist() == [3]


def test_one_merged_reading_does_not_count_as_several(tmp_path: Path) -> None:
    result = gathered_sheet(tmp_path, rows(40, None, 42), lambda sheet: sheet.merge_cells("E2:E3"))
    finding = only_finding(result)
    assert (finding["rule"], finding["row"]) == ("merged_reading", 3)
    assert result.tables["measurements"]["value"].dropna().tolist() == [40.0, 42.0]


def test_a_cell_merged_over_columns_is_refused(tmp_path: Path) -> None:
    result = gathered_sheet(tmp_path, rows(40), lambda sheet: sheet.merge_cells("D2:E2"))
    assert rules(result) == ["merged_across", "merged_across"]


def test_merged_headings_fill_nothing_below(tmp_path: Path) -> None:
    result = gathered_sheet(tmp_path, rows(40, 41), lambda sheet: sheet.merge_cells("A1:A2"))
    assert result.tables["measurements"]["participant_id"].isna().tolist() == [True, False]


def hide(sheet: Worksheet) -> None:
    sheet.row_dimensions[3].hidden = True
    sheet.column_dimensions["F"].hidden = True


HIDDEN = [[*COLUMNS, "note"], *(["P1", "lunge", "R1", number, 40, "n"] for number in (1, 2, 3))]


def test_hidden_rows_and_columns_are_refused_unless_the_protocol_decides(tmp_path: Path) -> None:
    result = gathered_sheet(tmp_path, HIDDEN, hide)
    assert rules(result) == ["hidden_columns", "hidden_row"]
    assert result.findings["severity"].tolist() == ["error", "error"]
    assert result.findings["position"].tolist() == [-1, 1]
    assert len(result.tables["measurements"]) == 3


def test_hidden_rows_and_columns_that_are_used_are_listed(tmp_path: Path) -> None:
    result = gathered_sheet(tmp_path, HIDDEN, hide, read_hidden="use")
    assert rules(result) == ["hidden_columns", "hidden_rows"]
    assert set(result.findings["severity"]) == {"suspicion"}
    assert "hidden rows are used: 3" in result.findings["message"].iloc[1]
    assert result.tables["measurements"]["note"].tolist() == ["n", "n", "n"]


def test_hidden_rows_and_columns_that_are_left_out_are_counted_logged_and_listed(tmp_path: Path) -> None:
    result = gathered_sheet(tmp_path, HIDDEN, hide, read_hidden="leave out")
    assert rules(result) == ["hidden_columns", "hidden_rows"]
    assert result.tables["measurements"]["trial"].tolist() == [1, 3]
    assert result.tables["measurements"]["note"].isna().all()
    assert result.counts["measurements"].hidden_rows == 1
    assert "hidden" in result.log["why"].iloc[0]


@pytest.mark.parametrize(
    ("read_hidden", "rule", "severity"), [("refuse", "hidden_sheet", "error"), ("use", "hidden_sheet", "suspicion")]
)
def test_a_hidden_sheet_that_a_table_is_read_from_is_named(
    tmp_path: Path, read_hidden: str, rule: str, severity: str
) -> None:
    def change(sheet: Worksheet) -> None:
        sheet.parent.create_sheet("front").append(["About"])
        sheet.parent.create_sheet("empty")
        sheet.sheet_state = "hidden"

    result = gathered_sheet(tmp_path, rows(40), change, read_hidden=read_hidden)
    assert rules(result) == [rule, "sheet_not_read"]
    assert result.findings["severity"].iloc[0] == severity
    left_out = gathered_sheet(tmp_path, rows(40), change, read_hidden="leave out")
    assert len(left_out.tables["measurements"]) == 0


def test_real_dates_are_dates_and_serial_numbers_are_refused(tmp_path: Path) -> None:
    def change(sheet: Worksheet) -> None:
        sheet["F3"].number_format = "0"

    cells = (dt.date(2024, 3, 4), 45355, "2024-03-04", dt.datetime(2024, 3, 4, 9, 30), "03/04/2024")
    sheet = [DATED, *(["P1", "lunge", "R1", number, 40, cell] for number, cell in enumerate(cells))]
    result = gathered_sheet(tmp_path, sheet, change)
    assert rules(result) == ["number_for_date", "ambiguous_date"]
    assert "2024-03-04" in result.findings["message"].iloc[0]
    days = result.tables["measurements"]["measured_on"]
    assert days.dropna().dt.strftime("%Y-%m-%d").tolist() == ["2024-03-04"] * 3
    assert changes(result) == [("2024-03-04 09:30:00", "2024-03-04")]


def test_dates_of_a_workbook_that_counts_from_1904(tmp_path: Path) -> None:
    def change(sheet: Worksheet) -> None:
        sheet.parent.epoch = CALENDAR_MAC_1904

    result = gathered_sheet(tmp_path, [DATED, ["P1", "lunge", "R1", 1, 40, dt.date(2024, 3, 4)]], change)
    assert result.tables["measurements"]["measured_on"].dt.strftime("%Y-%m-%d").tolist() == ["2024-03-04"]


def test_a_date_in_a_column_of_words_is_refused(tmp_path: Path) -> None:
    sheet = [[*COLUMNS, "visit"], ["P1", "lunge", "R1", 1, 40, dt.date(2024, 1, 2)]]
    assert only_finding(gathered_sheet(tmp_path, sheet))["rule"] == "date_for_text"


def test_rows_keep_the_number_that_the_sheet_shows(tmp_path: Path) -> None:
    sheet = [["Audit"], [], *rows("x")[:1], [], ["P1", "lunge", "R1", 1, "x"]]
    result = gathered_sheet(tmp_path, sheet, tables={"measurements": {"heading_row": 3}})
    assert only_finding(result)["row"] == 5
    assert result.counts["measurements"].blank_rows == 1


def test_text_that_looks_like_a_formula_stays_data(tmp_path: Path) -> None:
    def change(sheet: Worksheet) -> None:
        sheet["F2"].value = '=HYPERLINK("x")'
        sheet["F2"].data_type = "s"

    result = gathered_sheet(tmp_path, [[*COLUMNS, "note"], ["P1", "lunge", "R1", 1, 40, "-"]], change)
    assert result.tables["measurements"]["note"].tolist() == ['=HYPERLINK("x")']


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"\xd0\xcf\x11\xe0" + b"\x00" * 600, "password"),
        (b"PK\x03\x04 broken", "no workbook"),
        (b"", "is empty"),
        (b"participant_id,value\n", "no workbook"),
    ],
)
def test_what_is_no_workbook_is_one_sentence(tmp_path: Path, content: bytes, said: str) -> None:
    finding = only_finding(gathered(tmp_path, {"measurements.xlsx": content}))
    assert finding["rule"] == "unreadable"
    assert said in finding["message"]


def test_a_cell_far_away_is_refused_before_it_fills_the_memory(tmp_path: Path) -> None:
    finding = only_finding(gathered_sheet(tmp_path, rows(40), lambda sheet: sheet.__setitem__("XFD1048576", 1)))
    assert "XFD1048576" in finding["message"]


def test_a_sheet_without_cells_has_no_headings(tmp_path: Path) -> None:
    assert "no headings" in only_finding(gathered_sheet(tmp_path, []))["message"]


def test_a_lock_file_of_an_open_spreadsheet_is_no_file(tmp_path: Path) -> None:
    gathered_sheet(tmp_path, rows(40))
    assert rules(gathered(tmp_path, {"~$measurements.xlsx": b"x", ".~lock.measurements.xlsx#": b"x"})) == []


def test_letters_of_columns() -> None:
    # the last column of a sheet is XFD, number 16384
    assert [column_letter(number) for number in (0, 25, 26, 701, 702, 16383)] == ["A", "Z", "AA", "ZZ", "AAA", "XFD"]


def test_a_damaged_workbook_is_always_a_sentence(tmp_path: Path) -> None:
    workbook = openpyxl.Workbook()
    workbook.active.append(["participant_id", "value"])
    workbook.active.append(["001", 46.5])
    whole = io.BytesIO()
    workbook.save(whole)
    chance = random.Random(1)  # noqa: S311 - not for secrets
    path = tmp_path / "damaged.xlsx"
    refused = 0
    for number in range(300):
        content = bytearray(whole.getvalue())
        if number % 2:
            for _ in range(chance.randint(1, 20)):
                content[chance.randrange(len(content))] = chance.randrange(256)
            path.write_bytes(content)
        else:
            with zipfile.ZipFile(whole) as source, zipfile.ZipFile(path, "w") as target:
                victim = chance.choice(source.namelist())
                for name in source.namelist():
                    part = bytearray(source.read(name))
                    if name == victim:
                        part[chance.randrange(len(part))] = chance.randrange(32, 127)
                    target.writestr(name, bytes(part))
        try:
            for name in sheet_names(path):
                read_sheet(path, name, heading_row=1)
        except DataError:
            refused += 1
    assert 0 < refused < 300
