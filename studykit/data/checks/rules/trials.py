"""One reading stands in one row: the same trial recorded twice."""

from __future__ import annotations

import numpy as np
import pandas as pd

from studykit.data.checks.rules.given import Given
from studykit.data.checks.rules.identities import copies_found, repeats
from studykit.data.checks.rules.readings import combined
from studykit.data.findings import joined
from studykit.vocabulary import ERROR, MEASUREMENTS

KEY = ("participant_id", "visit", "side", "measure", "rater_id", "trial")
NEVER_EMPTY = ("participant_id", "measure", "rater_id", "trial")


def trial_key(given: Given) -> tuple[str, ...]:
    """Columns that name one trial; a study without planned visits tells its sittings apart by their date."""
    return KEY if given.protocol.visits else (*KEY, "measured_on")


def duplicate_trial(given: Given) -> pd.DataFrame:
    """Rows that claim to be the same trial.

    Where they differ in any cell, all of them are set aside: which one is right cannot be known here. Exact copies say
    nothing new: the first is used and the copies are set aside.
    """
    rows, key = given.tables[MEASUREMENTS], trial_key(given)
    codes = {column: _codes(given, column) for column in key}
    complete = np.all([codes[column] >= 0 for column in NEVER_EMPTY], axis=0)
    number = pd.Series(combined(list(codes.values())))
    shared = number.duplicated(keep=False).to_numpy() & complete
    copies, conflicting = repeats(rows.iloc[np.flatnonzero(shared)], list(key))
    return joined(
        [
            copies_found(given, MEASUREMENTS, copies, column="trial"),
            given.report(
                MEASUREMENTS,
                conflicting,
                column="trial",
                rule="duplicate_trial",
                severity=ERROR,
                message="Several rows stand for this trial of this participant, visit, side, measure and rater.",
                what_to_do="Delete the wrong row or correct its trial number; a second instrument is a second measure.",
            ),
        ]
    )


def _codes(given: Given, column: str) -> np.ndarray:
    """Codes of a column of the readings, -1 where empty; trial numbers stand for themselves."""
    if column == "measured_on":
        return np.asarray(pd.factorize(given.days(MEASUREMENTS, column))[0])
    if column != "trial":
        return given.words(MEASUREMENTS, column)[0]
    trials = given.tables[MEASUREMENTS]["trial"]
    return np.asarray(np.clip(trials.fillna(-1).to_numpy(dtype=np.int64), -1, None))
