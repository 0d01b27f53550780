"""The entry workbook: complete, the same bytes every time, and no cell refuses what the check would accept."""

from __future__ import annotations

import datetime
import io
import math
import tomllib
from importlib import resources
from pathlib import Path

import openpyxl
import pytest
from openpyxl.worksheet.datavalidation import DataValidation

from studykit.data import check_study
from studykit.entry import EXAMPLE, HEADING_ROW, PAGES, TABLES, dictionary_tables, entry_workbook, write_entry
from studykit.entry.cell_rules import LONGEST_MESSAGE, LONGEST_TITLE
from studykit.entry.columns import columns_of
from studykit.errors import CallError
from studykit.protocol import Protocol, parse_protocol
from studykit.protocol.cells import table_columns
from studykit.starting import protocol_template, start_study
from studykit.vocabulary import COLUMNS, DESIGNS


def protocol_of(design: str) -> Protocol:
    return parse_protocol(protocol_template(design))


def opened(protocol: Protocol) -> openpyxl.Workbook:
    return openpyxl.load_workbook(io.BytesIO(entry_workbook(protocol)))


def rule_at(book: openpyxl.Workbook, table: str, column: str) -> DataValidation:
    sheet = book[table]
    place = [cell.value for cell in sheet[HEADING_ROW]].index(column) + 1
    cell = sheet.cell(HEADING_ROW + 1, place)
    (rule,) = (one for one in sheet.data_validations.dataValidation if cell.coordinate in one.cells)
    return rule


def listed(book: openpyxl.Workbook, rule: DataValidation) -> list[str]:
    """The words that a list offers."""
    if rule.formula1.startswith('"'):
        return rule.formula1.strip('"').split(",")
    ((sheet, cells),) = book.defined_names[rule.formula1.lstrip("=")].destinations
    block = book[sheet][cells]
    return [row[0].value for row in block] if isinstance(block, tuple) else [block.value]


@pytest.mark.parametrize("design", DESIGNS)
def test_every_table_has_a_sheet_and_every_column_two_headings_and_a_rule(design: str) -> None:
    protocol = protocol_of(design)
    book = opened(protocol)
    assert book.sheetnames == [PAGES[0], *TABLES[design], *PAGES[1:]]
    for table in TABLES[design]:
        sheet = book[table]
        assert [cell.value for cell in sheet[HEADING_ROW]] == list(table_columns(table, protocol))
        for column in columns_of(table, protocol):
            place = list(table_columns(table, protocol)).index(column.name) + 1
            assert sheet.cell(1, place).value == column.title + (" *" if column.needed else "")
            rule = rule_at(book, table, column.name)
            assert rule.showInputMessage or rule.promptTitle
            assert len(rule.promptTitle) <= LONGEST_TITLE
            assert len(rule.prompt) <= LONGEST_MESSAGE
            assert len(rule.error) <= LONGEST_MESSAGE
        assert sheet.freeze_panes == "B3"
        assert sheet.cell(HEADING_ROW + 1, 1).value == EXAMPLE


def test_units_stand_in_the_headings() -> None:
    titles = {column.name: column.title for table in COLUMNS for column in columns_of(table, protocol_of("audit"))}
    assert titles["height_cm"] == "Height (cm)"
    assert titles["age_years"] == "Age (years)"
    assert titles["value"] == "Reading (degrees)"
    mixed = columns_of("measurements", protocol_of("trial"))  # one measure in degrees, one in centimetres
    assert {column.name: column.unit for column in mixed}["value"] == "in the unit of the measure"


@pytest.mark.parametrize("design", DESIGNS)
def test_the_same_protocol_gives_the_same_bytes(design: str) -> None:
    assert entry_workbook(protocol_of(design)) == entry_workbook(protocol_of(design))


