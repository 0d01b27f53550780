"""`studykit seal`: pack protocol, data and numbers into one file."""

from __future__ import annotations

import argparse
from pathlib import Path

from studykit.commands.speaking import CHECK_STEPS, CLEAN, REPORT_STEPS, Commands, need_study_folder, say
from studykit.errors import CallError
from studykit.progress import progress_bar


def add(commands: Commands) -> None:
    """The words of this command."""
    seal = commands.add_parser(
        "seal",
        help="pack protocol, data and numbers into one file",
        description="Pack protocol, checked data and every number into one .zip from which a stranger gets the same "
        "numbers. Refuses while people could be recognised, and says what to do about it.",
    )
    seal.add_argument("folder", type=Path, metavar="FOLDER", help="a study folder: study.toml and data/")
    seal.add_argument("--to", type=Path, metavar="FILE", help="the .zip to write (default: seal.zip in FOLDER)")
    seal.add_argument("--study-days", action="store_true", help="count dates from each person's enrolment")
    key = seal.add_mutually_exclusive_group()
    key.add_argument("--pseudonyms", type=Path, metavar="KEYFILE", help="replace codes of people, with this secret key")
    key.add_argument("--new-key", type=Path, metavar="KEYFILE", help="the same, making a new key first")
    seal.add_argument(
        "--legend", type=Path, metavar="FILE", help="a .csv outside FOLDER: which code became which pseudonym"
    )
    for option, told in (("--leave-out", "leave a column out"), ("--looked-at", "you read it: it identifies nobody")):
        seal.add_argument(option, action="append", default=[], metavar="TABLE.COLUMN", help=f"{told} (may be repeated)")
    seal.add_argument(
        "--bands", action="append", default=[], metavar="TABLE.COLUMN=WIDTH", help="such as participants.age_years=10"
    )
    seal.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    from hashlib import sha256

    from studykit.archive import new_key, seal_study

    need_study_folder(options.folder)
    key = options.pseudonyms
    if options.new_key is not None:
        key = new_key(options.new_key)
        say(f"New key: {key}. Whoever has it can tell who is who; keep it away from the data and from the seal.")
    with progress_bar("Seal", most_steps=CHECK_STEPS + REPORT_STEPS) as tell:
        sealed = seal_study(
            options.folder,
            to=options.to,
            dates="study days" if options.study_days else "calendar",
            pseudonyms=key,
            legend=options.legend,
            leave_out=options.leave_out,
            coarsen=dict(_band(words) for words in options.bands),
            looked_at=options.looked_at,
            progress=tell,
        )
    say(f"Sealed: {sealed}\nSHA-256, to publish beside it: {sha256(sealed.read_bytes()).hexdigest()}")
    return CLEAN


def _band(words: str) -> tuple[str, float]:
    column, _, width = words.partition("=")
    try:
        return column, float(width)
    except ValueError:
        raise CallError(f"--bands is {words!r}; write it like participants.age_years=10.") from None
