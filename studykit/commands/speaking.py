"""How commands speak: sentences on the screen, a progress bar on a terminal, findings with their place."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from studykit.errors import CallError, StudykitError
from studykit.vocabulary import ERROR, SUSPICION

if TYPE_CHECKING:
    import pandas as pd

CLEAN, PROBLEMS, CALLED_WRONGLY = 0, 1, 2
EXIT_CODES = """\
exit codes:
  0  clean: no errors in the data (suspicions may be listed; they remove nothing)
  1  problems: the data or the protocol hold mistakes; each is listed
  2  called wrongly: a word of the command, or a folder that is no study folder
"""
MOST_LINES_SHOWN = 20
NOT_REPEATED = "{rule}; the cell may name or date a person and is not repeated here. {what_to_do}"
CHECK_STEPS = 9  # seven tables to read, the rules, the suspicions
REPORT_STEPS = 16  # eleven parts to answer at most, five to write

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]
else:
    Commands = argparse._SubParsersAction


def say(sentence: str) -> None:
    sys.stdout.write(f"{sentence}\n")


def complain(problem: StudykitError | str) -> None:
    sys.stderr.write(f"studykit: {problem}\n")


def need_study_folder(folder: Path) -> None:
    if not folder.is_dir():
        raise CallError(f"There is no folder {folder}. Make one with: studykit start {folder} --design audit")
    if not (folder / "study.toml").is_file():
        raise CallError(f"{folder} holds no study.toml. Name the folder that 'studykit start' made.")


def show_findings(findings: pd.DataFrame, results: Path, *, most: int = MOST_LINES_SHOWN) -> int:
    """Print the first findings, errors first, and where all of them stand; return the exit code."""
    from studykit.data.sharing.privacy import quotes_an_identifier
    from studykit.formatting import counted

    errors = findings[findings["severity"] == ERROR]
    suspicions = findings[findings["severity"] == SUSPICION]
    if findings.empty:
        say("No problems found.")
        return CLEAN
    shown = [*errors.itertuples(), *suspicions.itertuples()][:most]
    for line in shown:
        say(f"{line.severity}: {_place(line)}")
        told = f"{_sentence(line.message)} {_sentence(line.what_to_do)}"
        if quotes_an_identifier(told):
            what_to_do = "" if quotes_an_identifier(line.what_to_do) else _sentence(line.what_to_do)
            told = NOT_REPEATED.format(rule=line.rule.replace("_", " ").capitalize(), what_to_do=what_to_do).strip()
        say(f"    {told}")
    if len(findings) > len(shown):
        say(f"... and {len(findings) - len(shown)} more.")
    total = f"{counted(len(errors), 'error')}, {counted(len(suspicions), 'suspicion')}"
    say(f"{total}. All of them: {results / 'findings.csv'}")
    return PROBLEMS if len(errors) else CLEAN


def _place(line: Any) -> str:
    """Where a finding is, as a person would look for it: file, sheet, row, column."""
    import pandas as pd

    parts = [f"{line.file} › {line.sheet}" if line.file and line.sheet else line.file or f"table {line.table}"]
    if not pd.isna(line.row):
        parts.append(f"row {line.row}")
    if line.column:
        parts.append(f"column {line.column}")
    return ", ".join(parts)


def _sentence(text: str) -> str:
    """A sentence with a capital in front and a full stop behind."""
    ended = text if text.endswith((".", "!", "?")) else f"{text}."
    return ended[:1].upper() + ended[1:]
