"""Parts of a Word document: plain styles, tables with three rules, pictures with a description, numbered captions."""

from __future__ import annotations

import datetime
import io
import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import docx
from docx.document import Document
from docx.enum.section import WD_ORIENT
from docx.enum.table import WD_TABLE_ALIGNMENT
from docx.enum.text import WD_ALIGN_PARAGRAPH
from docx.oxml import OxmlElement
from docx.oxml.ns import qn
from docx.shared import Mm, Pt, RGBColor
from docx.table import _Cell, _Row
from docx.text.paragraph import Paragraph

from studykit.pictures.theme import PAGE_WIDTH_MM, Drawing
from studykit.report.writers.same_bytes import packed_again
from studykit.report.writers.widths import crowding, shares
from studykit.table import Table

FONT: Final = "Arial"
LANDSCAPE_WIDTH_MM: Final = 247.0
"""Width of the text on a sheet of A4 that lies on its side."""
_INK: Final = RGBColor(0x1C, 0x23, 0x29)
_WORDS_PT: Final = 10.0
_TABLE_PT: Final = 9.0
_NOTES_PT: Final = 8.0
_SMALLEST_PT: Final = 6.5
_HEADINGS_PT: Final = {"Title": 20.0, "Heading 1": 15.0, "Heading 2": 12.0, "Heading 3": 10.5}
_THICK, _THIN = 12, 6
"""Rules, in eighths of a point."""
_TWIPS_PER_MM: Final = 1440 / 25.4
_MM_PER_LETTER: Final = 1.85
"""Mean width of a letter at `_TABLE_PT`, with a little room."""
_LONGEST_KEPT_TOGETHER: Final = 24
_KEPT_ON_A_PAGE: Final = 12
"""Rows up to which a table is not broken over pages."""
_CREATED: Final = datetime.datetime(2000, 1, 1)
"""Fixed, so that two runs give the same bytes; it means nothing."""
_NO_BREAK: Final = "\N{NO-BREAK SPACE}"
_BRACKETS: Final = re.compile(r"\([^()]*\)")


def new_document(title: str, *, language: str = "en-GB", landscape: bool = False) -> Document:
    """An empty A4 document in the look of the kit: one typeface, dark ink, nothing in colour."""
    document = docx.Document()
    section = document.sections[0]
    section.page_width, section.page_height = Mm(210), Mm(297)
    section.left_margin = section.right_margin = Mm(25)
    section.top_margin = section.bottom_margin = Mm(22)
    if landscape:
        section.orientation = WD_ORIENT.LANDSCAPE
        section.page_width, section.page_height = Mm(297), Mm(210)
    for name, size in {"Normal": _WORDS_PT, "Caption": 9.5, **_HEADINGS_PT, "List Bullet": _WORDS_PT}.items():
        _set_style(document, name, size)
    document.styles["Caption"].font.bold = False
    rules = document.styles["Title"].element.find(qn("w:pPr")).find(qn("w:pBdr"))
    if rules is not None:
        rules.getparent().remove(rules)
    tongue = OxmlElement("w:lang")
    tongue.set(qn("w:val"), language)
    document.styles["Normal"].element.get_or_add_rPr().append(tongue)
    properties = document.core_properties
    properties.title, properties.author, properties.comments, properties.language = title, "", "", language
    properties.created = properties.modified = _CREATED
    properties.revision = 1
    return document


def document_bytes(document: Document) -> bytes:
    """The finished file; the same document gives the same bytes."""
    buffer = io.BytesIO()
    document.save(buffer)
    return packed_again(buffer.getvalue())


def word_table(table: Table) -> bytes:
    """A document that holds one table, on its side where the words need the room."""
    landscape = crowding(_with_whole_intervals(table), line=int(PAGE_WIDTH_MM / _MM_PER_LETTER)) > 1.0
    document = new_document(table.title, landscape=landscape)
    add_table(document, table, width_mm=LANDSCAPE_WIDTH_MM if landscape else PAGE_WIDTH_MM)
    return document_bytes(document)


def add_table(document: Document, table: Table, *, number: int | None = None, width_mm: float = PAGE_WIDTH_MM) -> None:
    """Caption above, the table with a head that repeats on every page, notes below.

    Every cell and the grid get their width, because programs disagree on which of the two counts.
    """
    _add_caption(document, "Table", number, table.title, above=True)
    table = _with_whole_intervals(table)
    line = int(width_mm / _MM_PER_LETTER)
    crowd = crowding(table, line=line)
    size = max(_SMALLEST_PT, _TABLE_PT / max(1.0, crowd))
    widths = [share * width_mm for share in shares(table, line=int(line * _TABLE_PT / size))]
    placed = document.add_table(rows=1 + len(table.rows), cols=len(table.columns))
    placed.alignment, placed.autofit = WD_TABLE_ALIGNMENT.LEFT, False
    _describe_table(placed._tbl, table)
    for entry, width in zip(placed._tbl.tblGrid.findall(qn("w:gridCol")), widths, strict=True):
        entry.set(qn("w:w"), _twips(width))
    lines = [tuple(column.heading for column in table.columns), *table.rows]
    aligned = [column.align == "left" for column in table.columns]
    last = len(table.rows)
    for position, (row, texts) in enumerate(zip(placed.rows, lines, strict=True)):
        _keep_row_whole(row, is_head=position == 0)
        together = position == 0 or last <= _KEPT_ON_A_PAGE
        for cell, text, left, width in zip(row.cells, texts, aligned, widths, strict=True):
            _fill(cell, text, left=left, size=size, bold=position == 0, kept=position < last and together)
            _set_width(cell, width)
            if position == 0:
                _rules(cell, top=_THICK, bottom=_THIN)
            elif position == last:
                _rules(cell, bottom=_THICK)
    for note in table.notes:
        _small(document.add_paragraph(), note)
    document.add_paragraph().paragraph_format.space_after = Pt(2)


