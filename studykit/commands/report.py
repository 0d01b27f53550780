"""`studykit report`: check the data, compute every answer, write the report."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from studykit.commands.printer import printer
from studykit.commands.speaking import (
    CHECK_STEPS,
    EXIT_CODES,
    REPORT_STEPS,
    Commands,
    need_study_folder,
    say,
    show_findings,
)
from studykit.commands.timings import Timings, both
from studykit.errors import CallError
from studykit.progress import progress_bar

if TYPE_CHECKING:
    from studykit.answers import Section
    from studykit.data import Study


def add(commands: Commands) -> None:
    """The words of this command."""
    report = commands.add_parser(
        "report",
        help="check the data, compute every answer, write results/report.html",
        description="Check the data, compute every answer and write results/report.html.",
        epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    report.add_argument("folder", type=Path, metavar="FOLDER", help="a study folder: study.toml and data/")
    report.add_argument(
        "--decimal-mark", choices=(".", ","), default=".", help="mark in the tables and in report.docx (default: point)"
    )
    report.add_argument(
        "--language",
        default="en",
        metavar="CODE",
        help="words of the tables: en (default) or de; sentences stay en",
    )
    report.add_argument(
        "--figure-width-mm", type=float, metavar="MM", help="width of the pictures in figures/, such as a column (85)"
    )
    report.add_argument(
        "--legend",
        type=Path,
        metavar="FILE",
        help="a .csv outside FOLDER that says which code the report calls 'participant 1'",
    )
    report.add_argument("--truth", type=Path, metavar="FILE", help="truth.toml of a made-up trial: was it covered?")
    report.add_argument("--timings", action="store_true", help="say which steps take longest")
    report.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    timings = Timings() if options.timings else None
    need_study_folder(options.folder)
    with printer() as second, progress_bar("Report", most_steps=CHECK_STEPS + REPORT_STEPS) as tell:
        from studykit.pictures.theme import PAGE_WIDTH_MM
        from studykit.report import write_report
        from studykit.report.print_style import print_style

        written = write_report(
            options.folder,
            style=print_style(decimal_mark=options.decimal_mark, language=options.language),
            figure_width_mm=PAGE_WIDTH_MM if options.figure_width_mm is None else options.figure_width_mm,
            legend=options.legend,
            printer=second,
            further=None if options.truth is None else _truth_section(options.truth),
            progress=both(tell, timings.next if timings is not None else None),
        )
    for section in written.sections:
        for result in section.results:
            say(f"• {result.headline}")
        for item in section.unanswered:
            say(f"• {item.reason if item.reason.startswith(item.title) else f'{item.title} {item.reason}'}")
    code = show_findings(written.checked.findings, written.page.parent, most=5)
    say(f"Report: {written.page}")
    if options.legend is not None:
        say(f"Legend: {options.legend}. It holds codes that may tell who is who; keep it with the data.")
    for line in timings.lines() if timings is not None else ():
        say(line)
    return code


def _truth_section(file: Path) -> Callable[[Study, tuple[Section, ...]], Section]:
    """The truth of a made-up trial beside what its report estimated, as a section of that report."""
    from studykit.answers import Section
    from studykit.simulate import TrialTruth
    from studykit.simulate.beside import truth_beside

    try:
        truth = TrialTruth.load(file)
    except (OSError, ValueError) as trouble:
        raise CallError(f"{file} cannot be read as the truth of a made-up trial ({type(trouble).__name__}).") from None

    def section(study: Study, sections: tuple[Section, ...]) -> Section:
        results = {result.key: result for part in sections for result in part.results}
        return Section("truth", "Was the truth found?", (truth_beside(truth, study, results),), ())

    return section
