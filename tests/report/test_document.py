"""report.docx: care first, real headings, described pictures, heads that repeat; LibreOffice opens it."""

from __future__ import annotations

import io
import shutil
import subprocess
import zipfile
from itertools import pairwise
from pathlib import Path

import docx
import pytest
from docx.document import Document
from docx.oxml.ns import qn
from paper_cases import fixed_sections, study_of
from test_figures import flow

from studykit.data import Checked
from studykit.report.document import report_document
from studykit.report.facts import facts_of
from studykit.report.guideline_tables import guideline_tables
from studykit.report.numbers import results_document
from studykit.report.page import SAFETY
from studykit.report.paper_tables import paper_tables
from studykit.report.print_style import ENGLISH, PrintStyle, print_style
from studykit.report.wording import paper_text


def written(small: Checked, style: PrintStyle = ENGLISH) -> bytes:
    study = study_of(small)
    sections = fixed_sections(study)
    return report_document(
        small,
        study,
        sections,
        drawings={"adherence": flow()},
        paper=paper_tables(study, sections),
        guidelines=guideline_tables(facts_of(study, sections, used=1, set_aside=0)),
        text=paper_text(study.protocol, results_document(small, sections)),
        style=style,
    )


@pytest.fixture(scope="module")
def content(small: Checked) -> bytes:
    return written(small)


@pytest.fixture(scope="module")
def document(content: bytes) -> Document:
    return docx.Document(io.BytesIO(content))


def place_of(document: Document, words: str) -> int:
    return next(n for n, paragraph in enumerate(document.paragraphs) if words in paragraph.text)


def test_care_stands_before_any_result(document: Document) -> None:
    first_result = place_of(document, "Headline of difference")
    assert all(place_of(document, sentence) < first_result for sentence in SAFETY)
    assert place_of(document, "Made-up data.") < place_of(document, SAFETY[0])


def test_cautions_stand_before_the_table_of_their_answer(document: Document) -> None:
    assert place_of(document, "Caution of adherence") < place_of(document, "Done")


def test_headings_make_an_outline_without_gaps(document: Document) -> None:
    depths = []
    for paragraph in document.paragraphs:
        name = paragraph.style.name if paragraph.style is not None else ""
        if name == "Title" or (name or "").startswith("Heading"):
            depths.append(0 if name == "Title" else int((name or "").split()[-1]))
    assert depths[0] == 0
    assert len(depths) > 15
    assert all(later <= earlier + 1 for earlier, later in pairwise(depths))


def test_every_picture_is_described_and_as_wide_as_it_was_drawn(document: Document) -> None:
    assert len(document.inline_shapes) == 1
    for shape in document.inline_shapes:
        properties = shape._inline.docPr
        assert properties.get("descr", "").startswith("Diagram of participant flow.")
        assert shape.width.mm == pytest.approx(160.0, abs=0.01)  # whole units of the format, 36,000 a millimetre


def test_the_head_of_every_table_repeats_and_no_row_is_broken(document: Document) -> None:
    assert len(document.tables) > 10
    for table in document.tables:
        heads = [row._tr.trPr.find(qn("w:tblHeader")) is not None for row in table.rows]
        assert heads == [True] + [False] * (len(table.rows) - 1)
        assert all(row._tr.trPr.find(qn("w:cantSplit")) is not None for row in table.rows)


def test_grid_and_cells_agree_on_the_widths(document: Document) -> None:
    for table in document.tables:
        grid = [int(entry.get(qn("w:w"))) for entry in table._tbl.tblGrid.findall(qn("w:gridCol"))]
        for row in table.rows:
            cells = [int(cell._tc.tcPr.find(qn("w:tcW")).get(qn("w:w"))) for cell in row.cells]
            assert all(abs(one - other) <= 1 for one, other in zip(grid, cells, strict=True))  # whole twips
        assert sum(grid) <= 160.0 * 1440 / 25.4 + len(grid)


def test_tables_and_figures_are_numbered_by_fields_in_order(document: Document) -> None:
    fields = [field for p in document.paragraphs for field in p._p.findall(qn("w:fldSimple"))]
    tables = [f.find(qn("w:r")).text for f in fields if "SEQ Table" in f.get(qn("w:instr"))]
    assert tables == [str(n + 1) for n in range(len(document.tables))]


def test_everything_is_dark_ink(content: bytes) -> None:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        styles, body = archive.read("word/styles.xml").decode(), archive.read("word/document.xml").decode()
    read = docx.Document(io.BytesIO(content)).styles
    for name in ("Normal", "Caption", "Title", "Heading 1", "Heading 2", "Heading 3", "List Bullet"):
        assert str(read[name].font.color.rgb) == "1C2329"
    assert "w:color w:val" not in body
    assert "w:lang" in styles


def test_two_runs_give_the_same_bytes(small: Checked, content: bytes) -> None:
    assert written(small) == content


def test_the_decimal_comma_reaches_the_document(small: Checked) -> None:
    text = "\n".join(
        cell.text
        for table in docx.Document(io.BytesIO(written(small, print_style(decimal_mark=",")))).tables
        for row in table.rows
        for cell in row.cells
    )
    assert "4,1" in text
    assert "4.1\N{NO-BREAK SPACE}(" not in text


def test_no_person_is_in_any_part(content: bytes) -> None:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        parts = b" ".join(archive.read(name) for name in archive.namelist())
    assert b"Canary" not in parts
    assert b"python-docx" not in parts


@pytest.mark.skipif(shutil.which("soffice") is None, reason="needs LibreOffice")
def test_libreoffice_opens_it_and_prints_every_page(content: bytes, tmp_path: Path) -> None:
    (tmp_path / "report.docx").write_bytes(content)
    profile = f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}"
    command = ["soffice", profile, "--headless", "--convert-to", "pdf", "--outdir", str(tmp_path), "report.docx"]
    subprocess.run(command, cwd=tmp_path, capture_output=True, check=True, timeout=300)
    subprocess.run(["pdftotext", "-layout", "report.pdf"], cwd=tmp_path, check=True)
    text = (tmp_path / "report.txt").read_text(encoding="utf-8")
    for words in ("Before you act on this", "Figure 1", "Table 1", "Reporting items for a trial", "to be written"):
        assert words in text.replace("\N{NO-BREAK SPACE}", " ")
