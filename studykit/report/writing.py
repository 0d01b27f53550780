"""A study folder in, a new results/ out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from studykit.answers import Section, answer
from studykit.data import Checked, check_study, write_check
from studykit.errors import DataError
from studykit.report.numbers import as_json, results_document
from studykit.report.page import report_page
from studykit.report.swapping import new_folder_for

RESULTS = "results"


@dataclass(frozen=True, slots=True)
class Written:
    """What a report was made of and where it lies."""

    page: Path
    checked: Checked
    sections: tuple[Section, ...]


def write_report(folder: Path, *, progress: Callable[[str], None] | None = None) -> Written:
    """Check a study, compute every answer and put a new results/ in place of the old one.

    Raises:
        ProtocolError: study.toml cannot be used.
        DataError: no report can be made from these files; the findings are written all the same.
    """
    checked = check_study(folder, progress=progress)
    study = checked.study
    if study is None:
        raise DataError(
            f"No report can be made from {folder.name}: run 'studykit check' to see what must be mended first."
        )
    sections = answer(study, progress=progress)
    if progress is not None:
        progress("Writing the report")
    target = folder / RESULTS
    with new_folder_for(target) as fresh:
        write_check(checked, fresh)
        (fresh / "report.html").write_text(report_page(checked, study, sections), encoding="utf-8")
        (fresh / "results.json").write_text(as_json(results_document(checked, sections)), encoding="utf-8")
    return Written(target / "report.html", checked, sections)
