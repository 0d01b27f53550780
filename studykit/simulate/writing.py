"""Made-up studies as folders on a disk, the same bytes from the same seed."""

from __future__ import annotations

from collections.abc import Callable
from importlib import resources
from pathlib import Path

import numpy as np
import pandas as pd

from studykit.simulate.answer_key import Mistake, Spoiling, answers_text
from studykit.simulate.audit import simulate_audit
from studykit.simulate.cells import SheetOfCells, workbook_bytes
from studykit.simulate.spoilt_habits import spoil_habits
from studykit.simulate.spoilt_readings import spoil_readings
from studykit.simulate.spoilt_tables import spoil_tables
from studykit.simulate.spoilt_workbook import spoil_headings, spoil_surroundings
from studykit.simulate.trial import simulate_trial
from studykit.simulate.truth import TrialTruth

AUDIT_SEED = 508


def plain_csv(frame: pd.DataFrame) -> str:
    """A table in the plain form: commas, decimal points, dates as year-month-day, yes and no, nothing for missing."""
    text = {name: _cells(frame[name]) for name in frame.columns}
    return str(pd.DataFrame(text).to_csv(index=False, lineterminator="\n"))


def _cells(column: pd.Series) -> pd.Series:
    if pd.api.types.is_bool_dtype(column.dtype):
        return column.map({True: "yes", False: "no"}).astype("str")
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        return column.dt.strftime("%Y-%m-%d").astype("str")
    if pd.api.types.is_numeric_dtype(column.dtype):
        return column.map(_plain_number, na_action="ignore").astype("str")
    return column


def _plain_number(number: float) -> str:
    """Every digit that the number needs and no more: 42 for 42.0."""
    return repr(float(number)).removesuffix(".0")


def shipped_protocol(name: str) -> str:
    """Text of a study.toml that ships with this room."""
    return resources.files("studykit.simulate").joinpath(f"{name}.toml").read_text(encoding="utf-8")


def write_ferry_trial(folder: Path, *, truth: TrialTruth | None = None) -> None:
    """Write the ferry trial: study.toml, truth.toml and one .csv a table in data/."""
    truth = TrialTruth() if truth is None else truth
    tables = simulate_trial(truth, rng=np.random.default_rng(truth.seed))
    _write(folder / "study.toml", shipped_protocol("ferry_trial"))
    truth.save(folder / "truth.toml")
    for name, table in tables.items():
        _write(folder / "data" / f"{name}.csv", plain_csv(table))


def spoilt_audit(seed: int = AUDIT_SEED) -> tuple[dict[str, SheetOfCells], list[Mistake]]:
    """The clinic's sheets with every mistake that a study survives, and the answers."""
    work = Spoiling(simulate_audit(rng=np.random.default_rng(seed)))
    spoil_habits(work)
    spoil_readings(work)
    spoil_tables(work)
    spoil_surroundings(work)
    return work.sheets, work.mistakes


def refused_audit(seed: int = AUDIT_SEED) -> tuple[dict[str, SheetOfCells], list[Mistake]]:
    """The clinic's sheets with mistakes for which a check refuses the whole study, and the answers."""
    work = Spoiling(simulate_audit(rng=np.random.default_rng(seed)))
    spoil_headings(work)
    return work.sheets, work.mistakes


def write_clinic_audit(folder: Path) -> None:
    """Write the clinic's audit: study.toml, two workbooks full of mistakes, and answers.toml that lists them."""
    sheets, mistakes = spoilt_audit()
    refused_sheets, refusals = refused_audit()
    _write(folder / "study.toml", shipped_protocol("clinic_audit"))
    _write(folder / "answers.toml", answers_text(mistakes, refusals))
    (folder / "data").mkdir(parents=True, exist_ok=True)
    (folder / "data" / "clinic.xlsx").write_bytes(workbook_bytes(sheets))
    (folder / "refused_clinic.xlsx").write_bytes(workbook_bytes(refused_sheets))


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8", newline="\n")


MAKERS: dict[str, Callable[[Path], None]] = {
    "ferry_trial": write_ferry_trial,
    "clinic_audit": write_clinic_audit,
}
"""Folder name -> the function that writes it."""


def write_all(root: Path) -> list[Path]:
    """Write every made-up study below `root`, each in a folder of its own."""
    for name, make in MAKERS.items():
        make(root / name)
    return [root / name for name in MAKERS]
