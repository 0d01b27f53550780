"""One table value: rows must fit, text is escaped, rows and columns are named for a screen reader."""

from xml.etree import ElementTree

import pytest

from studykit.errors import CallError
from studykit.table import Column, Table

TABLE = Table(
    "change",
    "Change (°) <by arm> & visit",
    (Column("Arm", "left"), Column("Change, 95% CI")),
    (("60 s <hold> & more", "6.1 (4.0 to 8.2)"), ('"none"', "0.2 (−1.9 to 2.3)")),
    ("Limbs of one person are not two people.",),
)


def parsed(table: Table) -> ElementTree.Element:
    return ElementTree.fromstring(f"<div>{table.to_html()}</div>")  # noqa: S314 - our own words


def test_html_says_what_the_table_says() -> None:
    root = parsed(TABLE)
    assert root.findtext(".//caption") == TABLE.title
    assert [cell.text for cell in root.findall(".//thead//th")] == ["Arm", "Change, 95% CI"]
    assert [[cell.text for cell in row] for row in root.findall(".//tbody/tr")] == [list(row) for row in TABLE.rows]
    assert root.findtext("p[@class='note']") == TABLE.notes[0]


def test_headings_and_first_cells_name_columns_and_rows() -> None:
    root = parsed(TABLE)
    assert [cell.get("scope") for cell in root.findall(".//thead//th")] == ["col", "col"]
    assert [row[0].get("scope") for row in root.findall(".//tbody/tr")] == ["row", "row"]
    assert root.findall(".//tbody/tr")[0][0].get("class") == "left"
    assert root.findall(".//tbody/tr")[0][1].get("class") == "right"


def test_a_wide_table_can_be_scrolled_by_keyboard() -> None:
    (frame,) = parsed(TABLE).findall("div")
    assert (frame.get("tabindex"), frame.get("role"), frame.get("aria-label")) == ("0", "group", TABLE.title)


def test_a_quotation_mark_in_the_title_does_not_end_the_label() -> None:
    (frame,) = parsed(Table("k", 'The "best" of three', (Column("a"),), ())).findall("div")
    assert frame.get("aria-label") == 'The "best" of three'


def test_a_row_of_another_length_is_refused_with_its_place() -> None:
    with pytest.raises(CallError, match=r"Row 2 of table 'k' has 1 cells; it needs 2\."):
        Table("k", "t", (Column("a"), Column("b")), (("1", "2"), ("3",)))


def test_a_table_without_rows_is_a_table() -> None:
    assert parsed(Table("k", "t", (Column("a"),), ())).findall(".//tbody/tr") == []


def test_a_table_cannot_be_changed() -> None:
    with pytest.raises(AttributeError):
        TABLE.title = "another"  # type: ignore[misc]
