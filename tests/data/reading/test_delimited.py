"""Text files: delimiters, encodings, quotation marks, uneven and blank rows."""

from __future__ import annotations

from pathlib import Path

import pytest
from intake_cases import HEADINGS, gathered, gathered_csv, only_finding, rules

from studykit.data.reading.delimited import read_delimited
from studykit.data.reading.sheet import Sheet
from studykit.errors import DataError
from studykit.protocol.intake_model import Intake


def read(tmp_path: Path, content: str | bytes, heading_row: int = 1, **intake: object) -> Sheet:
    path = tmp_path / "t.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_delimited(path, heading_row=heading_row, intake=Intake.model_validate(intake))


def columns(sheet: Sheet) -> list[list[str]]:
    return [cells.tolist() for cells in sheet.cells]


@pytest.mark.parametrize("mark", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("quote", ["", '"'])
def test_each_delimiter_is_found_in_the_headings(tmp_path: Path, mark: str, end: str, quote: str) -> None:
    lines = [[f"{quote}{word}{quote}" for word in row] for row in (["a", "b"], ["001", "NA"], ["", "None"])]
    sheet = read(tmp_path, end.join(mark.join(line) for line in lines) + end)
    assert sheet.headings == ("a", "b")
    assert columns(sheet) == [["001", ""], ["NA", "None"]]
    assert sheet.rows.tolist() == [2, 3]


def test_headings_with_two_delimiters_are_refused_unless_one_is_declared(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="comma and semicolon"):
        read(tmp_path, "a,x;b\n1;2\n")
    assert read(tmp_path, "a,x;b\n1;2\n", delimiter=";").headings == ("a,x", "b")


def test_a_delimiter_inside_quotation_marks_does_not_count(tmp_path: Path) -> None:
    sheet = read(tmp_path, '"a, left";b\n"1;1";2\n')
    assert sheet.headings == ("a, left", "b")
    assert columns(sheet) == [["1;1"], ["2"]]


def test_a_first_line_that_names_the_delimiter_is_obeyed_and_counted(tmp_path: Path) -> None:
    sheet = read(tmp_path, "sep=;\na,x;b\n1;2\n", heading_row=2)
    assert sheet.headings == ("a,x", "b")
    assert sheet.rows.tolist() == [3]
    with pytest.raises(DataError, match="sep="):
        read(tmp_path, "sep=|\na|b\n")


@pytest.mark.parametrize(
    ("encoding", "declared"),
    [
        ("utf-8", None),
        ("utf-8-sig", None),
        ("utf-16", None),
        ("utf-16-le", "utf-16"),
        ("cp1252", "windows-1252"),
        ("utf-8-sig", "utf-8"),
    ],
)
def test_encodings_that_the_file_or_the_protocol_names(tmp_path: Path, encoding: str, declared: str | None) -> None:
    sheet = read(tmp_path, "a,b\nMüller,–5\n".encode(encoding), **({"encoding": declared} if declared else {}))
    assert sheet.headings == ("a", "b")
    assert columns(sheet) == [["Müller"], ["–5"]]


def test_windows_1252_that_is_not_declared_is_refused_with_its_line(tmp_path: Path) -> None:
    with pytest.raises(DataError, match=r"line 3: a byte there \(0xFC\) is not UTF-8.*windows-1252"):
        read(tmp_path, "a\nx\nMüller\n".encode("cp1252"))


def test_utf_8_that_is_declared_as_windows_1252_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="its letters are UTF-8"):
        read(tmp_path, "a\nMüller\n", encoding="windows-1252")


def test_a_mark_that_contradicts_the_declaration_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="says that it is utf-16"):
        read(tmp_path, "a\n1\n".encode("utf-16"), encoding="utf-8")


def test_a_null_character_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="null character"):
        read(tmp_path, "a,b\n1,2\n".encode("utf-16-le"))


@pytest.mark.parametrize("content", ["", "\n\n", "\ufeff"])
def test_an_empty_file_is_refused(tmp_path: Path, content: str) -> None:
    with pytest.raises(DataError, match=r"is empty|no headings"):
        read(tmp_path, content)


