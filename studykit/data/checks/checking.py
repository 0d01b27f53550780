"""Files -> a study that one may trust, every problem in one frame, and no row unaccounted for.

gather        the files as the protocol declares them
errors        cells and rows that cannot be used; their rows are set aside
suspicions    what a person should look at; nothing is removed
Study         the rows that are used, or None when the study cannot be read at all
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from studykit.data.checks.checked import Checked
from studykit.data.checks.file_findings import file_findings
from studykit.data.checks.row_errors import row_errors
from studykit.data.checks.rules import CodedColumns, Given, suspicions
from studykit.data.checks.schemas import CELL_MISSING
from studykit.data.checks.setting_aside import rows_with_reasons
from studykit.data.findings import POSITION, joined, no_findings
from studykit.data.intake.gathered import Gathered, once_per_cell
from studykit.data.intake.gathering import gather
from studykit.data.study import Study
from studykit.errors import DataError, FitError
from studykit.protocol import Protocol, load_protocol
from studykit.vocabulary import COLUMNS, ERROR, FINDING_COLUMNS, MEASUREMENTS

Progress = Callable[[str], None]

NOT_ABOUT_ONE_READING = frozenset(
    {
        "trial_numbers_have_a_gap",
        "trials_missing",
        "side_not_measured",
        "warm_up_mixed",
        "blinding_not_recorded",
        "only_multiples_of_five",
        "trials_identical_too_often",
        "one_value_for_everybody",
    }
)
"""Suspicions whose row stands for something else: readings that are not there, or the habit of a rater."""


def check_study(folder: str | Path, *, protocol: Protocol | None = None, progress: Progress | None = None) -> Checked:
    """Check a study folder: study.toml and data/.

    Args:
        protocol: the protocol to check against; None reads it from `folder`/study.toml.
        progress: called with one short sentence before each step.

    Raises:
        ProtocolError: study.toml cannot be used.
        DataError: there is no folder `data`.
    """
    folder = Path(folder)
    planned = load_protocol(folder / "study.toml") if protocol is None else protocol
    return check_gathered(gather(folder, planned, progress=progress), planned, progress=progress)


def open_study(folder: str | Path) -> Study:
    """The rows of a study folder that can be used.

    Raises:
        ProtocolError: study.toml cannot be used.
        DataError: the data cannot be used at all; the message says why.
    """
    checked = check_study(folder)
    if checked.study is None:
        errors = checked.findings[checked.findings["severity"] == ERROR]
        raise DataError(
            f"{Path(folder).name} cannot be opened: {len(errors)} errors, the first: "
            f"{errors['message'].iloc[0]} {errors['what_to_do'].iloc[0]}"
        )
    return checked.study


def check_gathered(gathered: Gathered, protocol: Protocol, *, progress: Progress | None = None) -> Checked:
    """Check tables that were read already.

    Raises:
        FitError: a row is neither used nor set aside, which is a fault of the kit.
    """
    _tell(progress, "Checking every table")
    about_files = file_findings(gathered, protocol)
    coded = CodedColumns(gathered)
    errors, used = row_errors(gathered, protocol, coded)
    set_aside = {table: rows_with_reasons(gathered, table, errors) for table in COLUMNS}
    _assert_every_row_accounted_for(gathered, used, set_aside)
    readable = about_files.empty and not used[MEASUREMENTS].empty
    _tell(progress, "Looking for slips")
    doubts = suspicions(Given(protocol, gathered, used, coded)) if readable else no_findings()
    findings = _in_order(about_files, errors, doubts, other=gathered.findings)
    rows_aside = {table: len(set_aside[table]) for table in COLUMNS}
    rows_in = {table: len(gathered.tables[table]) for table in COLUMNS}
    suspicious = _suspicious_rows(used, joined([gathered.findings, doubts]))
    study = Study(protocol, _renumbered(used), findings, rows_in, rows_aside, suspicious) if readable else None
    rows_used = {table: len(used[table]) for table in COLUMNS}
    return Checked(study, findings, gathered.log, rows_in, rows_used, rows_aside, set_aside)


def _renumbered(tables: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    return {table: frame.reset_index(drop=True) for table, frame in tables.items()}


def _suspicious_rows(used: Mapping[str, pd.DataFrame], findings: pd.DataFrame) -> dict[str, tuple[int, ...]]:
    """Table -> positions, among the rows used, of those that a suspicion is about."""
    doubted = findings[(findings["severity"] != ERROR) & (findings[POSITION] >= 0)]
    doubted = doubted[~doubted["rule"].isin(NOT_ABOUT_ONE_READING)]
    rows = {
        table: np.flatnonzero(frame.index.isin(doubted.loc[doubted["table"] == table, POSITION]))
        for table, frame in used.items()
    }
    return {table: tuple(int(place) for place in places) for table, places in rows.items() if len(places)}


def _assert_every_row_accounted_for(
    gathered: Gathered, used: Mapping[str, pd.DataFrame], set_aside: Mapping[str, pd.DataFrame]
) -> None:
    for table in COLUMNS:
        came, stay, go = len(gathered.tables[table]), len(used[table]), len(set_aside[table])
        count = gathered.counts[table]
        if came != stay + go or came != count.rows or not count.balanced:
            raise FitError(
                f"Of {came} rows of the table {table} {stay} are used and {go} set aside, and reading counted "
                f"{count.rows}; every row must be one or the other. Nothing was written; please report this."
            )


def _in_order(
    about_files: pd.DataFrame, errors: pd.DataFrame, doubts: pd.DataFrame, *, other: pd.DataFrame
) -> pd.DataFrame:
    """One line a cell: errors, then suspicions, each in the order of tables and rows.

    When a whole column is empty, one line says so and stands for its cells. What the import only suspects of a cell in
    which there is an error is left out: the error says more.
    """
    whole_cells = ["table", "column", POSITION]
    about_rows = other[other[POSITION] >= 0]
    wrong = about_rows.merge(errors[whole_cells].drop_duplicates(), on=whole_cells, how="left", indicator=True)[
        "_merge"
    ]
    overruled = (wrong == "both").to_numpy() & (about_rows["severity"] != ERROR).to_numpy()
    whole = set(zip(about_files["table"], about_files["column"], strict=True))
    places = zip(errors["table"].to_numpy(dtype=object), errors["column"].to_numpy(dtype=object), strict=True)
    in_whole = np.array([pair in whole for pair in places], dtype=bool)
    covered = errors["rule"].isin([CELL_MISSING, "side_missing"]) & in_whole
    every = joined([about_files, other[other[POSITION] < 0], errors[~covered], about_rows[~overruled], doubts])
    every = every.drop_duplicates(["table", "column", "rule", POSITION, "message"])
    rank = pd.DataFrame(
        {
            "severity": every["severity"] != ERROR,
            "table": every["table"].map({table: place for place, table in enumerate(COLUMNS)}),
            "position": every[POSITION],
        }
    ).sort_values(["severity", "table", "position"], kind="stable", na_position="first")
    return once_per_cell(every.loc[rank.index])[list(FINDING_COLUMNS)]


def _tell(progress: Progress | None, sentence: str) -> None:
    if progress is not None:
        progress(sentence)
