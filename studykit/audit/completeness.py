"""How complete is the record: visits that took place, sides, trials and fields filled, by month and by therapist."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

import pandas as pd

from studykit.audit import wording
from studykit.audit.groups import Grouping, months_of, therapists_of
from studykit.audit.planned import PlannedVisits
from studykit.data.minutes import DAYS_A_WEEK, weekly_minutes
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import level, share_estimate
from studykit.numerics.intervals import wilson_interval
from studykit.pictures.completeness import completeness_picture
from studykit.pictures.theme import Drawing
from studykit.result import Result
from studykit.table import Column, Table
from studykit.vocabulary import DIARY, PARTICIPANTS

ALL, MONTH, THERAPIST = "all", "month", "therapist"
COUNT_COLUMNS: Final = ("kind", "by", "group", "label", "done", "of", "people", "share", "low", "high")
KINDS: Final = {
    "visits": "Visits that took place",
    "sides": "All planned sides and measures read",
    "trials": "All planned trials read",
    "fields": "Date and other fields filled",
    "window": "Inside the window",
    "start": "Characteristics at the start filled",
    "diary_weeks": "Diary weeks with an entry",
}
"""Kind of count -> its words. Units: visits due; visits that took place (three kinds); visits with a date; people;
weeks of those who kept a diary."""
OF_VISITS_HELD: Final = {"sides": "sides_done", "trials": "trials_complete", "fields": "fields_done"}
DRAWN: Final = ("visits", "sides", "trials", "window")
TABLE_KINDS: Final = ("visits", "sides", "trials", "fields")


@dataclass(frozen=True, kw_only=True)
class Completeness(Result):
    """Shares of what was planned that is in the record.

    Attributes:
        counts: one row a kind and group: `COUNT_COLUMNS`; `by` is "all", "month" or "therapist"; shares of one with
            Wilson intervals at `confidence`.
        readings_planned, readings_done: trials at visits that took place.
        confidence: level of the intervals.
        notes: what is counted, and which groups were joined.
    """

    counts: pd.DataFrame = field(repr=False)
    readings_planned: int
    readings_done: int
    confidence: float
    notes: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row a kind and group: done, of how many, people behind them, share with its interval."""
        return self.counts.copy()

    def numbers(self) -> dict[str, float]:
        """`<by>.<group>.<kind>.share`, `.low`, `.high`, `.done`, `.of`; readings planned and done."""
        named = {"readings.planned": float(self.readings_planned), "readings.done": float(self.readings_done)}
        for row in self.counts.to_dict("records"):
            start = f"{row['by']}.{row['group']}.{row['kind']}"
            named |= {f"{start}.{name}": float(row[name]) for name in ("share", "low", "high", "done", "of")}
        return named

    def table(self) -> Table:
        """Months, then therapists, then everybody down; kinds across."""
        at = self.counts.set_index(["by", "group", "kind"])
        shown = [kind for kind in TABLE_KINDS if (ALL, ALL, kind) in at.index]
        rows = [
            (label, _held(at, by, group), *(_cell(at, (by, group, kind)) for kind in shown))
            for by, group, label in self._groups()
        ]
        columns = (
            Column("Month or therapist", "left"),
            Column("Visits"),
            *(Column(f"{KINDS[kind]}, {level(self.confidence)}") for kind in shown),
        )
        return Table("audit_completeness", "How complete is the record?", columns, tuple(rows), self.notes)

    def figure(self) -> Drawing | None:
        """Shares over the months, one panel a kind; None where no month is known."""
        months = self.counts[(self.counts["by"] == MONTH) & self.counts["kind"].isin(DRAWN)]
        if months.empty:
            return None
        return completeness_picture(
            months.assign(panel=months["kind"].map(KINDS)), panels=[KINDS[k] for k in DRAWN], confidence=self.confidence
        )

    def _groups(self) -> Iterator[tuple[str, str, str]]:
        for by in (MONTH, THERAPIST, ALL):
            own = self.counts[self.counts["by"] == by].drop_duplicates("group")
            start = "Therapist " if by == THERAPIST else ""
            yield from ((by, row.group, f"{start}{row.label}") for row in own.itertuples())


def completeness_of_study(study: Study, planned: PlannedVisits) -> Completeness:
    """Count what is in the record of what was planned.

    Visits and weeks are the units, so that trials of one visit do not count as if they were independent.
    """
    smallest, confidence = study.protocol.privacy.smallest_group, study.protocol.study.confidence
    months, therapists = months_of(planned.visits, smallest), therapists_of(planned.held, smallest)
    units = _units(study, planned)
    counts = pd.concat(
        [
            _counted(units.assign(group=ALL), ALL, {ALL: "All"}, 1, confidence),
            _counted(_by_month(units, months), MONTH, months.labels, smallest, confidence),
            _counted(_by_therapist(units, therapists), THERAPIST, therapists.labels, smallest, confidence),
        ],
        ignore_index=True,
    )
    held = planned.held
    return Completeness(
        key="audit.completeness",
        title="Completeness",
        headline=wording.completeness_headline(counts, confidence),
        cautions=wording.completeness_cautions(study),
        methods=wording.completeness_methods(planned),
        provenance=study.provenance(),
        counts=counts,
        readings_planned=int(held["trials_planned"].sum()),
        readings_done=int(held["trials_done"].sum()),
        confidence=confidence,
        notes=wording.completeness_notes(study, planned, months, therapists, counts),
    )


