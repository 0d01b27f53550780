"""Rules about the participants' own rows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from studykit.data.checks.rules.given import Given
from studykit.data.findings import joined
from studykit.formatting import number
from studykit.vocabulary import ERROR, FLOW, PARTICIPANTS, RATERS, SUSPICION

LOWEST_BMI, HIGHEST_BMI = 10.0, 80.0
"""kg/m²; wider than what living adults and school children have, narrow enough to see height and mass exchanged."""


def needed_in_a_trial(given: Given) -> pd.DataFrame:
    """A participant of a trial without an arm or a date of enrolment.

    People whom the flow table excludes before allocation need neither.
    """
    if given.protocol.study.design != "trial":
        return joined([])
    people, flow = given.tables[PARTICIPANTS], given.tables[FLOW]
    excluded = flow.loc[flow["stage"] == "excluded", "participant_id"].dropna()
    needs = ~people["participant_id"].isin(excluded)
    return joined(
        [
            given.report(
                PARTICIPANTS,
                people.index[needs & people[column].isna()].to_numpy(),
                column=column,
                rule=rule,
                severity=ERROR,
                message=f"A participant of a trial needs {noun}.",
                what_to_do=f"Fill in {noun}, or record in the flow table that this person was excluded.",
            )
            for column, rule, noun in (
                ("arm", "arm_missing", "an arm"),
                ("enrolled_on", "enrolment_missing", "a date of enrolment"),
            )
        ]
    )


def unlikely_build(given: Given) -> pd.DataFrame:
    """Height and mass that give a body-mass index outside 10 to 80 kg/m²."""
    people = given.tables[PARTICIPANTS]
    bmi = (people["mass_kg"] / (people["height_cm"] / 100.0) ** 2).to_numpy()
    far = np.flatnonzero((bmi < LOWEST_BMI) | (bmi > HIGHEST_BMI))
    return given.report(
        PARTICIPANTS,
        people.index.to_numpy()[far],
        column="mass_kg",
        rule="height_and_mass_unlikely",
        severity=SUSPICION,
        message=[f"With this height the body-mass index would be {number(float(bmi[i]), 0)} kg/m²." for i in far],
        what_to_do="Check whether height and mass were exchanged or given in other units.",
    )


def rater_not_planned(given: Given) -> pd.DataFrame:
    """A rater whom the protocol does not list: substitutes happen, so this is a suspicion."""
    if not given.protocol.raters:
        return joined([])
    raters = given.tables[RATERS]
    unplanned = raters["rater_id"].notna() & ~raters["rater_id"].isin(given.protocol.raters)
    return given.report(
        RATERS,
        raters.index[unplanned].to_numpy(),
        column="rater_id",
        rule="rater_not_planned",
        severity=SUSPICION,
        message="The protocol does not list this rater.",
        what_to_do="Check the id; for a substitute, add the rater to the protocol.",
    )
