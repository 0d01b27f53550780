"""Dates that cannot be: before enrolment, after leaving, years past the last visit.

Nothing is compared with today's date: a check gives the same answer on every day on which it is run.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from studykit.data.checks.rules.given import Given, as_days, date_text
from studykit.data.findings import joined
from studykit.vocabulary import DIARY, ERROR, EVENTS, MEASUREMENTS, PARTICIPANTS, SUSPICION

DATE_COLUMN = {MEASUREMENTS: "measured_on", DIARY: "done_on", EVENTS: "happened_on"}
RULE_BEFORE = {MEASUREMENTS: "measured_before_enrolment", DIARY: "diary_before_enrolment"}
RULE_LOST = {MEASUREMENTS: "measured_after_loss", DIARY: "diary_after_withdrawal"}
LONGEST_DELAY_DAYS = 366.0
"""A date later than this after the end of the last visit's window is a slip of the year, not a late visit."""
FAR_ENROLMENT_DAYS = 5 * 365.25
"""Enrolment of a single study rarely lasts longer than ten years: five to either side of the middle."""
FEWEST_ENROLMENTS = 5


def study_day(given: Given, table: str) -> np.ndarray:
    """Days from the participant's enrolment to each row of a table, nan where either date is not known."""
    enrolled = given.looked_up(table, "participant_id", given.enrolled_day())
    return np.asarray(given.days(table, DATE_COLUMN[table]) - enrolled)


def before_enrolment(given: Given, table: str) -> pd.DataFrame:
    """A reading or a diary row before the participant's enrolment.

    A reading may precede enrolment where the window of its visit does (a baseline up to `days_before` days earlier).
    """
    rows, day = given.tables[table], study_day(given, table)
    earliest = np.zeros(len(rows))
    if table == MEASUREMENTS:
        opens = pd.Series({visit.key: min(0.0, visit.earliest_day) for visit in given.protocol.visits}, dtype="float64")
        earliest = np.nan_to_num(given.looked_up(table, "visit", opens), nan=0.0)
    early = np.flatnonzero(day < earliest)
    return given.report(
        table,
        rows.index.to_numpy()[early],
        column=DATE_COLUMN[table],
        rule=RULE_BEFORE[table],
        severity=ERROR,
        message=[f"This is {int(-day[i])} days before the participant was enrolled." for i in early],
        what_to_do="Correct this date, or the date of enrolment in the participants table.",
    )


def after_loss(given: Given, table: str) -> pd.DataFrame:
    """A reading or a diary row after the day on which the participant left the study."""
    rows = given.tables[table]
    left = given.looked_up(table, "participant_id", given.lost_day())
    late = np.flatnonzero(given.days(table, DATE_COLUMN[table]) > left)
    return given.report(
        table,
        rows.index.to_numpy()[late],
        column=DATE_COLUMN[table],
        rule=RULE_LOST[table],
        severity=ERROR,
        message=[f"The flow table says that this participant left on {date_text(left[i])}." for i in late],
        what_to_do="Correct this date, the participant, or the day of leaving in the flow table.",
    )


def long_after_the_study(given: Given, table: str) -> pd.DataFrame:
    """A date more than a year past the end of the last visit's window."""
    if not given.protocol.visits:
        return joined([])
    last = max(visit.latest_day for visit in given.protocol.visits) + LONGEST_DELAY_DAYS
    rows, day = given.tables[table], study_day(given, table)
    late = np.flatnonzero(day > last)
    return given.report(
        table,
        rows.index.to_numpy()[late],
        column=DATE_COLUMN[table],
        rule="date_long_after_study",
        severity=ERROR,
        message=[f"This is {int(day[i])} days after enrolment, more than a year past the last visit." for i in late],
        what_to_do="Correct the year of this date, or the date of enrolment in the participants table.",
    )


def outside_window(given: Given) -> pd.DataFrame:
    """A reading outside the window of its visit: late visits happen, so this is a suspicion and the row stays."""
    rows, day = given.tables[MEASUREMENTS], study_day(given, MEASUREMENTS)
    visits = given.protocol.visits
    opens = given.looked_up(
        MEASUREMENTS, "visit", pd.Series({visit.key: visit.earliest_day for visit in visits}, dtype="float64")
    )
    closes = given.looked_up(
        MEASUREMENTS, "visit", pd.Series({visit.key: visit.latest_day for visit in visits}, dtype="float64")
    )
    outside = np.flatnonzero((day < opens) | (day > closes))
    return given.report(
        MEASUREMENTS,
        rows.index.to_numpy()[outside],
        column="measured_on",
        rule="visit_outside_window",
        severity=SUSPICION,
        message=[f"Study day {int(day[i])}; the window is day {opens[i]:g} to {closes[i]:g}." for i in outside],
        what_to_do="Check the date and the visit; if both are right, leave it: the reading is used.",
    )


def event_outside_the_study(given: Given) -> pd.DataFrame:
    """An event before the participant's enrolment, or more than a year past the last visit.

    The row stays: an event is counted even when its date is wrong.
    """
    day = study_day(given, EVENTS)
    last = max((visit.latest_day for visit in given.protocol.visits), default=np.inf) + LONGEST_DELAY_DAYS
    outside = np.flatnonzero((day < 0) | (day > last))
    return given.report(
        EVENTS,
        given.tables[EVENTS].index.to_numpy()[outside],
        column="happened_on",
        rule="event_outside_study",
        severity=SUSPICION,
        message=[
            f"This is {int(-day[i])} days before the participant was enrolled."
            if day[i] < 0
            else f"This is {int(day[i])} days after enrolment, more than a year past the last visit."
            for i in outside
        ],
        what_to_do="Check this date and the date of enrolment; the event is counted all the same.",
    )


def reading_without_date(given: Given) -> pd.DataFrame:
    """`measured_on` left empty in a table that has it elsewhere; the first such row of each visit is shown."""
    rows = given.tables[MEASUREMENTS]
    undated = rows["measured_on"].isna()
    if undated.all() or not undated.any():
        return joined([])
    lacking = rows[undated]
    groups = lacking.groupby("visit", sort=False, dropna=False)
    firsts = lacking[~lacking.duplicated("visit")]
    counts = groups["participant_id"].transform("size").loc[firsts.index]
    return given.report(
        MEASUREMENTS,
        firsts.index.to_numpy(),
        column="measured_on",
        rule="date_of_reading_missing",
        severity=SUSPICION,
        message=[
            "Other readings have a date; this one does not."
            if count == 1
            else f"Other readings have a date; {count} of this visit do not, this one first."
            for count in counts
        ],
        what_to_do="Fill in the day; without it nobody can tell whether the visit was in its window.",
    )


def enrolment_far_from_others(given: Given) -> pd.DataFrame:
    """Enrolled more than five years from the middle of all enrolments: most often a slip of the year."""
    people = given.tables[PARTICIPANTS]
    day = as_days(people["enrolled_on"])
    if np.isfinite(day).sum() < FEWEST_ENROLMENTS:
        return joined([])
    middle = float(np.nanmedian(day))
    far = np.flatnonzero(np.abs(day - middle) > FAR_ENROLMENT_DAYS)
    return given.report(
        PARTICIPANTS,
        people.index.to_numpy()[far],
        column="enrolled_on",
        rule="enrolment_far_from_others",
        severity=SUSPICION,
        message=f"More than five years from the middle of all enrolments ({date_text(middle)}).",
        what_to_do="Check the year.",
    )
