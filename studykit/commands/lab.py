"""`studykit lab`: open JupyterLab in a study folder."""

from __future__ import annotations

import argparse
from pathlib import Path

from studykit.commands.speaking import CLEAN, PROBLEMS, Commands, need_study_folder, say


def add(commands: Commands) -> None:
    """The words of this command."""
    lab = commands.add_parser(
        "lab",
        help="open JupyterLab in a study folder",
        description="Open JupyterLab in a study folder, on this machine only. Notebooks that the folder lacks are "
        "copied into it first. Press Control and C to stop it.",
    )
    lab.add_argument("folder", type=Path, metavar="FOLDER", help="a study folder: study.toml and data/")
    lab.add_argument("--no-browser", action="store_true", help="print the address instead of opening it")
    lab.add_argument("--port", type=int, metavar="NUMBER", help="where to listen (default: the first free one)")
    lab.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    from studykit.notebook.copies import add_missing_copies
    from studykit.notebook.lab import open_lab

    need_study_folder(options.folder)
    for path in add_missing_copies(options.folder):
        say(f"Copied: {path}")
    say("Opening JupyterLab. Press Control and C here to stop it.")
    return CLEAN if open_lab(options.folder, browser=not options.no_browser, port=options.port) == 0 else PROBLEMS
