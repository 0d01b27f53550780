"""Golden files of tables: one small readable file for each table and format. Run this file to write them anew.

A .docx and an .xlsx are zip archives whose bytes depend on the library that wrote them; their golden files hold what a
reader finds inside.
"""

from __future__ import annotations

import io
import tempfile
from pathlib import Path

import docx
import openpyxl
from docx.oxml.ns import qn
from paper_cases import HARD, fixed_sections, small_trial, study_of

from studykit.report.paper_tables import paper_tables
from studykit.report.writers import FORMATS, table_file
from studykit.table import Table

GOLDEN = Path(__file__).parent.parent / "golden"
PACKED = {"docx", "xlsx"}


def golden_tables() -> list[Table]:
    """The tables of the small trial, and the one that is hard to write."""
    with tempfile.TemporaryDirectory() as folder:
        study = study_of(small_trial(Path(folder) / "trial"))
    sections = fixed_sections(study)
    return [HARD, *(result.table() for result in sections[0].results), *paper_tables(study, sections)]


def golden_path(table: Table, ending: str) -> Path:
    """Where the golden file of a table and format lies."""
    return GOLDEN / ending / f"{table.key}.{ending}{'.txt' if ending in PACKED else ''}"


def seen(table: Table, ending: str) -> str:
    """What a reader finds in the file."""
    content = table_file(table, ending)
    if ending == "docx":
        return _seen_in_word(content)
    if ending == "xlsx":
        return _seen_in_workbook(content)
    return content.decode("utf-8")


def _seen_in_word(content: bytes) -> str:
    document = docx.Document(io.BytesIO(content))
    (placed,) = document.tables
    width = document.sections[0].page_width
    lines = [f"page {round(width.mm) if width is not None else 0} mm"]
    lines += [f"{paragraph.style.name}: {paragraph.text}" for paragraph in document.paragraphs if paragraph.text]
    grid = [entry.get(qn("w:w")) for entry in placed._tbl.tblGrid.findall(qn("w:gridCol"))]
    lines.append(f"grid {' '.join(str(width) for width in grid)}")
    for row in placed.rows:
        head = row._tr.trPr is not None and row._tr.trPr.find(qn("w:tblHeader")) is not None
        lines.append(f"{'head' if head else 'row'} | {' | '.join(cell.text for cell in row.cells)}")
    return "\n".join(lines) + "\n"


def _seen_in_workbook(content: bytes) -> str:
    book = openpyxl.load_workbook(io.BytesIO(content))
    lines = [f"sheet {sheet.title}, frozen at {sheet.freeze_panes}" for sheet in book.worksheets]
    for sheet in book.worksheets:
        for row in sheet.iter_rows():
            lines += [f"{cell.coordinate} {cell.data_type} {cell.value}" for cell in row if cell.value is not None]
    return "\n".join(lines) + "\n"


def write_golden() -> None:
    """Write every golden file; look at the difference before keeping it."""
    for table in golden_tables():
        for ending in FORMATS:
            path = golden_path(table, ending)
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(seen(table, ending), encoding="utf-8", newline="")


if __name__ == "__main__":
    write_golden()
