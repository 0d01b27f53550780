"""`studykit run`: run a notebook from its first cell to its last in a fresh kernel."""

from __future__ import annotations

import argparse
from pathlib import Path

from studykit.commands.speaking import CLEAN, PROBLEMS, Commands, complain, need_study_folder, say
from studykit.progress import progress_bar


def add(commands: Commands) -> None:
    """The words of this command."""
    run_ = commands.add_parser(
        "run",
        help="run a notebook from top to bottom in a fresh kernel",
        description="Run a copy of a notebook from its first cell to its last, and write the executed copy and a page "
        "for any browser to results/notebooks of the study that it reads. A later report of the same data leaves them.",
        epilog="exit codes: 0 every cell ran; 1 a cell failed, and what ran up to there is kept; 2 called wrongly",
    )
    run_.add_argument("notebook", type=Path, metavar="NOTEBOOK", help="a file that ends in .ipynb")
    run_.add_argument("--folder", type=Path, metavar="FOLDER", help="a study to read instead of the one that it names")
    run_.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    from studykit.notebook.running import run_notebook

    if options.folder is not None:
        need_study_folder(options.folder)
    with progress_bar(options.notebook.name) as tell:
        ran = run_notebook(options.notebook, folder=options.folder, progress=tell)
    if ran.failure is not None:
        complain(f"{options.notebook.name} stopped at {ran.failure}")
        say(f"What ran up to there is kept: {ran.executed}")
        return PROBLEMS
    say(f"{options.notebook.name}: all {ran.of} code cells ran.\nPage: {ran.page}\nNotebook: {ran.executed}")
    return CLEAN
