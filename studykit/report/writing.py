"""A study folder in, a new results/ out."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

from studykit.answers import Section, answer
from studykit.data import Checked, Study, check_study, write_check
from studykit.data.sharing.legend import check_place_of_legend, write_legend
from studykit.data.sharing.presenting import PresentableStudy, presentable
from studykit.errors import DataError
from studykit.pictures.theme import PAGE_WIDTH_MM
from studykit.report.audit_pages import write_audit_pages
from studykit.report.dictionary import write_dictionary
from studykit.report.executed_notebooks import keep_executed_notebooks
from studykit.report.figures import Press, by_key
from studykit.report.numbers import as_json, results_document
from studykit.report.page import report_page
from studykit.report.paper import write_paper
from studykit.report.plan_page import keep_plan, with_plan
from studykit.report.print_style import ENGLISH, PrintStyle
from studykit.report.swapping import new_folder_for

RESULTS = "results"


@dataclass(frozen=True, slots=True)
class Written:
    """What a report was made of and where it lies."""

    page: Path
    checked: Checked
    sections: tuple[Section, ...]


def write_report(
    folder: str | Path,
    *,
    style: PrintStyle = ENGLISH,
    figure_width_mm: float = PAGE_WIDTH_MM,
    legend: str | Path | None = None,
    further: Callable[[Study, tuple[Section, ...]], Section] | None = None,
    printer: Executor | None = None,
    progress: Callable[[str], None] | None = None,
) -> Written:
    """Check a study, compute every answer and put a new results/ in place of the old one.

    Args:
        folder: the study folder.
        style: decimal mark and words of the tables and of report.docx (`print_style.print_style`).
        figure_width_mm: width of the pictures in figures/, such as the column of a journal.
        legend: a .csv to write outside the study folder, which says what the report calls "participant 1" and the like
            where codes or words look like something that identifies a person; None writes none.
        further: one more section made from the study and its answers, printed behind them and in no seal.
        printer: another process in which pictures are printed meanwhile; the files hold the same bytes without one.
        progress: called with the title of each step before it is taken.

    Raises:
        CallError: a width that no picture can have, or a legend in a place where it must not be.
        ProtocolError: study.toml cannot be used.
        DataError: no report can be made from these files; the findings are written all the same.
    """
    folder = Path(folder)
    if legend is not None:
        check_place_of_legend(Path(legend), folder)
    press = Press(width_mm=figure_width_mm, printer=printer)
    checked = check_study(folder, progress=progress)
    study = checked.study
    if study is None:
        raise DataError(
            f"No report can be made from {folder.name}: run 'studykit check' to see what must be mended first."
        )
    study = presentable(study)
    sections = answer(study, progress=progress, answered=press.take)
    if further is not None:
        sections = (*sections, further(study, sections))
        press.take(sections[-1])
    target = folder / RESULTS
    with new_folder_for(target) as fresh:
        write_check(checked, fresh)
        keep_plan(target, fresh)
        write_dictionary(fresh, study.protocol)
        document = with_plan(results_document(checked, sections), fresh)
        (fresh / "results.json").write_text(as_json(document), encoding="utf-8")
        keep_executed_notebooks(target, fresh, document["provenance"])
        write_paper(fresh, checked, study, sections, document, press=press, style=style, progress=progress)
        if progress is not None:
            progress("Writing the page")
        drawings = by_key(press.figures)
        page = report_page(checked, study, sections, drawings=drawings)
        (fresh / "report.html").write_text(page, encoding="utf-8")
        if study.protocol.study.design == "audit":
            write_audit_pages(fresh, checked, study, sections, drawings)
    if legend is not None:
        write_legend(study.legend if isinstance(study, PresentableStudy) else {}, Path(legend))
    return Written(target / "report.html", checked, sections)
