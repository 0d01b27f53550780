"""Everything for a paper beside the page: tables, figures, words, reporting items and report.docx."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from studykit.answers import Section
from studykit.data import Checked, Study
from studykit.report.document import report_document
from studykit.report.facts import facts_of
from studykit.report.figures import Press, by_key, write_figures
from studykit.report.guideline_tables import guideline_tables
from studykit.report.paper_tables import all_tables, paper_tables
from studykit.report.print_style import ENGLISH, PrintStyle
from studykit.report.wording import methods_markdown, numbers_csv, paper_text, results_markdown
from studykit.report.writers import write_tables


def write_paper(
    folder: Path,
    checked: Checked,
    study: Study,
    sections: tuple[Section, ...],
    document: Mapping[str, Any],
    *,
    press: Press,
    style: PrintStyle = ENGLISH,
    progress: Callable[[str], None] | None = None,
) -> None:
    """Write report.docx, tables/, figures/ and text/ into a results folder.

    Args:
        folder: the results folder, which exists.
        checked: the outcome of the check.
        study: the checked study.
        sections: all answers, in order.
        document: results.json as plain values; every number of a sentence is taken from it.
        press: every picture, printed or being printed.
        style: decimal mark and words of tables and report.docx.
        progress: called with the title of each part before it is written.
    """
    tell = progress or (lambda _title: None)
    tell("Writing the tables")
    facts = facts_of(
        study, sections, used=sum(checked.rows_used.values()), set_aside=sum(checked.rows_set_aside.values())
    )
    guidelines = guideline_tables(facts)
    write_tables([*all_tables(checked, study, sections), *guidelines], folder / "tables", style=style)
    tell("Writing the words of a paper")
    text = paper_text(study.protocol, document)
    words = folder / "text"
    words.mkdir()
    (words / "methods.md").write_text(methods_markdown(text), encoding="utf-8")
    (words / "results.md").write_text(results_markdown(text), encoding="utf-8")
    (words / "results_numbers.csv").write_text(numbers_csv(text), encoding="utf-8")
    tell("Writing the figures")
    press.finish()
    write_figures(press.as_asked, folder / "figures")
    tell("Writing report.docx")
    paper = paper_tables(study, sections)
    (folder / "report.docx").write_bytes(
        report_document(
            checked,
            study,
            sections,
            drawings=by_key(press.figures),
            paper=paper,
            guidelines=guidelines,
            text=text,
            style=style,
        )
    )
