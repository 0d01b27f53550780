"""What the protocol asked for at every visit of every participant, and what of it is in the record.

A visit is due when its window has closed before the last day of the record, or when it took place. The last day is that
of the latest reading inside the window of its visit: a mistyped year would make every visit due, or none.

At a visit is planned what anybody of the same group was read in there: each such measure, on both sides where anybody
was read on both, with the trials that the protocol asks for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.protocol import Visit
from studykit.sample.groups import visits_in_time
from studykit.vocabulary import MEASUREMENTS, PARTICIPANTS

VISIT: Final = ["participant_id", "visit"]
READING_FIELDS: Final = ("measured_on", "instrument", "warmed_up", "blinded")
"""Columns of a reading that a study may keep beside the value; those that it keeps are planned for every reading."""
ONE_SIDE: Final = "one"


@dataclass(frozen=True, slots=True)
class PlannedVisits:
    """Every planned visit that was due.

    Attributes:
        visits: one row a participant and visit: `participant_id`, `visit`, `planned_on` (a day, missing without a date
            of enrolment), `held`, `rater_id` (who read most there, missing when it was not held), `cells_planned`,
            `cells_read`, `trials_planned`, `trials_done`, `sides_done`, `trials_complete`, `fields_done` (all true or
            false), `days_off` (from the planned day to the day of most readings, nan without a date), `in_window`
            (every dated reading inside, missing without a date).
        not_due: planned visits that were not due yet.
        last_day: last day of the record; None where no reading lies in a window.
        fields: the columns beside the value that this study keeps.
    """

    visits: pd.DataFrame
    not_due: int
    last_day: pd.Timestamp | None
    fields: tuple[str, ...]

    @property
    def held(self) -> pd.DataFrame:
        """The visits that took place."""
        return self.visits[self.visits["held"]]


def planned_visits(study: Study) -> PlannedVisits:
    """Set every planned visit beside what was recorded at it.

    Raises:
        DesignError: no visit is planned, nobody takes part, or no visit is due.
    """
    planned = visits_in_time(study)
    people = study.table(PARTICIPANTS)[["participant_id", "arm", "enrolled_on"]]
    if not planned or people.empty:
        raise DesignError("The audit of the record needs planned visits and participants; one of them is missing.")
    rows = study.table(MEASUREMENTS)
    rows = rows[rows["value"].notna() & rows["visit"].isin([visit.key for visit in planned])].reset_index(drop=True)
    rows = _dated(rows, people, planned)
    fields = tuple(name for name in READING_FIELDS if rows[name].notna().any())
    frame = people.merge(pd.DataFrame({"visit": [visit.key for visit in planned]}), how="cross")
    week = frame["visit"].map({visit.key: visit.week for visit in planned})
    frame["planned_on"] = frame["enrolled_on"] + pd.to_timedelta((7.0 * week).round().astype("int64"), unit="D")
    frame = frame.merge(_recorded(rows, fields), on=VISIT, how="left", validate="one_to_one")
    frame["held"] = frame["rater_id"].notna()
    frame = frame.merge(_asked(study, rows, people), on=VISIT, how="left", validate="one_to_one")
    frame = _with_cells(frame, study, rows)
    last_day = rows.loc[rows["inside"].fillna(False).astype(bool), "measured_on"].max()
    due = _due(frame, planned, last_day)
    kept = frame[due].drop(columns=["arm", "enrolled_on"]).reset_index(drop=True)
    if kept.empty:
        raise DesignError("No planned visit is due yet, so nothing can be missing from the record.")
    return PlannedVisits(kept, int((~due).sum()), None if pd.isna(last_day) else last_day, fields)


def _dated(rows: pd.DataFrame, people: pd.DataFrame, planned: tuple[Visit, ...]) -> pd.DataFrame:
    """Add `group`, `off` (days from the planned day) and `inside` (the window); missing without a date."""
    known = people.set_index("participant_id")
    day = (rows["measured_on"] - rows["participant_id"].map(known["enrolled_on"])).dt.days.astype("float64")
    at = {visit.key: visit for visit in planned}
    low = rows["visit"].map({key: visit.earliest_day for key, visit in at.items()}).astype("float64")
    high = rows["visit"].map({key: visit.latest_day for key, visit in at.items()}).astype("float64")
    middle = rows["visit"].map({key: 7.0 * visit.week for key, visit in at.items()}).astype("float64")
    inside = ((day >= low) & (day <= high)).astype("boolean").mask(day.isna())
    group = _groups(people).reindex(rows["participant_id"]).to_numpy()
    return rows.assign(group=group, off=day - middle, inside=inside, side=rows["side"].fillna(ONE_SIDE))


def _groups(people: pd.DataFrame) -> pd.Series:
    """participant_id -> the group whose readings say what is planned: the arm, everybody, or the person alone."""
    if people["arm"].isna().all():
        return pd.Series("everybody", index=people["participant_id"])
    named = people["arm"].where(people["arm"].notna(), "only " + people["participant_id"])
    return pd.Series(named.to_numpy(), index=people["participant_id"])


def _recorded(rows: pd.DataFrame, fields: tuple[str, ...]) -> pd.DataFrame:
    """One row a visit that took place: who read most there, days off, inside the window, all fields filled."""
    filled = rows[list(fields)].notna().all(axis="columns") if fields else pd.Series(True, index=rows.index)
    rows = rows.assign(filled=filled)
    raters = rows.groupby([*VISIT, "rater_id"], sort=True).size().rename("count").reset_index()
    most = raters.sort_values([*VISIT, "count", "rater_id"], ascending=[True, True, False, True], kind="stable")
    found = most.drop_duplicates(VISIT)[[*VISIT, "rater_id"]]
    days = rows.dropna(subset="off").groupby([*VISIT, "off"], sort=True).size().rename("count").reset_index()
    usual = days.sort_values([*VISIT, "count", "off"], ascending=[True, True, False, True], kind="stable")
    off = usual.drop_duplicates(VISIT).set_index(VISIT)["off"].rename("days_off")
    inside = rows.dropna(subset="inside").groupby(VISIT)["inside"].all().astype("boolean").rename("in_window")
    done = rows.groupby(VISIT)["filled"].all().rename("fields_done")
    return found.join(off, on=VISIT).join(inside, on=VISIT).join(done, on=VISIT)


def _asked(study: Study, rows: pd.DataFrame, people: pd.DataFrame) -> pd.DataFrame:
    """One row a participant and visit with something planned: `cells_planned`, `trials_planned`."""
    sides = _sides_planned(study, rows)
    trials = {key: measure.trials_per_visit for key, measure in study.protocol.measures.items()}
    sides["trials_planned"] = sides["sides"] * sides["measure"].map(trials)
    asked = sides.groupby(["group", "visit"], sort=True)[["sides", "trials_planned"]].sum().reset_index()
    of_people = _groups(people).rename("group").rename_axis("participant_id").reset_index()
    whole = of_people.merge(asked.rename(columns={"sides": "cells_planned"}), on="group", how="inner")
    return whole[[*VISIT, "cells_planned", "trials_planned"]]


def _sides_planned(study: Study, rows: pd.DataFrame) -> pd.DataFrame:
    """`group`, `visit`, `measure`, `sides`: 2 where anybody of the group was read on both sides there, else 1."""
    key = ["group", "visit", "measure"]
    read = rows.groupby([*key, "participant_id"], sort=True)["side"].nunique()
    most = read.groupby(level=key).max().rename("sides").reset_index()
    two_sided = most["measure"].map({name: measure.two_sided for name, measure in study.protocol.measures.items()})
    return most.assign(sides=np.where(two_sided.astype(bool), most["sides"], 1))


def _with_cells(frame: pd.DataFrame, study: Study, rows: pd.DataFrame) -> pd.DataFrame:
    """Add what was read: cells with a reading, trials up to those planned; and whether that is all."""
    planned = {key: measure.trials_per_visit for key, measure in study.protocol.measures.items()}
    by_rater = rows.groupby([*VISIT, "measure", "side", "rater_id"], sort=True).size()
    cells = by_rater.groupby(level=[*VISIT, "measure", "side"]).max().rename("trials").reset_index()
    cells["trials"] = np.minimum(cells["trials"], cells["measure"].map(planned))
    read = cells.groupby(VISIT)["trials"].agg(cells_read="size", trials_done="sum")
    frame = frame.join(read, on=VISIT)
    counts = ["cells_planned", "trials_planned", "cells_read", "trials_done"]
    frame[counts] = frame[counts].fillna(0).astype("int64")
    frame["sides_done"] = frame["held"] & (frame["cells_read"] >= frame["cells_planned"])
    frame["trials_complete"] = frame["held"] & (frame["trials_done"] >= frame["trials_planned"])
    frame["fields_done"] = frame["fields_done"].astype("boolean").fillna(False).astype(bool)
    return frame


def _due(frame: pd.DataFrame, planned: tuple[Visit, ...], last_day: pd.Timestamp) -> pd.Series:
    if pd.isna(last_day):
        return pd.Series(True, index=frame.index)
    after = frame["visit"].map({visit.key: visit.days_after for visit in planned})
    closes = frame["planned_on"] + pd.to_timedelta(after, unit="D")
    return frame["held"] | frame["planned_on"].isna() | (closes <= last_day)
