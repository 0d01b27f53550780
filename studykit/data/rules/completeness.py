"""Suspicions about what is missing or mixed: trials, a side, a yes/no that others have."""

from __future__ import annotations

import numpy as np
import pandas as pd

from studykit.data.findings import joined
from studykit.data.rules.given import Given
from studykit.data.rules.readings import Readings, grouped
from studykit.vocabulary import MEASUREMENTS, SIDES, SUSPICION


def missing_trials(given: Given, readings: Readings) -> pd.DataFrame:
    """Trial numbers that do not run 1, 2, 3, ..., and cells with fewer trials than planned.

    A cell is one participant, visit, side, measure and rater; its first row is shown. A cell with a gap is not shown a
    second time for having too few.
    """
    cells = grouped(readings.participant, readings.visit, readings.side, readings.measure, readings.rater)
    highest = np.zeros(len(cells))
    np.maximum.at(highest, cells.of_reading, readings.trial)
    lowest = np.full(len(cells), np.inf)
    np.minimum.at(lowest, cells.of_reading, readings.trial)
    planned = np.array([measure.trials_per_visit for measure in readings.measures])[readings.measure[cells.first]]
    gap = (highest > cells.count) | (lowest > 1)
    few = ~gap & (cells.count < planned)
    at_gap, at_few = readings.position[cells.first[gap]], readings.position[cells.first[few]]
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
                    for have, low, high in zip(cells.count[gap], lowest[gap], highest[gap], strict=True)
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
                    f"{have} of {want} planned trials."
                    for have, want in zip(cells.count[few], planned[few], strict=True)
                ],
                what_to_do="Look for the readings that are missing; if they were not taken, leave it.",
            ),
        ]
    )


def missing_side(given: Given, readings: Readings) -> pd.DataFrame:
    """One side missing at a visit of a person whose sides were both read at another visit."""
    sided = readings.where(readings.side >= 0)
    visits = grouped(sided.participant, sided.measure, sided.visit)
    has = np.zeros((len(visits), 2), dtype=bool)
    has[visits.of_reading, sided.side] = True
    person = grouped(sided.participant[visits.first], sided.measure[visits.first])
    both = has.all(axis=1)
    ever = np.bincount(person.of_reading, weights=both, minlength=len(person)) > 0
    lacking = np.flatnonzero(~both & ever[person.of_reading])
    absent = np.argmin(has[lacking], axis=1)
    return given.report(
        MEASUREMENTS,
        sided.position[visits.first[lacking]],
        column="side",
        rule="side_not_measured",
        severity=SUSPICION,
        message=[
            f"At this visit the {SIDES[side]} side has no reading; at another visit both have." for side in absent
        ],
        what_to_do="Look for the readings of the other side; if they were not taken, leave it.",
    )


def mixed_warm_up(given: Given) -> pd.DataFrame:
    """One participant read both warmed up and not."""
    rows = given.tables[MEASUREMENTS]
    at = _groups_with_both(rows["participant_id"], rows["warmed_up"])
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


def _groups_with_both(who: pd.Series, yes_no: pd.Series) -> np.ndarray:
    """Index of the first row of each group in which both yes and no occur."""
    known = np.flatnonzero(yes_no.notna().to_numpy() & who.notna().to_numpy())
    if not len(known):
        return known
    groups = grouped(pd.factorize(who.iloc[known])[0])
    yes = yes_no.iloc[known].to_numpy(dtype=bool)
    share = groups.mean(yes.astype(np.float64))
    return np.asarray(known[groups.first[(share > 0.0) & (share < 1.0)]])