def test_lists_offer_exactly_what_the_protocol_allows_however_long_they_are() -> None:
    stated = "\n".join(f'[arms.arm_with_a_long_name_{at}]\nlabel = "Pathway {at}"' for at in range(20))
    protocol = parse_protocol(f"{protocol_template('audit')}\n{stated}\n")
    assert len(",".join(protocol.arms)) > 255  # more than a list inside a rule may hold
    book = opened(protocol)
    assert listed(book, rule_at(book, "participants", "arm")) == list(protocol.arms)
    assert listed(book, rule_at(book, "measurements", "visit")) == ["first", "review"]
    assert listed(book, rule_at(book, "measurements", "measure")) == list(protocol.measures)
    assert listed(book, rule_at(book, "measurements", "warmed_up")) == ["yes", "no"]
    assert listed(book, rule_at(book, "events", "severity")) == ["mild", "moderate", "severe"]


def test_a_reading_is_held_to_the_range_of_its_own_measure() -> None:
    protocol = protocol_of("audit")
    book = opened(protocol)
    rule = rule_at(book, "measurements", "value")
    assert (rule.type, rule.operator or "between") == ("decimal", "between")
    low, high = rule.formula1, rule.formula2
    measures = protocol.measures.values()
    assert f"{min(one.plausible_low for one in measures):g}" in low
    assert f"{max(one.plausible_high for one in measures):g}" in high
    assert "MATCH($E3,words_measurements_measure,0)" in low
    ((sheet, cells),) = book.defined_names["lowest_reading"].destinations
    assert [row[0].value for row in book[sheet][cells]] == [one.plausible_low for one in measures]


@pytest.mark.parametrize("design", DESIGNS)
def test_no_cell_refuses_a_number_that_the_check_accepts(design: str) -> None:
    protocol = protocol_of(design)
    book = opened(protocol)
    for table in TABLES[design]:
        for column in columns_of(table, protocol):
            if column.bounds is None or column.name == "value":
                continue
            rule = rule_at(book, table, column.name)
            if math.isfinite(column.bounds.low):
                assert float(rule.formula1) <= column.bounds.low
            if math.isfinite(column.bounds.high):
                assert float(rule.formula2 or rule.formula1) >= column.bounds.high


def test_a_column_of_the_study_itself_has_its_heading_and_its_range() -> None:
    extra = '[covariates.desk_h_per_day]\nlabel = "Hours at a desk"\nkind = "number"\nunit = "h"\nlow = 0\nhigh = 24\n'
    protocol = parse_protocol(f"{protocol_template('trial')}\n{extra}")
    book = opened(protocol)
    assert book["participants"].cell(1, 9).value == "Hours at a desk (h)"
    rule = rule_at(book, "participants", "desk_h_per_day")
    assert (float(rule.formula1), float(rule.formula2)) == (0.0, 24.0)


def test_the_first_sheet_explains_and_warns() -> None:
    sheet = opened(protocol_of("trial"))[PAGES[0]]
    text = " ".join(str(cell.value) for row in sheet.iter_rows() for cell in row if cell.value)
    for words in ("no diagnosis and no treatment advice", "licensed clinician", "no names", EXAMPLE, "studykit check"):
        assert words in text


def test_every_column_of_the_kit_is_explained_and_no_other() -> None:
    explained = tomllib.loads(resources.files("studykit.entry").joinpath("columns.toml").read_text(encoding="utf-8"))
    assert {table: tuple(part["columns"]) for table, part in explained.items()} == COLUMNS


@pytest.mark.parametrize("design", DESIGNS)
def test_the_dictionary_says_of_every_column_what_it_is_for(design: str) -> None:
    protocol = protocol_of(design)
    tables = {table.key: table for table in dictionary_tables(protocol)}
    for table in COLUMNS:
        rows = {row[0]: row for row in tables[f"dictionary_{table}"].rows}
        assert tuple(rows) == table_columns(table, protocol)
        assert all(row[1] and row[3] and row[4] for row in rows.values())
    measurements = {row[0]: row for row in tables["dictionary_measurements"].rows}
    assert measurements["side"][3] == "left, right"
    assert measurements["value"][4] == "in every row"
    assert measurements["note"][4] == "may be empty"
    assert {row[0] for row in tables["dictionary_measures"].rows} == set(protocol.measures)


