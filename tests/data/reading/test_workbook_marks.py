"""Marks of cells, read from the XML of a sheet as different programs write it."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest

from studykit.data.reading.workbook_marks import SheetMarks, read_marks

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
STRICT = "http://purl.oclc.org/ooxml/spreadsheetml/main"
RELATIONS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006/relationships"
STYLES = (
    f'<styleSheet xmlns="{MAIN}"><numFmts><numFmt numFmtId="170" formatCode="&quot;P&quot;000"/>'
    '<numFmt numFmtId="171" formatCode="0.0&quot;%&quot;"/></numFmts><cellXfs>'
    '<xf numFmtId="0"/><xf numFmtId="10"/><xf numFmtId="170"/><xf numFmtId="171"/></cellXfs></styleSheet>'
)


def marks(folder: Path, sheet: str, *, namespace: str = MAIN, prefix: str = "", calculate: str = "") -> SheetMarks:
    """Marks of a sheet with this content; `prefix` is that of the sheet's elements."""
    path = folder / "t.xlsx"
    name = f"xmlns:{prefix[:-1]}" if prefix else "xmlns"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(
            "_rels/.rels",
            f'<Relationships xmlns="{PACKAGE}"><Relationship Id="r" Type="{RELATIONS}/officeDocument" '
            'Target="xl/workbook.xml"/></Relationships>',
        )
        archive.writestr(
            "xl/workbook.xml",
            f'<workbook xmlns="{MAIN}" xmlns:r="{RELATIONS}"><sheets><sheet name="s" r:id="rId7"/></sheets>'
            f"{calculate}</workbook>",
        )
        archive.writestr(
            "xl/_rels/workbook.xml.rels",
            f'<Relationships xmlns="{PACKAGE}"><Relationship Id="rId7" Type="{RELATIONS}/worksheet" '
            'Target="worksheets/one.xml"/></Relationships>',
        )
        archive.writestr("xl/styles.xml", STYLES)
        archive.writestr(
            "xl/worksheets/one.xml", f'<{prefix}worksheet {name}="{namespace}">{sheet}</{prefix}worksheet>'
        )
    return read_marks(path, "s")


@pytest.mark.parametrize("namespace", [MAIN, STRICT])
@pytest.mark.parametrize("prefix", ["", "x:"])
def test_elements_are_known_whatever_their_prefix(tmp_path: Path, namespace: str, prefix: str) -> None:
    sheet = (
        "<!sheetData><!row r='2' hidden='1'><!c r='B2' t='e'>"
        "<!v>#N/A</!v></!c><!c r='C2'><!f>A1</!f></!c></!row></!sheetData>"
    ).replace("!", prefix)
    found = marks(tmp_path, sheet, namespace=namespace, prefix=prefix)
    assert found.hidden_rows == {1}
    assert found.uncalculated == {(1, 2)}
    assert found.errors == {(1, 1): "#N/A"}


def test_cells_without_a_reference_are_counted(tmp_path: Path) -> None:
    sheet = "<row><c><v>1</v></c><c t='e'><v>#N/A</v></c></row><row><c r='C2'><v>1</v></c><c><f>A1</f></c></row>"
    found = marks(tmp_path, f"<sheetData>{sheet}</sheetData>")
    assert found.errors == {(0, 1): "#N/A"}
    assert found.uncalculated == {(1, 3)}
    assert found.last_cell == (1, 3)


def test_a_calculated_formula_is_trusted_unless_the_workbook_asks_to_be_calculated(tmp_path: Path) -> None:
    sheet = (
        "<sheetData><row r='1'><c r='A1'><f>1+1</f><v>2</v></c><c r='B1' t='str'><f>x</f><v></v></c></row></sheetData>"
    )
    assert marks(tmp_path, sheet).uncalculated == frozenset()
    assert marks(tmp_path, sheet, calculate='<calcPr fullCalcOnLoad="1"/>').uncalculated == {(0, 0), (0, 1)}


def test_formulas_of_extensions_are_no_cells(tmp_path: Path) -> None:
    sheet = (
        "<sheetData><row r='1'><c r='A1'><v>2</v></c></row></sheetData><extLst><ext><f>A1</f><v>1</v></ext></extLst>"
    )
    assert marks(tmp_path, sheet).uncalculated == frozenset()


def test_formats_of_percentages_and_of_zeros_in_front(tmp_path: Path) -> None:
    cells = "".join(f"<c r='{letter}1' s='{style}'><v>7</v></c>" for style, letter in enumerate("ABCD"))
    found = marks(tmp_path, f"<sheetData><row r='1'>{cells}<c r='E1' s='1'/></row></sheetData>")
    assert found.percent == {(0, 1)}
    assert found.zeros == {(0, 2): ("P", 3)}
    assert found.last_cell == (0, 3)


def test_merged_and_hidden_parts(tmp_path: Path) -> None:
    sheet = (
        "<cols><col min='2' max='3' hidden='true'/><col min='5' max='5' width='0'/></cols>"
        "<sheetData><row r='4' ht='0'/>"
        "</sheetData><mergeCells><mergeCell ref='A1:B3'/><mergeCell ref='$AA$10'/></mergeCells>"
    )
    found = marks(tmp_path, sheet)
    assert [column for column in range(6) if found.column_is_hidden(column)] == [1, 2, 4]
    assert found.hidden_rows == {3}
    assert found.merged == ((0, 0, 2, 1), (9, 26, 9, 26))


def test_a_sheet_that_is_not_there(tmp_path: Path) -> None:
    marks(tmp_path, "<sheetData/>")
    with pytest.raises(KeyError):
        read_marks(tmp_path / "t.xlsx", "other")


def test_a_document_type_declaration_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "t.xlsx"
    marks(tmp_path, "<sheetData/>")
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    parts["xl/worksheets/one.xml"] = b'<!DOCTYPE x [<!ENTITY a "b">]>' + parts["xl/worksheets/one.xml"]
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    with pytest.raises(ValueError, match="document type"):
        read_marks(path, "s")
