"""What was prescribed, and to whom."""

from __future__ import annotations

import pandas as pd

from studykit.data.checks.rules.given import Given
from studykit.data.checks.rules.identities import repeated_rows
from studykit.vocabulary import ERROR, PARTICIPANTS, PRESCRIPTIONS


def prescribed_to_nobody(given: Given) -> pd.DataFrame:
    """A prescription that names neither a participant nor an arm."""
    rows = given.tables[PRESCRIPTIONS]
    nobody = rows["participant_id"].isna() & rows["arm"].isna()
    return given.report(
        PRESCRIPTIONS,
        rows.index[nobody].to_numpy(),
        column="participant_id",
        rule="prescribed_to_nobody",
        severity=ERROR,
        message="This prescription names neither a participant nor an arm.",
        what_to_do="Fill in the participant's id, or the arm for which it holds.",
    )


def two_arms(given: Given) -> pd.DataFrame:
    """A prescription that puts a participant into another arm than the participants table does."""
    rows, people = given.tables[PRESCRIPTIONS], given.tables[PARTICIPANTS]
    known = people.dropna(subset=["participant_id", "arm"]).drop_duplicates("participant_id", keep=False)
    own = rows["participant_id"].map(known.set_index("participant_id")["arm"])
    differs = rows["arm"].notna() & own.notna() & (rows["arm"] != own)
    positions = rows.index[differs].to_numpy()
    return given.report(
        PRESCRIPTIONS,
        positions,
        column="arm",
        rule="two_arms_for_one_participant",
        severity=ERROR,
        message=[f"The participants table puts this participant into the arm {own.loc[i]!r}." for i in positions],
        what_to_do="Correct the arm here or in the participants table; a participant belongs to one arm.",
    )


def arms_disagree_among_prescriptions(given: Given) -> pd.DataFrame:
    """Prescriptions that put one participant into several arms, when the participants table names none."""
    rows = given.tables[PRESCRIPTIONS]
    named = rows.dropna(subset=["participant_id", "arm"])
    arms = named.groupby("participant_id", sort=False)["arm"].transform("nunique")
    positions = named.index.to_numpy()[arms.to_numpy() > 1]
    known = given.tables[PARTICIPANTS].dropna(subset=["arm"])["participant_id"]
    elsewhere = rows["participant_id"].loc[positions].isin(known).to_numpy(dtype=bool)
    return given.report(
        PRESCRIPTIONS,
        positions[~elsewhere],
        column="arm",
        rule="two_arms_for_one_participant",
        severity=ERROR,
        message="The prescriptions put this participant into more than one arm.",
        what_to_do="Correct the arm; a participant belongs to one arm.",
    )


def duplicate_prescription(given: Given) -> pd.DataFrame:
    """Two prescriptions of one technique for the same side of the same participant or arm."""
    key = ["technique", "participant_id", "arm", "side"]
    return repeated_rows(
        given, PRESCRIPTIONS, key, column="technique", rule="duplicate_prescription", noun="The technique"
    )
