"""`studykit allocate`: make an allocation list, commit to it, allocate the next person, show the list at the end."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from studykit.commands.speaking import CLEAN, Commands, need_study_folder, say
from studykit.errors import CallError

if TYPE_CHECKING:
    import pandas as pd

    from studykit.planning.allocation import AllocationRules
    from studykit.protocol import Protocol


def add(commands: Commands) -> None:
    """The words of this command."""
    allocate = commands.add_parser(
        "allocate",
        help="make a list by which people come to their arms, and commit to it without showing it",
        description="Make an allocation list as [planning] in study.toml says. The list and its seed go into a folder "
        "outside the study; the study folder gets a hash, to be published. Nothing is ever overwritten.",
        epilog="exit codes: 0 done; 1 the protocol or the list hold mistakes; 2 called wrongly",
    )
    allocate.add_argument("folder", type=Path, metavar="FOLDER", help="a study folder; no data are needed")
    allocate.add_argument(
        "--secret", type=Path, required=True, metavar="FOLDER2", help="where list and seed are kept, outside FOLDER"
    )
    what = allocate.add_mutually_exclusive_group()
    what.add_argument("--next", metavar="CODE", help="allocate this participant by minimisation")
    what.add_argument(
        "--show", action="store_true", help="after the trial: check the list and lay it and its balance into FOLDER"
    )
    what.add_argument(
        "--balance",
        type=Path,
        metavar="FOLDER3",
        help="check the list and write allocation_balance.html, which names no entry, into FOLDER3",
    )
    allocate.add_argument(
        "--level", action="append", default=[], metavar="COLUMN=WORD", help="such as site=north, for --next"
    )
    allocate.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    from studykit.planning.allocation import allocation_rules, as_csv
    from studykit.planning.sealed_list import LIST, allocate_next, checked_allocation, commit_allocation
    from studykit.protocol import load_protocol
    from studykit.report.allocation_page import refuse_to_overwrite

    need_study_folder(options.folder)
    protocol = load_protocol(options.folder / "study.toml")
    rules = allocation_rules(protocol)
    labels = {key: arm.label for key, arm in protocol.arms.items()}
    if options.level and options.next is None:
        raise CallError("--level says something about one participant; give --next as well.")
    if options.next is not None:
        levels = _levels(options.level)
        arm = allocate_next(rules, options.folder, options.secret, options.next, levels)
        say(f"{options.next}: {labels[arm]} ({arm})")
        return CLEAN
    if options.show or options.balance is not None:
        target, where = options.folder / LIST, options.folder if options.show else options.balance
        if options.show and target.exists():
            raise CallError(f"{target} is there already; nothing was written.")
        refuse_to_overwrite(where)
        seed, found = checked_allocation(rules, options.folder, options.secret)
        _write_balance(where, options.folder, protocol, rules, seed, found)
        if options.show:
            target.write_bytes(as_csv(found))
            say(f"List: {target}")
        return CLEAN
    made = commit_allocation(rules, options.folder, options.secret)
    lists = len(rules.cells)
    if rules.method == "blocks":
        say(f"Made {rules.entries * lists} entries in {'1 list' if lists == 1 else f'{lists} lists'}.")
    else:
        say("People will be allocated one by one: --next CODE --level COLUMN=WORD ...")
    say(f"List and seed: {made.secret_folder}. Whoever reads them knows who comes to which arm.")
    say(f"Commitment: {made.commitment}\nSHA-256, to publish now: {made.sha256}")
    return CLEAN


def _write_balance(
    where: Path, study: Path, protocol: Protocol, rules: AllocationRules, seed: int, found: pd.DataFrame
) -> None:
    from studykit.planning.balance import allocation_balance
    from studykit.planning.sealed_list import committed_sha256
    from studykit.report.allocation_page import write_allocation_balance
    from studykit.report.writers.markdown import markdown_table

    balance = allocation_balance(protocol, rules, seed, found)
    tables = (balance.along_table(), balance.guessing_table())
    page = write_allocation_balance(where, protocol, balance, tables, committed_sha256(study))
    say("The list is the one that was committed to, and follows from its seed.")
    say(balance.headline)
    say(markdown_table(balance.table()))
    say(f"Balance: {page}")


def _levels(given: list[str]) -> dict[str, str]:
    levels: dict[str, str] = {}
    for column, word in map(_level, given):
        if column in levels:
            raise CallError(f"{column} is given twice, as {levels[column]} and as {word}; give it once.")
        levels[column] = word
    return levels


def _level(words: str) -> tuple[str, str]:
    column, equals, word = words.partition("=")
    if not (column and equals and word):
        raise CallError(f"--level is {words!r}; write it like site=north.")
    return column, word
