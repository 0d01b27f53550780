"""Suspicions about what is missing or mixed: trials, a side, a yes/no that others have."""

from __future__ import annotations

import numpy as np
import pandas as pd

from studykit.data.checks.rules.given import Given
from studykit.data.checks.rules.readings import Cells, Readings, grouped
from studykit.data.findings import joined
from studykit.vocabulary import MEASUREMENTS, SIDES, SUSPICION


def missing_trials(given: Given, readings: Readings, cells: Cells) -> pd.DataFrame:
    """Trial numbers that do not run 1, 2, 3, ..., and cells with fewer trials than planned.

    A cell is one participant, visit, side, measure and rater; its first row is shown. A cell with a gap is not shown a
    second time for having too few.
    """
    count = cells.groups.count
    lowest, highest = cells.groups.extremes(readings.trial.astype(np.float64))
    planned = np.array([measure.trials_per_visit for measure in readings.measures])[cells.measure]
    gap = (highest > count) | (lowest > 1)
    few = ~gap & (count < planned)
    at_gap, at_few = cells.position[gap], cells.position[few]
    return joined(
        [
            given.report(
                MEASUREMENTS,
                at_gap,
                column="trial",
                rule="trial_numbers_have_a_gap",
                severity=SUSPICION,
                message=[
                    f"{have} trials, numbered {int(low)} to {int(high)}."
                    for have, low, high in zip(count[gap], lowest[gap], highest[gap], strict=True)
                ],
                what_to_do="Look for the trial that is missing or was set aside, or correct the numbers.",
            ),
            given.report(
                MEASUREMENTS,
                at_few,
                column="trial",
                rule="trials_missing",
                severity=SUSPICION,
                message=[
                    f"{have} of {want} planned trials." for have, want in zip(count[few], planned[few], strict=True)
                ],
                what_to_do="Look for the readings that are missing; if they were not taken, leave it.",
            ),
        ]
    )


def missing_side(given: Given, cells: Cells) -> pd.DataFrame:
    """One side missing at a visit of a person whose sides were both read at another visit."""
    sided = np.flatnonzero(cells.side >= 0)
    visits = grouped(cells.participant[sided], cells.measure[sided], cells.visit[sided])
    has = np.zeros((len(visits), 2), dtype=bool)
    has[visits.of_reading, cells.side[sided]] = True
    at = sided[visits.first]
    person = grouped(cells.participant[at], cells.measure[at])
    both = has.all(axis=1)
    ever = np.bincount(person.of_reading, weights=both, minlength=len(person)) > 0
    lacking = np.flatnonzero(~both & ever[person.of_reading])
    absent = np.argmin(has[lacking], axis=1)
    return given.report(
        MEASUREMENTS,
        cells.position[at[lacking]],
        column="side",
        rule="side_not_measured",
        severity=SUSPICION,
        message=[
            f"At this visit the {SIDES[side]} side has no reading; at another visit both have." for side in absent
        ],
        what_to_do="Look for the readings of the other side; if they were not taken, leave it.",
    )


def mixed_warm_up(given: Given, readings: Readings) -> pd.DataFrame:
    """One participant read both warmed up and not."""
    rows = given.tables[MEASUREMENTS]
    warmed = rows["warmed_up"].to_numpy(dtype=np.float64, na_value=np.nan)
    known = np.flatnonzero(np.isfinite(warmed))
    people = int(readings.participant.max(initial=-1)) + 1
    yes = np.bincount(readings.participant[known], weights=warmed[known], minlength=people)
    all_known = np.bincount(readings.participant[known], minlength=people)
    mixed = (yes > 0) & (yes < all_known)
    of_mixed = known[mixed[readings.participant[known]]]
    _, first = np.unique(readings.participant[of_mixed], return_index=True)
    at = np.sort(of_mixed[first])
    return given.report(
        MEASUREMENTS,
        rows.index.to_numpy()[at],
        column="warmed_up",
        rule="warm_up_mixed",
        severity=SUSPICION,
        message="This participant was read warmed up on some occasions and not on others.",
        what_to_do="Check the column; warming up by itself adds to the angle.",
    )


def blinding_missing(given: Given) -> pd.DataFrame:
    """`blinded` left empty in a table that has it elsewhere."""
    rows = given.tables[MEASUREMENTS]
    empty = rows["blinded"].isna().to_numpy()
    positions = rows.index.to_numpy()[empty] if not empty.all() else np.array([], dtype=np.int64)
    return given.report(
        MEASUREMENTS,
        positions,
        column="blinded",
        rule="blinding_not_recorded",
        severity=SUSPICION,
        message="Other rows say whether the rater was blinded; this one does not.",
        what_to_do="Fill in yes or no.",
    )
