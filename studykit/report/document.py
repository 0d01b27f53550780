"""report.docx: the report for Word, with real headings, described pictures and tables whose heads repeat."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from docx.document import Document

from studykit.answers import Section
from studykit.data import Checked, Study
from studykit.formatting import counted, level
from studykit.pictures.theme import Drawing
from studykit.report.page import DESIGN_WORDS, SAFETY
from studykit.report.print_style import ENGLISH, PrintStyle
from studykit.report.tables import findings_table, plan_tables, provenance_table, rows_table
from studykit.report.wording import CHECK, RECALLED, PaperText
from studykit.report.writers.word import (
    add_bullets,
    add_drawing,
    add_led_paragraph,
    add_table,
    document_bytes,
    new_document,
)
from studykit.result import Result
from studykit.table import Table

INVENTED = "These people do not exist; the numbers show what a report looks like and say nothing about any treatment."


@dataclass
class Writing:
    """A document on its way: numbers of tables and figures count on as they are placed."""

    document: Document
    style: PrintStyle
    tables: int = field(default=0)
    figures: int = field(default=0)

    def heading(self, text: str, depth: int) -> None:
        """A heading of the outline."""
        self.document.add_heading(text, depth)

    def paragraph(self, text: str) -> None:
        """A plain paragraph."""
        self.document.add_paragraph(self.style.of_text(text))

    def bullets(self, sentences: Sequence[str]) -> None:
        """One point a sentence."""
        add_bullets(self.document, [self.style.of_text(sentence) for sentence in sentences])

    def led(self, lead: str, text: str) -> None:
        """A paragraph whose first words are bold."""
        add_led_paragraph(self.document, lead, self.style.of_text(text))

    def table(self, table: Table) -> None:
        """The next table."""
        self.tables += 1
        add_table(self.document, self.style.of_table(table), number=self.tables)

    def drawing(self, drawing: Drawing) -> None:
        """The next figure."""
        self.figures += 1
        add_drawing(self.document, drawing, number=self.figures)


def report_document(
    checked: Checked,
    study: Study,
    sections: Sequence[Section],
    *,
    drawings: Mapping[str, Drawing],
    paper: Sequence[Table],
    guidelines: Sequence[Table],
    text: PaperText,
    style: PrintStyle = ENGLISH,
) -> bytes:
    """The whole report as a .docx file; the same report gives the same bytes.

    Args:
        checked: the outcome of the check.
        study: the checked study.
        sections: all answers, in order.
        drawings: key of an answer -> its picture.
        paper: tables that join several answers.
        guidelines: tables of reporting items.
        text: methods paragraph and results sentences.
        style: decimal mark and words.
    """
    writing = Writing(new_document(study.protocol.study.title), style)
    _top(writing, study)
    _safety(writing)
    _in_short(writing, sections)
    for section in sections:
        _section(writing, section, drawings)
    _data(writing, checked, study)
    _plan(writing, study)
    _for_a_paper(writing, paper, text)
    _guidelines(writing, guidelines)
    writing.heading("Where do the numbers come from?", 1)
    writing.table(provenance_table(study.provenance()))
    return document_bytes(writing.document)


def _top(writing: Writing, study: Study) -> None:
    part = study.protocol.study
    writing.document.add_heading(part.title, 0)
    writing.paragraph(f"{DESIGN_WORDS[part.design]}. {part.question}")
    if part.made_up:
        writing.led("Made-up data.", INVENTED)
    if part.source:
        writing.led("Source of the data.", part.source)


def _safety(writing: Writing) -> None:
    writing.heading("Before you act on this", 1)
    writing.bullets(SAFETY)


def _in_short(writing: Writing, sections: Sequence[Section]) -> None:
    writing.heading("In short", 1)
    writing.bullets([result.headline for section in sections for result in section.results])


def _section(writing: Writing, section: Section, drawings: Mapping[str, Drawing]) -> None:
    writing.heading(section.title, 1)
    for result in section.results:
        _result(writing, result, drawings.get(result.key))
    for item in section.unanswered:
        writing.paragraph(item.reason)


def _result(writing: Writing, result: Result, drawing: Drawing | None) -> None:
    writing.heading(result.title, 2)
    writing.paragraph(result.headline)
    if result.cautions:
        writing.heading("What this does not show", 3)
        writing.bullets(result.cautions)
    if drawing is not None:
        writing.drawing(drawing)
    writing.table(result.table())
    writing.led("Methods.", result.methods)


def _data(writing: Writing, checked: Checked, study: Study) -> None:
    writing.heading("Which data were used?", 1)
    used, aside = sum(checked.rows_used.values()), sum(checked.rows_set_aside.values())
    writing.paragraph(f"{counted(used, 'row')} used, {counted(aside, 'row')} set aside.")
    writing.table(rows_table(checked))
    findings = findings_table(study.findings)
    if findings is None:
        writing.paragraph("The check found nothing to report.")
    else:
        writing.table(findings)


def _plan(writing: Writing, study: Study) -> None:
    writing.heading("What was planned?", 1)
    chosen = f"Intervals are {level(study.protocol.study.confidence)}s."
    writing.paragraph(f"Decided in the protocol, before the data were seen. {chosen}")
    for table in plan_tables(study.protocol):
        writing.table(table)


def _for_a_paper(writing: Writing, paper: Sequence[Table], text: PaperText) -> None:
    writing.heading("Words and tables for a paper", 1)
    writing.paragraph(CHECK)
    writing.heading("Methods", 2)
    writing.paragraph(" ".join(text.methods))
    writing.heading("Results", 2)
    writing.paragraph(" ".join(sentence.text for sentence in text.results))
    if text.references:
        writing.heading("References", 2)
        writing.paragraph(RECALLED)
        writing.bullets(text.references)
    if paper:
        writing.heading("Tables", 2)
    for table in paper:
        writing.table(table)


def _guidelines(writing: Writing, guidelines: Sequence[Table]) -> None:
    writing.heading("Which reporting items are answered?", 1)
    for table in guidelines:
        writing.table(table)
