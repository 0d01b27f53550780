"""`studykit entry`: write the workbook for entering data again, after study.toml was changed."""

from __future__ import annotations

import argparse
from pathlib import Path

from studykit.commands.speaking import CLEAN, Commands, need_study_folder, say


def add(commands: Commands) -> None:
    """The words of this command."""
    entry = commands.add_parser(
        "entry",
        help="write the workbook for your data again, after a change of study.toml",
        description="Write data/entry.xlsx from study.toml, and a data dictionary into results/. A workbook that holds "
        "anything is never replaced: the new one is then entry_new.xlsx beside study.toml.",
    )
    entry.add_argument("folder", type=Path, metavar="FOLDER", help="a study folder: study.toml and data/")
    entry.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    from studykit.entry import ENTRY_NAME, EXAMPLE, HEADING_ROW, PAGES, write_entry
    from studykit.formatting import counted
    from studykit.protocol import load_protocol
    from studykit.report.dictionary import write_dictionary

    need_study_folder(options.folder)
    protocol = load_protocol(options.folder / "study.toml")
    written = write_entry(options.folder, protocol)
    if written.kept is not None:
        say(f"{written.kept} holds {counted(written.kept_rows, 'row')} and was left as it is.")
        say(
            f"The new workbook is {written.path}. Copy your rows into it, sheet by sheet, and put it into data instead."
        )
    else:
        say(f"Written: {written.path}")
    for path in write_dictionary(options.folder / "results", protocol):
        say(f"Written: {path}")
    if protocol.intake.workbook != ENTRY_NAME:
        marks, pages = [EXAMPLE], list(PAGES)
        say("study.toml does not read this workbook yet. Put these lines under [intake]:")
        say(f'  workbook = "{ENTRY_NAME}"\n  workbook_heading_row = {HEADING_ROW}')
        say(f"  ignore_rows_with = {marks}\n  ignore_sheets = {pages}".replace("'", '"'))
    return CLEAN