def _units(study: Study, planned: PlannedVisits) -> pd.DataFrame:
    """One row a thing that was planned: `kind`, `participant_id`, `rater_id`, `day`, `done`."""
    visits, held = planned.visits, planned.held
    parts = [_unit("visits", visits, visits["held"]).assign(rater_id=None)]
    for kind, column in OF_VISITS_HELD.items():
        if kind != "fields" or planned.fields:
            parts.append(_unit(kind, held, held[column]))
    dated = held[held["in_window"].notna()]
    parts.append(_unit("window", dated, dated["in_window"].astype(bool)))
    parts += [_start_units(study), _diary_units(study, planned)]
    return pd.concat([part for part in parts if len(part)], ignore_index=True)


def _unit(kind: str, visits: pd.DataFrame, done: pd.Series) -> pd.DataFrame:
    frame = visits[["participant_id", "rater_id", "planned_on"]].rename(columns={"planned_on": "day"})
    return frame.assign(kind=kind, done=done.to_numpy(dtype=bool))


def _start_units(study: Study) -> pd.DataFrame:
    """Participants, done where every characteristic that anybody has is filled."""
    people = study.table(PARTICIPANTS)
    kept = [name for name in people.columns if name != "participant_id" and people[name].notna().any()]
    filled = people[kept].notna().all(axis="columns")
    frame = pd.DataFrame({"participant_id": people["participant_id"], "rater_id": None, "day": people["enrolled_on"]})
    return frame.assign(kind="start", done=filled.to_numpy(dtype=bool))


def _diary_units(study: Study, planned: PlannedVisits) -> pd.DataFrame:
    """Prescribed weeks of those who kept a diary, done where the week has an entry; weeks after the record left out."""
    empty = pd.DataFrame({"participant_id": [], "rater_id": [], "day": [], "kind": [], "done": []})
    diary = study.table(DIARY)
    if diary.empty:
        return empty
    try:
        weeks = weekly_minutes(study)
    except DesignError:
        return empty
    enrolled = study.table(PARTICIPANTS).set_index("participant_id")["enrolled_on"]
    weeks = weeks[(weeks["minutes_prescribed"] > 0.0) & weeks["participant_id"].isin(diary["participant_id"])]
    day = weeks["participant_id"].map(enrolled) + pd.to_timedelta(DAYS_A_WEEK * (weeks["week"] - 1), unit="D")
    weeks = weeks.assign(rater_id=None, day=day, kind="diary_weeks", done=weeks["minutes_done"].notna())
    if planned.last_day is not None:
        weeks = weeks[weeks["day"] + pd.Timedelta(days=DAYS_A_WEEK - 1) <= planned.last_day]
    return weeks[list(empty.columns)].reset_index(drop=True)


def _by_month(units: pd.DataFrame, months: Grouping) -> pd.DataFrame:
    return units.assign(group=units["day"].dt.strftime("%Y-%m").map(months.of))


def _by_therapist(units: pd.DataFrame, therapists: Grouping) -> pd.DataFrame:
    return units.assign(group=units["rater_id"].map(therapists.of))


def _counted(units: pd.DataFrame, by: str, labels: dict[str, str], smallest: int, confidence: float) -> pd.DataFrame:
    """Shares of each kind by group; a kind is left out where a group of it has too few people to be shown."""
    known = units.dropna(subset="group")
    lines: list[tuple[object, ...]] = []
    for kind in KINDS:
        own = known[known["kind"] == kind]
        people = own.groupby("group")["participant_id"].nunique()
        if own.empty or int(people.min()) < smallest:
            continue
        for group, label in labels.items():
            here = own[own["group"] == group]
            if here.empty:
                continue
            done, of = int(here["done"].sum()), len(here)
            low, high = wilson_interval(done, of, confidence)
            lines.append((kind, by, group, label, done, of, int(people[group]), done / of, low, high))
    return pd.DataFrame(lines, columns=list(COUNT_COLUMNS))


def _cell(at: pd.DataFrame, place: tuple[str, str, str]) -> str:
    return share_estimate(*at.loc[place, ["share", "low", "high"]]) if place in at.index else "–"


def _held(at: pd.DataFrame, by: str, group: str) -> str:
    """Visits that took place, and of how many that were due where that is known."""
    if (by, group, "visits") in at.index:
        row = at.loc[(by, group, "visits")]
        return f"{row['done']} of {row['of']}"
    return str(at.loc[(by, group, "sides"), "of"]) if (by, group, "sides") in at.index else "–"
