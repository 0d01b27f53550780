"""What was prescribed and what was done: minutes a week by arm, from the diary."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import pandas as pd

from studykit.change.readings import EVERYBODY, EVERYBODY_LABEL
from studykit.data.minutes import weekly_minutes
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import counted, number, percent
from studykit.pictures.adherence import adherence_picture
from studykit.pictures.theme import Drawing
from studykit.result import Result
from studykit.table import Column, Table
from studykit.vocabulary import DIARY

SUMMARY_COLUMNS: Final = (
    "arm",
    "participants",
    "participants_with_diary",
    "minutes_prescribed_per_week",
    "minutes_done_per_week",
    "adherence_low_quarter",
    "adherence_median",
    "adherence_high_quarter",
    "weeks_known",
    "weeks_without_diary",
)


@dataclass(frozen=True, kw_only=True)
class Adherence(Result):
    """Minutes done against minutes prescribed.

    Attributes:
        weekly: `arm` (key), `week`, `participants`, `done`, `done_low`, `done_high`, `prescribed`: minutes a week.
        summary: one row an arm with a dose; `SUMMARY_COLUMNS`; adherence is a share of one.
        labels: arm key -> label, in the order of the protocol.
    """

    weekly: pd.DataFrame
    summary: pd.DataFrame
    labels: dict[str, str]

    def to_frame(self) -> pd.DataFrame:
        """One row an arm and week: mean minutes done, their middle half, minutes prescribed, participants known."""
        named = {name: f"minutes_{name}" for name in ("done", "done_low", "done_high", "prescribed")}
        return self.weekly.rename(columns=named)

    def numbers(self) -> dict[str, float]:
        """`<arm>.<column>` for every number of `summary`."""
        return {
            f"{row['arm']}.{name}": float(row[name])
            for row in self.summary.to_dict("records")
            for name in SUMMARY_COLUMNS[1:]
        }

    def table(self) -> Table:
        """One row an arm: minutes prescribed and done a week, adherence, weeks without a diary."""
        rows = tuple(
            (
                self.labels[row["arm"]],
                f"{row['participants_with_diary']} of {row['participants']}",
                number(row["minutes_prescribed_per_week"], 1),
                number(row["minutes_done_per_week"], 1),
                _spread(row),
                f"{row['weeks_without_diary']} of {row['weeks_known'] + row['weeks_without_diary']}",
            )
            for row in self.summary.to_dict("records")
        )
        return Table(
            "adherence",
            "Minutes under stretch a week, prescribed and done",
            (
                Column("Arm", "left"),
                Column("Kept a diary"),
                Column("Prescribed (min)"),
                Column("Done, mean (min)"),
                Column("Adherence, median (middle half)"),
                Column("Weeks without a diary"),
            ),
            rows,
            (
                "Minutes are per treated side. Adherence of a person: minutes done over minutes prescribed, in the "
                "weeks in which something was prescribed and a diary was kept.",
            ),
        )

    def figure(self) -> Drawing:
        """Minutes done and prescribed by week, one panel an arm."""
        order = {label: position for position, label in enumerate(self.labels.values())}
        return adherence_picture(self.weekly.assign(arm=self.weekly["arm"].map(self.labels)), styles=order)


def adherence_of_study(study: Study) -> Adherence:
    """Minutes done against minutes prescribed, by arm and week.

    It stands in this room because a change by allocation can only be read beside what was really done.

    Raises:
        DesignError: no diary, nothing prescribed, or no date of enrolment.
    """
    if study.table(DIARY).empty:
        raise DesignError("There is no diary, so what was done is not known; only what was prescribed is.")
    weeks = weekly_minutes(study)
    labels = {key: arm.label for key, arm in study.protocol.arms.items()} or {EVERYBODY: EVERYBODY_LABEL}
    if not study.protocol.arms:
        weeks = weeks.assign(arm=EVERYBODY)
    asked = weeks[(weeks["minutes_prescribed"] > 0.0) & weeks["arm"].isin(list(labels))]
    if asked.empty:
        raise DesignError("A diary was kept, but nothing was prescribed to anybody in it, so there is no adherence.")
    if asked["minutes_done"].notna().sum() == 0:
        raise DesignError(
            "No diary entry falls into a week in which something was prescribed, so there is no adherence."
        )
    summary = _summary(weeks, asked, labels)
    gaps, total = int(summary["weeks_without_diary"].sum()), len(asked)
    return Adherence(
        key="adherence",
        title="Minutes prescribed and done",
        headline=_headline(summary, labels),
        cautions=_cautions(gaps, total),
        methods=(
            "Minutes a week are hold time times repetitions, summed over the diary entries of a study week (day 0 is "
            "the day of enrolment), per treated side; prescribed minutes follow from the prescription. Weeks without "
            "any entry are missing and not zero. Adherence is shown as median and middle half over participants."
        ),
        provenance=study.provenance(),
        weekly=_by_week(asked, labels),
        summary=summary,
        labels=labels,
    )


def _by_week(asked: pd.DataFrame, labels: dict[str, str]) -> pd.DataFrame:
    known = asked[asked["minutes_done"].notna()]
    groups = known.groupby(["arm", "week"], sort=True)
    done = groups["minutes_done"]
    weekly = pd.DataFrame(
        {
            "participants": done.size(),
            "done": done.mean(),
            "done_low": done.quantile(0.25),
            "done_high": done.quantile(0.75),
            "prescribed": groups["minutes_prescribed"].mean(),
        }
    ).reset_index()
    order = {key: position for position, key in enumerate(labels)}
    return weekly.sort_values(["arm", "week"], key=lambda s: s.map(order) if s.name == "arm" else s, ignore_index=True)


def _summary(weeks: pd.DataFrame, asked: pd.DataFrame, labels: dict[str, str]) -> pd.DataFrame:
    rows = []
    for arm in labels:
        own = asked[asked["arm"] == arm]
        known = own[own["minutes_done"].notna()]
        if own.empty:
            continue
        people = known.groupby("participant_id")[["minutes_done", "minutes_prescribed"]].sum()
        share = people["minutes_done"] / people["minutes_prescribed"]
        rows.append(
            (
                arm,
                weeks.loc[weeks["arm"] == arm, "participant_id"].nunique(),
                len(people),
                float(own["minutes_prescribed"].mean()),
                float(known["minutes_done"].mean()),
                *(float(share.quantile(q)) for q in (0.25, 0.5, 0.75)),
                len(known),
                len(own) - len(known),
            )
        )
    return pd.DataFrame(rows, columns=list(SUMMARY_COLUMNS))


def _spread(row: dict[str, float]) -> str:
    low, high = percent(row["adherence_low_quarter"]), percent(row["adherence_high_quarter"])
    return f"{percent(row['adherence_median'])} ({low} to {high})"


def _headline(summary: pd.DataFrame, labels: dict[str, str]) -> str:
    found = [
        f"{_spread(row)} in “{labels[row['arm']]}” ({number(row['minutes_done_per_week'], 1)} of "
        f"{number(row['minutes_prescribed_per_week'], 1)} minutes a week)"
        for row in summary.to_dict("records")
    ]
    return (
        f"Share of the prescribed minutes that was done, median (middle half of the participants): {'; '.join(found)}."
    )


def _cautions(gaps: int, total: int) -> tuple[str, ...]:
    return (
        "People write down their own minutes: a diary tends to hold more than was done, and how hard the stretch was "
        "is not in it.",
        f"{gaps} of {counted(total, 'participant-week')} have no entry and are left out; if those were weeks without "
        "any stretching, adherence was lower than shown.",
        "Who does more is not chosen by chance: more change in those who did more is an association, not an effect.",
    )