def add_drawing(document: Document, drawing: Drawing, *, number: int | None = None) -> None:
    """A picture as wide as it was drawn, its description for a screen reader, its caption below."""
    paragraph = document.add_paragraph()
    paragraph.paragraph_format.keep_with_next = True
    width = min(drawing.width_mm, PAGE_WIDTH_MM)
    placed = paragraph.add_run().add_picture(io.BytesIO(drawing.png(dpi=300)), width=Mm(width))
    properties = placed._inline.docPr
    properties.set("descr", drawing.alt)
    properties.set("name", f"Figure {number}" if number is not None else "Figure")
    _add_caption(document, "Figure", number, drawing.caption, above=False)


def add_bullets(document: Document, sentences: Sequence[str]) -> None:
    """One point a sentence."""
    for sentence in sentences:
        document.add_paragraph(sentence, style="List Bullet").paragraph_format.space_after = Pt(2)


def add_led_paragraph(document: Document, lead: str, text: str) -> None:
    """A paragraph whose first words are bold."""
    paragraph = document.add_paragraph()
    paragraph.add_run(lead).bold = True
    paragraph.add_run(f" {text}")


def _set_style(document: Document, name: str, size: float) -> None:
    style = document.styles[name]
    style.font.name, style.font.size, style.font.color.rgb = FONT, Pt(size), _INK
    fonts = style.element.get_or_add_rPr().get_or_add_rFonts()
    for theme in ("asciiTheme", "hAnsiTheme", "eastAsiaTheme", "cstheme"):
        fonts.attrib.pop(qn(f"w:{theme}"), None)
    for script in ("ascii", "hAnsi", "eastAsia", "cs"):
        fonts.set(qn(f"w:{script}"), FONT)


def _add_caption(document: Document, word: str, number: int | None, text: str, *, above: bool) -> None:
    paragraph = document.add_paragraph(style="Caption")
    paragraph.paragraph_format.keep_with_next = above
    paragraph.paragraph_format.space_before, paragraph.paragraph_format.space_after = Pt(6), Pt(3 if above else 10)
    if number is not None:
        paragraph.add_run(f"{word}{_NO_BREAK}").bold = True
        _add_field(paragraph, f"SEQ {word}", str(number))
        paragraph.add_run(". ").bold = True
    paragraph.add_run(text)


def _add_field(paragraph: Paragraph, instruction: str, shown: str) -> None:
    """A number that Word counts by itself when somebody moves a table."""
    field = OxmlElement("w:fldSimple")
    field.set(qn("w:instr"), f" {instruction} \\* ARABIC ")
    run = paragraph.add_run(shown)
    run.bold = True
    field.append(run._r)
    paragraph._p.append(field)


def _describe_table(element: Any, table: Table) -> None:
    properties = element.tblPr
    for name, text in (("w:tblCaption", table.title), ("w:tblDescription", " ".join(table.notes))):
        if text:
            said = OxmlElement(name)
            said.set(qn("w:val"), text)
            properties.append(said)


def _keep_row_whole(row: _Row, *, is_head: bool) -> None:
    properties = row._tr.get_or_add_trPr()
    for name in ("w:cantSplit", *(("w:tblHeader",) if is_head else ())):
        mark = OxmlElement(name)
        mark.set(qn("w:val"), "true")
        properties.append(mark)


def _fill(cell: _Cell, text: str, *, left: bool, size: float, bold: bool, kept: bool) -> None:
    paragraph = cell.paragraphs[0]
    paragraph.alignment = WD_ALIGN_PARAGRAPH.LEFT if left else WD_ALIGN_PARAGRAPH.RIGHT
    form = paragraph.paragraph_format
    form.space_before = form.space_after = Pt(2)
    form.keep_with_next = kept
    run = paragraph.add_run(text)
    run.bold, run.font.size = bold, Pt(size)


def _with_whole_intervals(table: Table) -> Table:
    return replace(table, rows=tuple(tuple(_kept_together(cell) for cell in row) for row in table.rows))


def _kept_together(text: str) -> str:
    """An interval in brackets that is never broken over two lines."""

    def joined(found: re.Match[str]) -> str:
        inside = found.group()
        return inside.replace(" ", _NO_BREAK) if len(inside) <= _LONGEST_KEPT_TOGETHER else inside

    return _BRACKETS.sub(joined, text)


def _set_width(cell: _Cell, width_mm: float) -> None:
    cell.width = Mm(width_mm)


def _rules(cell: _Cell, *, top: int | None = None, bottom: int | None = None) -> None:
    """Rules of a cell; the format wants the upper one first."""
    properties = cell._tc.get_or_add_tcPr()
    borders = OxmlElement("w:tcBorders")
    for side, size in (("top", top), ("bottom", bottom)):
        if size is not None:
            rule = OxmlElement(f"w:{side}")
            for name, value in (("val", "single"), ("sz", str(size)), ("space", "0"), ("color", "1C2329")):
                rule.set(qn(f"w:{name}"), value)
            borders.append(rule)
    properties.append(borders)


def _small(paragraph: Paragraph, text: str) -> None:
    paragraph.paragraph_format.space_before = Pt(2)
    paragraph.paragraph_format.space_after = Pt(0)
    paragraph.add_run(text).font.size = Pt(_NOTES_PT)


def _twips(width_mm: float) -> str:
    return str(int(width_mm * _TWIPS_PER_MM))