def type_in(path: Path, table: str, *rows: list[object]) -> None:
    book = openpyxl.load_workbook(path)
    for at, row in enumerate(rows):
        for place, content in enumerate(row):
            book[table].cell(HEADING_ROW + 2 + at, place + 1).value = content
    book.save(path)


def test_written_again_after_a_change_of_the_protocol(tmp_path: Path) -> None:
    start_study(tmp_path / "study", design="audit")
    folder = tmp_path / "study"
    text = (folder / "study.toml").read_text(encoding="utf-8").replace('["R1", "R2"]', '["R1", "R2", "R7"]')
    (folder / "study.toml").write_text(text, encoding="utf-8")
    written = write_entry(folder, parse_protocol(text))
    assert (written.path, written.kept) == (folder / "data" / "entry.xlsx", None)
    book = openpyxl.load_workbook(written.path)
    assert listed(book, rule_at(book, "measurements", "rater_id")) == ["R1", "R2", "R7"]


def test_a_filled_workbook_is_never_replaced(tmp_path: Path) -> None:
    folder = tmp_path / "study"
    start_study(folder, design="audit")
    filled = folder / "data" / "entry.xlsx"
    type_in(filled, "participants", ["P001"], ["P002"])
    before = filled.read_bytes()
    written = write_entry(folder, protocol_of("audit"))
    assert filled.read_bytes() == before
    assert (written.path, written.kept, written.kept_rows) == (folder / "entry_new.xlsx", filled, 2)
    assert set(check_study(folder).findings["rule"]) == {"table_missing"}  # the new one is not taken for data


def test_entries_on_a_sheet_of_ones_own_count_as_filled(tmp_path: Path) -> None:
    start_study(tmp_path / "study", design="audit")
    path = tmp_path / "study" / "data" / "entry.xlsx"
    book = openpyxl.load_workbook(path)
    book.create_sheet("My list").append(["a note"])
    book.save(path)
    assert write_entry(tmp_path / "study", protocol_of("audit")).kept_rows == 1


def test_a_workbook_that_cannot_be_read_is_left_alone(tmp_path: Path) -> None:
    start_study(tmp_path / "study", design="audit")
    path = tmp_path / "study" / "data" / "entry.xlsx"
    path.write_bytes(b"no workbook")
    with pytest.raises(CallError, match=r"so it was left as it is\. Move it away"):
        write_entry(tmp_path / "study", protocol_of("audit"))
    assert path.read_bytes() == b"no workbook"


def test_the_example_would_be_accepted_if_it_were_data(tmp_path: Path) -> None:
    """An example that the check would refuse teaches the wrong thing."""
    for design in DESIGNS:
        folder = tmp_path / design
        start_study(folder, design=design)
        book = openpyxl.load_workbook(folder / "data" / "entry.xlsx")
        for table in TABLES[design]:
            first = book[table].cell(HEADING_ROW + 1, 1)
            first.value = "R1" if table == "raters" else "P001"
            assert isinstance(book[table].cell(HEADING_ROW + 1, 1).value, str)
        book.save(folder / "data" / "entry.xlsx")
        checked = check_study(folder)
        errors = checked.findings[checked.findings["severity"] == "error"]
        assert errors.empty, errors[["table", "column", "message"]].to_string()
        assert sum(checked.rows_used.values()) == len(TABLES[design])


def test_the_example_day_is_a_real_date() -> None:
    value = opened(protocol_of("trial"))["measurements"].cell(HEADING_ROW + 1, 3).value
    assert isinstance(value, datetime.datetime)