def test_headings_only_make_an_empty_sheet(tmp_path: Path) -> None:
    for content in ("a,b", "a,b\n", "a,b\n\n\n", "a,b\n,\n"):
        sheet = read(tmp_path, content)
        assert len(sheet) == 0
        assert sheet.blank == ()


def test_a_line_break_inside_quotation_marks_is_no_row(tmp_path: Path) -> None:
    sheet = read(tmp_path, 'a,b\n"x\ny",1\nz,2\n')
    assert columns(sheet) == [["x\ny", "z"], ["1", "2"]]
    assert sheet.rows.tolist() == [2, 3]


@pytest.mark.parametrize("content", ['a,b\n"x,1\ny,2\n', 'a,b\n"x"y,1\n'])
def test_quotation_marks_that_do_not_pair_are_refused(tmp_path: Path, content: str) -> None:
    with pytest.raises(DataError, match="quotation marks do not come in pairs"):
        read(tmp_path, content)


@pytest.mark.parametrize("quote", ["", '"'])
def test_blank_rows_are_left_out_and_counted_and_later_rows_keep_their_number(tmp_path: Path, quote: str) -> None:
    sheet = read(tmp_path, f"a,b\n{quote}1{quote},2\n\n,\n  ,\n3,4\n\n,\n")
    assert columns(sheet) == [["1", "3"], ["2", "4"]]
    assert sheet.rows.tolist() == [2, 6]
    assert sheet.blank == (3, 4, 5)


def test_a_row_with_too_few_or_too_many_cells_is_an_error_and_stays(tmp_path: Path) -> None:
    result = gathered_csv(tmp_path, "P1,lunge,R1,1,40", "P2,lunge,R1,1", "P3,lunge,R1,1,46,5", "P4,lunge,R1,1,41,,")
    assert rules(result) == ["too_few_cells", "too_many_cells"]
    assert result.findings["row"].tolist() == [3, 4]
    assert result.findings["position"].tolist() == [1, 2]
    assert result.tables["measurements"]["participant_id"].tolist() == ["P1", "P2", "P3", "P4"]


def test_the_heading_row_may_stand_lower(tmp_path: Path) -> None:
    sheet = read(tmp_path, "Clinic audit; spring\n\na;b\n1;2\n", heading_row=3)
    assert sheet.headings == ("a", "b")
    assert sheet.rows.tolist() == [4]
    with pytest.raises(DataError, match="no headings in row 9"):
        read(tmp_path, "a;b\n", heading_row=9)


def test_both_ways_of_reading_agree(tmp_path: Path) -> None:
    plain = read(tmp_path, "a;b\n1;2\n;\nx y;\n;z\n")
    careful = read(tmp_path, 'a;b\n"1";2\n;\nx y;\n;z\n')
    assert columns(plain) == columns(careful)
    assert plain.rows.tolist() == careful.rows.tolist()
    assert plain.blank == careful.blank


def test_many_rows_in_several_pieces_keep_their_order(tmp_path: Path) -> None:
    count = 120_000
    lines = [f'"{number}",x' if number != 70_000 else "" for number in range(count)]
    sheet = read(tmp_path, "a,b\n" + "\n".join(lines) + "\n")
    assert sheet.blank == (70_002,)
    assert sheet.cells[0].astype(int).tolist() == [number for number in range(count) if number != 70_000]
    assert (sheet.rows == sheet.cells[0].astype(int) + 2).all()


def test_an_unreadable_file_is_one_finding_and_the_others_are_read(tmp_path: Path) -> None:
    result = gathered(
        tmp_path,
        {"measurements.csv": f"{HEADINGS}\nP1,lunge,R1,1,40\n", "participants.csv": "größe\n".encode("cp1252")},
    )
    assert only_finding(result)["rule"] == "unreadable"
    assert len(result.tables["measurements"]) == 1


def test_a_semicolon_file_is_not_one_column(tmp_path: Path) -> None:
    result = gathered(
        tmp_path, {"measurements.csv": HEADINGS.replace(",", ";") + "\nP1;lunge;R1;1;46,5\n"}, decimal_mark=","
    )
    assert result.tables["measurements"]["value"].tolist() == [46.5]
    assert rules(result) == []
