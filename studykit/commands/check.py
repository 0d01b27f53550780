"""`studykit check`: name every mistake in the data."""

from __future__ import annotations

import argparse
from pathlib import Path

from studykit.commands.speaking import (
    CHECK_STEPS,
    EXIT_CODES,
    Commands,
    need_study_folder,
    say,
    show_findings,
)
from studykit.progress import progress_bar


def add(commands: Commands) -> None:
    """The words of this command."""
    check = commands.add_parser(
        "check",
        help="name every mistake in the data",
        description="Name every mistake in the data: sheet, row, column, value, rule and what to do.",
        epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    check.add_argument("folder", type=Path, metavar="FOLDER", help="a study folder: study.toml and data/")
    check.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    from studykit.data import check_study, write_check

    need_study_folder(options.folder)
    with progress_bar("Checking", most_steps=CHECK_STEPS) as tell:
        checked = check_study(options.folder, progress=tell)
    results = options.folder / "results"
    results.mkdir(exist_ok=True)
    write_check(checked, results)
    used, aside = sum(checked.rows_used.values()), sum(checked.rows_set_aside.values())
    say(f"{used + aside} rows read: {used} used, {aside} set aside.")
    code = show_findings(checked.findings, results)
    if checked.study is not None and _is_stale(results, checked.study.data_sha256):
        say(f"{results / 'report.html'} was made from other data; run: studykit report {options.folder}")
    return code


def _is_stale(results: Path, data_sha256: str) -> bool:
    import json

    path = results / "results.json"
    if not path.is_file():
        return False
    try:
        sealed = json.loads(path.read_text(encoding="utf-8"))["provenance"]["data_sha256"]
    except (ValueError, KeyError, TypeError):
        return True
    return bool(sealed != data_sha256)
