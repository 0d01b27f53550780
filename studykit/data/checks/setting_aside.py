"""Rows that an error keeps out, with their reasons, and the files in which a person finds them.

A cell of text that begins with = + - @ (or a tab or a line break) would be run as a formula by a spreadsheet program.
In every file written here such a cell gets an apostrophe in front, which the program takes as "this is text". A cell
that is a number, such as -5 or +3,5, is left as it is: it cannot run, and it must stay a number. Taking one leading
apostrophe away gives back the cell as it was read.
"""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from studykit.data.checks.checked import Checked
from studykit.data.findings import POSITION, without_values
from studykit.data.intake.gathered import Gathered

FINDINGS_FILE: Final = "findings.csv"
SHAREABLE_FILE: Final = "findings_shareable.csv"
LOG_FILE: Final = "import_log.csv"
SET_ASIDE_FOLDER: Final = "set_aside"
BEGINS_A_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r", "\n")
A_NUMBER: Final = re.compile(r"[+-]?\d+(?:[.,]\d+)?(?:[eE][+-]?\d+)?")


def rows_with_reasons(gathered: Gathered, table: str, errors: pd.DataFrame) -> pd.DataFrame:
    """The rows of a table about which there is an error, as they were read.

    Returns:
        frame with `file`, `sheet`, `row` (for readings also `value_heading`), the cells as text and `reason`: every
        rule broken with its sentence.
    """
    own = errors[(errors["table"] == table) & (errors[POSITION] >= 0)]
    reasons: dict[int, list[str]] = {}
    columns = [own[name].to_numpy(dtype=object) for name in (POSITION, "rule", "message")]
    for position, rule, message in zip(*columns, strict=True):
        sentence = f"{rule}: {message}"
        if sentence not in reasons.setdefault(int(position), []):
            reasons[int(position)].append(sentence)
    positions = np.array(sorted(reasons), dtype=np.int64)
    places = gathered.places[table].iloc[positions].reset_index(drop=True)
    cells = gathered.texts[table].iloc[positions].reset_index(drop=True)
    rows = pd.concat([places, cells], axis=1)
    rows["reason"] = pd.Series([" | ".join(reasons[int(position)]) for position in positions], dtype="str")
    return rows


def write_check(checked: Checked, results: Path) -> None:
    """Write findings.csv, findings_shareable.csv, import_log.csv and set_aside/<table>.csv into `results`.

    The shareable findings tell place, rule and remedy, and hold nothing that was written in a cell. Each file is
    written beside its place and then put there in one step, and set_aside/ as a whole, so that a run that is killed
    leaves the old file or the new one. Files are UTF-8 with a byte-order mark, which spreadsheet programs need.
    """
    results.mkdir(parents=True, exist_ok=True)
    _write(checked.findings, results / FINDINGS_FILE)
    _write(without_values(checked.findings), results / SHAREABLE_FILE)
    _write(checked.log, results / LOG_FILE)
    fresh = Path(tempfile.mkdtemp(prefix=".set_aside_", dir=results))
    fresh.chmod(0o755)
    for table, rows in checked.set_aside.items():
        if len(rows):
            _write(rows, fresh / f"{table}.csv")
    _put_in_place(fresh, results / SET_ASIDE_FOLDER)


def harmless(frame: pd.DataFrame) -> pd.DataFrame:
    """A copy in which no cell of text begins a formula."""
    return frame.apply(_harmless_column)


def harmless_cell(cell: object) -> object:
    """A cell that a spreadsheet program will not run."""
    if isinstance(cell, str) and cell.startswith(BEGINS_A_FORMULA) and not A_NUMBER.fullmatch(cell):
        return f"'{cell}"
    return cell


def _harmless_column(cells: pd.Series) -> pd.Series:
    return cells.map(harmless_cell) if cells.dtype in ("str", "object") else cells


def _write(frame: pd.DataFrame, target: Path) -> None:
    beside = target.with_name(f".{target.name}.{os.getpid()}")
    harmless(frame).to_csv(beside, index=False, encoding="utf-8-sig", lineterminator="\n")
    beside.replace(target)


def _put_in_place(fresh: Path, target: Path) -> None:
    """Exchange a folder for a new one; the old one is removed only when the new one stands."""
    old = fresh.with_name(f"{fresh.name}_old")
    if target.exists():
        target.rename(old)
    fresh.rename(target)
    shutil.rmtree(old, ignore_errors=True)
