"""`studykit reproduce`: compute every number of a sealed study again."""

from __future__ import annotations

import argparse
from pathlib import Path

from studykit.commands.speaking import (
    CHECK_STEPS,
    CLEAN,
    MOST_LINES_SHOWN,
    PROBLEMS,
    REPORT_STEPS,
    Commands,
    say,
)
from studykit.progress import progress_bar


def add(commands: Commands) -> None:
    """The words of this command."""
    reproduce = commands.add_parser(
        "reproduce",
        help="compute every number of a sealed study again and compare",
        description="Verify a sealed study, compute every number again and compare. Nothing from the file is executed.",
        epilog="exit codes: 0 every number agrees; 1 something differs, or the file is refused; 2 called wrongly",
    )
    reproduce.add_argument("file", type=Path, metavar="FILE", help="the .zip that 'studykit seal' wrote")
    reproduce.add_argument("--to", type=Path, metavar="FOLDER", help="where to write (default: FILE_reproduced)")
    reproduce.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    from studykit.archive import reproduce

    target = options.to or options.file.with_name(f"{options.file.stem}_reproduced")
    with progress_bar("Reproduce", most_steps=CHECK_STEPS + REPORT_STEPS) as tell:
        again = reproduce(options.file, to=target, progress=tell)
    say(again.headline)
    for problem in again.problems[:MOST_LINES_SHOWN]:
        say(f"• {problem}")
    say(f"Number by number: {again.page}")
    return CLEAN if again.agrees else PROBLEMS
