"""Minutes under stretch, prescribed and done, by study week and up to each visit.

All minutes are per treated side: a person who holds 60 s on the left and 60 s on the right has done one minute, because
each muscle was under stretch for one minute. Left and right of one participant are averaged over the sides that are
treated; a row that names no side counts for each of them.

Study week w holds the days 7 (w - 1) to 7 w - 1 after enrolment, so week 1 begins on the day of enrolment.

A week without any diary row is a gap. With `gaps="missing"` what was done in it is not known (nan); with `gaps="zero"`
nothing was done. A day without a row in a week that has one counts as a day without practice under both. A week for
which nothing is prescribed and nothing written counts as zero.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from studykit.data.deriving import EVERYBODY
from studykit.data.study import Study
from studykit.errors import DesignError, check_choice
from studykit.vocabulary import DIARY, FLOW, MEASUREMENTS, PARTICIPANTS, PRESCRIPTIONS, SIDES

GAPS: Final = ("missing", "zero")
DAYS_A_WEEK: Final = 7


def weekly_minutes(study: Study, *, gaps: str = "missing") -> pd.DataFrame:
    """Minutes and days of each participant in each study week.

    minutes_prescribed = hold_s x repetitions x sessions_per_day x days_per_week / 60, for the weeks prescribed; where
    `weeks` is not whole, the last week has its fraction. minutes_done = sum of hold_s x repetitions / 60 over the diary
    rows of the week, per treated side. adherence = minutes_done / minutes_prescribed, nan when nothing is prescribed.
    The weeks run to the last planned visit, the longest prescription or the last diary row, whichever is last. From
    the day on which a participant left nothing is prescribed or known: those weeks are missing.

    Args:
        gaps: "missing" or "zero", see above.

    Returns:
        `participant_id, arm, week, minutes_prescribed, minutes_done, days_prescribed, days_done, adherence`.

    Raises:
        CallError: `gaps` is another word.
        DesignError: no participant has a date of enrolment.
    """
    check_choice(gaps, GAPS, "gaps")
    people = _people(study)
    asked = _prescribed(study, people)
    diary = _diary(study, people, asked)
    last = _last_week(study, asked, diary)
    frame = people[["participant_id", "arm", "left_day"]].merge(
        pd.DataFrame({"week": np.arange(1, last + 1)}), how="cross"
    )
    frame = frame.merge(_prescribed_by_week(asked, last), on=["participant_id", "week"], how="left")
    frame = frame.merge(_done_by_week(diary), on=["participant_id", "week"], how="left")
    frame[["minutes_prescribed", "days_prescribed"]] = frame[["minutes_prescribed", "days_prescribed"]].fillna(0.0)
    known = (frame["minutes_prescribed"] == 0.0) | (gaps == "zero")
    for column in ("minutes_done", "days_done"):
        frame[column] = frame[column].where(frame[column].notna() | ~known, 0.0)
    gone = frame["left_day"] < DAYS_A_WEEK * frame["week"]
    amounts = ["minutes_prescribed", "minutes_done", "days_prescribed", "days_done"]
    frame[amounts] = frame[amounts].mask(gone)
    frame["adherence"] = frame["minutes_done"] / frame["minutes_prescribed"].where(frame["minutes_prescribed"] > 0.0)
    return frame[["participant_id", "arm", "week", *amounts, "adherence"]]


def cumulated_minutes(study: Study, *, gaps: str = "missing") -> pd.DataFrame:
    """Minutes prescribed and done from enrolment up to each visit that took place.

    The day of a visit is the first day on which it was read, else its planned week; what is done on that day itself
    counts for the next visit. Prescribed minutes accrue evenly over the days of a prescription. Done minutes are
    missing when a whole prescribed week before the visit is a gap and `gaps` is "missing".

    Returns:
        `participant_id, arm, visit, day, minutes_prescribed, minutes_done, adherence`; `day` counts from enrolment.

    Raises:
        CallError: `gaps` is another word.
        DesignError: no participant has a date of enrolment.
    """
    check_choice(gaps, GAPS, "gaps")
    people = _people(study)
    asked = _prescribed(study, people)
    diary = _diary(study, people, asked)
    visits = _visit_days(study, people)
    spent = visits.merge(asked, on="participant_id", how="inner")
    weeks = np.minimum(np.clip(spent["day"] / DAYS_A_WEEK, 0.0, None), spent["weeks"])
    spent["minutes_prescribed"] = weeks * spent["minutes_a_week"]
    key = ["participant_id", "visit"]
    prescribed = spent.groupby(key)["minutes_prescribed"].sum()
    before = visits.merge(diary, on="participant_id", how="inner", suffixes=("", "_done"))
    before = before[before["day_done"] < before["day"]]
    done = before.groupby(key)["minutes"].sum()
    visits = visits.join(prescribed, on=key).join(done.rename("minutes_done"), on=key)
    visits[["minutes_prescribed", "minutes_done"]] = visits[["minutes_prescribed", "minutes_done"]].fillna(0.0)
    if gaps == "missing":
        visits["minutes_done"] = visits["minutes_done"].mask(_has_gap(study, visits))
    visits["adherence"] = visits["minutes_done"] / visits["minutes_prescribed"].where(
        visits["minutes_prescribed"] > 0.0
    )
    return visits[["participant_id", "arm", "visit", "day", "minutes_prescribed", "minutes_done", "adherence"]]


def weekly_by_arm(study: Study, *, gaps: str = "missing") -> pd.DataFrame:
    """Minutes a week by arm: the mean of those whose week is known, the middle half of them, and what was prescribed.

    Returns:
        `arm` (its label; one label for everybody when the protocol has no arms), `week, done, done_low, done_high`
        (mean, 25% and 75% points), `prescribed` (mean), `participants` (whose week is known).
    """
    weekly = weekly_minutes(study, gaps=gaps)
    labels = {key: arm.label for key, arm in study.protocol.arms.items()}
    if not labels:
        labels = {EVERYBODY: EVERYBODY}
        weekly = weekly.assign(arm=EVERYBODY)
    weekly = weekly[weekly["minutes_done"].notna()]
    parts = []
    for key, label in labels.items():
        weeks = weekly[weekly["arm"] == key].groupby("week", sort=True)
        part = weeks["minutes_done"].agg(
            done="mean",
            done_low=lambda minutes: minutes.quantile(0.25),
            done_high=lambda minutes: minutes.quantile(0.75),
            participants="size",
        )
        part["prescribed"] = weeks["minutes_prescribed"].mean()
        parts.append(part.reset_index().assign(arm=label))
    columns = ["arm", "week", "done", "done_low", "done_high", "prescribed", "participants"]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def _people(study: Study) -> pd.DataFrame:
    """Participants with a day of enrolment: participant_id, arm, enrolled_on, left_day (inf for those who stayed)."""
    people = study.table(PARTICIPANTS)[["participant_id", "arm", "enrolled_on"]]
    people = people[people["enrolled_on"].notna()].reset_index(drop=True)
    if people.empty:
        raise DesignError(
            "No participant has a date of enrolment, so there are no study weeks; add enrolled_on to participants."
        )
    flow = study.table(FLOW)
    left = flow[(flow["stage"] == "lost") & flow["happened_on"].notna()].set_index("participant_id")["happened_on"]
    left_on = pd.Series(left.reindex(people["participant_id"]).to_numpy(), index=people.index)
    people["left_day"] = (left_on - people["enrolled_on"]).dt.days.astype("float64")
    people["left_day"] = people["left_day"].fillna(np.inf)
    return people


def _prescribed(study: Study, people: pd.DataFrame) -> pd.DataFrame:
    """What each participant was asked to do: participant_id, side, minutes_a_week, days_a_week, weeks.

    A participant's own prescriptions come first, then those of the arm, then the arm's dose in the protocol.
    """
    rows = study.table(PRESCRIPTIONS)
    rows["minutes_a_week"] = (
        rows["hold_s"] * rows["repetitions"].astype("float64") * rows["sessions_per_day"] * rows["days_per_week"] / 60.0
    )
    rows["days_a_week"] = rows["days_per_week"]
    wanted = ["side", "minutes_a_week", "days_a_week", "weeks"]
    own = rows[rows["participant_id"].notna()][["participant_id", *wanted]]
    own = own[own["participant_id"].isin(people["participant_id"])]
    without = people[~people["participant_id"].isin(own["participant_id"])]
    by_arm = rows[rows["participant_id"].isna()][["arm", *wanted]]
    of_arm = without[["participant_id", "arm"]].merge(by_arm, on="arm", how="inner")[["participant_id", *wanted]]
    without = without[~without["participant_id"].isin(of_arm["participant_id"])]
    doses = pd.DataFrame(
        [
            (key, None, arm.dose.minutes_per_week, arm.dose.days_per_week, arm.dose.weeks)
            for key, arm in study.protocol.arms.items()
            if arm.dose is not None
        ],
        columns=["arm", *wanted],
    ).astype({"arm": "str", "side": "str"})
    planned = without[["participant_id", "arm"]].merge(doses, on="arm", how="inner")[["participant_id", *wanted]]
    return _per_treated_side(pd.concat([own, of_arm, planned], ignore_index=True))


def _per_treated_side(asked: pd.DataFrame) -> pd.DataFrame:
    """Minutes per treated side, and `treated_sides`: both for a prescription without a side, else the sides named.

    The types are said because a frame in which nothing is prescribed has none of its own.
    """
    sides = asked[asked["side"].notna()].groupby("participant_id")["side"].nunique()
    unsided = set(asked.loc[asked["side"].isna(), "participant_id"])
    count = asked["participant_id"].map(sides).astype("float64").fillna(1.0)
    count = count.where(~asked["participant_id"].isin(unsided), float(len(SIDES)))
    share = np.where(asked["side"].isna(), 1.0, 1.0 / count)
    minutes = asked["minutes_a_week"].astype("float64") * share
    return asked.assign(minutes_a_week=minutes, treated_sides=np.where(asked["side"].isna(), 2.0, count))


def _diary(study: Study, people: pd.DataFrame, asked: pd.DataFrame) -> pd.DataFrame:
    """Diary rows with the day from enrolment and minutes per treated side: participant_id, day, minutes, practised.

    Treated are the sides that the prescription names (both when it names none); for a participant without a
    prescription, the sides that the diary names.
    """
    rows = study.table(DIARY)
    rows = rows.merge(people[["participant_id", "enrolled_on", "left_day"]], on="participant_id", how="inner")
    rows["day"] = (rows["done_on"] - rows["enrolled_on"]).dt.days.astype("float64")
    prescribed = asked.groupby("participant_id")["treated_sides"].max()
    written = rows[rows["side"].notna()].groupby("participant_id")["side"].nunique()
    sides = rows["participant_id"].map(prescribed).fillna(rows["participant_id"].map(written)).fillna(1.0)
    minutes = rows["hold_s"] * rows["repetitions"].astype("float64") / 60.0
    rows["minutes"] = np.where(rows["side"].isna(), minutes, minutes / sides)
    rows["practised"] = minutes > 0.0
    return rows[["participant_id", "day", "minutes", "practised"]]


def _last_week(study: Study, asked: pd.DataFrame, diary: pd.DataFrame) -> int:
    weeks = [visit.week for visit in study.protocol.visits]
    weeks += [float(asked["weeks"].max())] if len(asked) else []
    weeks += [float(diary["day"].max() // DAYS_A_WEEK) + 1.0] if len(diary) else []
    return max(int(np.ceil(max(weeks, default=1.0))), 1)


def _prescribed_by_week(asked: pd.DataFrame, last: int) -> pd.DataFrame:
    """Minutes and days asked for in each week; days of several techniques are those of the most frequent one."""
    weeks = asked.merge(pd.DataFrame({"week": np.arange(1, last + 1)}), how="cross")
    part = np.clip(weeks["weeks"] - (weeks["week"] - 1), 0.0, 1.0)
    weeks = weeks.assign(minutes_prescribed=weeks["minutes_a_week"] * part, days_prescribed=weeks["days_a_week"] * part)
    groups = weeks.groupby(["participant_id", "week"])
    return groups.agg(
        minutes_prescribed=("minutes_prescribed", "sum"), days_prescribed=("days_prescribed", "max")
    ).reset_index()


def _done_by_week(diary: pd.DataFrame) -> pd.DataFrame:
    rows = diary.assign(week=(diary["day"] // DAYS_A_WEEK + 1).astype("int64"))
    minutes = rows.groupby(["participant_id", "week"])["minutes"].sum().rename("minutes_done")
    days = rows[rows["practised"]].groupby(["participant_id", "week"])["day"].nunique().rename("days_done")
    done = pd.concat([minutes, days.astype("float64")], axis=1)
    return done.assign(days_done=done["days_done"].fillna(0.0)).reset_index()


def _visit_days(study: Study, people: pd.DataFrame) -> pd.DataFrame:
    """One row a participant and visit that took place: participant_id, arm, visit, day."""
    rows = study.table(MEASUREMENTS)
    rows = rows[rows["visit"].notna()].merge(people, on="participant_id", how="inner")
    read = rows.groupby(["participant_id", "arm", "visit", "enrolled_on"], sort=False, dropna=False)["measured_on"]
    visits = read.min().reset_index()
    planned = visits["visit"].map({visit.key: visit.week * DAYS_A_WEEK for visit in study.protocol.visits})
    day = (visits["measured_on"] - visits["enrolled_on"]).dt.days.astype("float64")
    visits["day"] = day.fillna(planned.astype("float64"))
    return visits[["participant_id", "arm", "visit", "day"]]


def _has_gap(study: Study, visits: pd.DataFrame) -> pd.Series:
    """True where a whole prescribed week before the visit has no diary row."""
    weekly = weekly_minutes(study, gaps="missing")
    gaps = weekly[weekly["minutes_done"].isna() & (weekly["minutes_prescribed"] > 0.0)]
    pairs = visits[["participant_id", "visit", "day"]].reset_index().merge(gaps, on="participant_id", how="inner")
    hit = pairs.loc[DAYS_A_WEEK * pairs["week"] <= pairs["day"], "index"]
    return visits.index.to_series().isin(hit)
