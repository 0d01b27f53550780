"""`studykit start`: make a new study folder."""

from __future__ import annotations

import argparse
from pathlib import Path

from studykit.commands.speaking import CLEAN, Commands, say
from studykit.vocabulary import DESIGNS


def add(commands: Commands) -> None:
    """The words of this command."""
    start = commands.add_parser("start", help="make a new study folder", description="Make a new study folder.")
    start.add_argument("folder", type=Path, metavar="FOLDER", help="a folder that does not exist yet, or is empty")
    start.add_argument("--design", required=True, choices=DESIGNS, help="what kind of study it is")
    start.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    from studykit.starting import start_study

    written = start_study(options.folder, design=options.design)
    say(f"Made {options.folder} with {len(written)} files:")
    for path in written:
        say(f"  {path}")
    say(f"Next: write your plan into study.toml, your readings into data/, then: studykit check {options.folder}")
    return CLEAN
