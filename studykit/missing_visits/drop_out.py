"""Who left, and when: people still measured by visit and arm, and how those who left began."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd

from studykit.change.wording import heading
from studykit.data.study import Study
from studykit.formatting import counted, decimals_for_width, number, percent
from studykit.missing_visits.people import PeopleByVisit, people_by_visit
from studykit.pictures.still_measured import still_measured_picture
from studykit.pictures.theme import Drawing
from studykit.result import Result
from studykit.table import Column, Table

COUNTS: Final = ("participants", "every_visit", "came_back", "left", "never_measured")


@dataclass(frozen=True, kw_only=True)
class DropOut(Result):
    """Measured and missing visits of the primary measure.

    Attributes:
        study: what it was computed from.
        people: everybody who was allocated.
        by_visit: `arm`, `visit`, `participants`, `measured`.
        by_arm: `arm`, `COUNTS` (every_visit: measured at all; came_back: missed one, measured at the primary visit;
            left: measured before and not at the primary visit; never_measured), and the mean and standard deviation of
            the baseline of those who stayed and of those who left, nan for groups too small to show.
    """

    study: Study = field(repr=False)
    people: PeopleByVisit = field(repr=False)
    by_visit: pd.DataFrame
    by_arm: pd.DataFrame

    @property
    def unit(self) -> str:
        """Unit of the measure."""
        return self.study.protocol.measures[self.people.readings.measure].unit

    def to_frame(self) -> pd.DataFrame:
        """One row an arm and visit."""
        return self.by_visit.assign(share=self.by_visit["measured"] / self.by_visit["participants"])

    def numbers(self) -> dict[str, float]:
        """`<arm>.<visit>.measured`; `<arm>.<count>` of `COUNTS`; `<arm>.baseline_mean_<stayed|left>` and `_sd_`."""
        found = {f"{row['arm']}.{row['visit']}.measured": float(row["measured"]) for row in _rows(self.by_visit)}
        for row in _rows(self.by_arm):
            found |= {f"{row['arm']}.{name}": float(row[name]) for name in self.by_arm.columns if name != "arm"}
        return found

    def table(self) -> Table:
        """One row an arm: how many were measured at every visit, came back, left; their baseline."""
        readings = self.people.readings
        last = self.study.protocol.visit(readings.primary_visit).label
        first = readings.visits[0].label
        smallest = self.study.protocol.privacy.smallest_group
        rows = tuple(
            (
                readings.arms[row["arm"]],
                str(row["participants"]),
                *(f"{row[name]} ({percent(row[name] / row['participants'])})" for name in COUNTS[1:4]),
                *(_mean_sd(row, who, smallest) for who in ("stayed", "left")),
            )
            for row in _rows(self.by_arm)
        )
        return Table(
            self.key.replace(".", "_"),
            f"{self.study.protocol.measures[readings.measure].name}: who was measured until {last}",
            (
                Column("Arm" if self.study.protocol.study.design == "trial" else "Group", "left"),
                Column("Began"),
                Column("Every visit"),
                Column("Missed one, came back"),
                Column("Left"),
                Column(heading(f"{first}, stayed: mean (SD)", self.unit)),
                Column(heading(f"{first}, left: mean (SD)", self.unit)),
            ),
            rows,
            (
                f"Stayed: measured at {last}. Left: measured before and not at {last}, whatever the reason. Where "
                "those who left began otherwise than those who stayed, readings are not missing by chance alone.",
                *self._never_measured(),
                f"Means of fewer than {smallest} people are not shown.",
            ),
        )

    def _never_measured(self) -> tuple[str, ...]:
        """How many of which arm were allocated and never measured."""
        arms = self.people.readings.arms
        found = [
            f"{row['never_measured']} in “{arms[row['arm']]}”" for row in _rows(self.by_arm) if row["never_measured"]
        ]
        return (f"Never measured: {'; '.join(found)}.",) if found else ()

    def figure(self) -> Drawing:
        """Share still measured by visit, one line an arm."""
        readings = self.people.readings
        labels = {visit.key: visit.label for visit in readings.visits}
        frame = self.to_frame()
        order = {arm: place for place, arm in enumerate(self.study.protocol.arms)} or {"all": 0}
        return still_measured_picture(
            frame.assign(arm=frame["arm"].map(readings.arms), visit=frame["visit"].map(labels)),
            measure=self.study.protocol.measures[readings.measure].name,
            styles=[order[arm] for arm in readings.arms],
        )


def drop_out_of_study(study: Study, people: PeopleByVisit | None = None) -> DropOut:
    """Count who was measured at which visit, of everybody allocated.

    Raises:
        DesignError: as `readings_for_change`.
    """
    whole = people if people is not None else people_by_visit(study)
    by_visit, by_arm = [], []
    for arm in whole.readings.arms:
        own = whole.values[(whole.arms == arm).to_numpy()]
        by_visit += [(arm, visit, len(own), int(own[visit].notna().sum())) for visit in own.columns]
        by_arm.append(_counts(arm, own, whole, study.protocol.privacy.smallest_group))
    frame = pd.DataFrame(by_arm)
    return DropOut(
        key=f"drop_out.{whole.readings.measure}",
        title="Who left, and when",
        headline=_headline(study, whole, frame),
        cautions=(
            "A count of who left does not say why. Reasons stand in the participant flow, as far as they were "
            "recorded; people who do badly, or well, may leave for that very reason.",
        ),
        methods=(
            "Everybody who was allocated is counted; a person counts as measured at a visit with at least one reading "
            "of the measure."
        ),
        provenance=study.provenance(),
        study=study,
        people=whole,
        by_visit=pd.DataFrame(by_visit, columns=["arm", "visit", "participants", "measured"]),
        by_arm=frame,
    )


def _counts(arm: str, own: pd.DataFrame, whole: PeopleByVisit, smallest: int) -> dict[str, object]:
    seen = own.notna()
    stayed = seen[whole.readings.primary_visit]
    counts = (
        len(own),
        int(seen.all(axis=1).sum()),
        int((stayed & ~seen.all(axis=1)).sum()),
        int((~stayed & seen.any(axis=1)).sum()),
        int((~seen.any(axis=1)).sum()),
    )
    row: dict[str, object] = {"arm": arm, **dict(zip(COUNTS, counts, strict=True))}
    for who, which in (("stayed", stayed), ("left", ~stayed)):
        start = own.loc[which, whole.readings.baseline].dropna()
        shown = len(start) >= smallest
        row[f"baseline_mean_{who}"] = float(start.mean()) if shown else np.nan
        row[f"baseline_sd_{who}"] = float(start.std(ddof=1)) if shown else np.nan
    return row


def _mean_sd(row: dict[str, float], who: str, smallest: int) -> str:
    mean, spread = row[f"baseline_mean_{who}"], row[f"baseline_sd_{who}"]
    if np.isnan(mean):
        return f"fewer than {smallest}"
    decimals = decimals_for_width(spread)
    return f"{number(mean, decimals)} ({number(spread, decimals)})"


def _headline(study: Study, people: PeopleByVisit, by_arm: pd.DataFrame) -> str:
    readings = people.readings
    last = study.protocol.visit(readings.primary_visit).label
    name = study.protocol.measures[readings.measure].name
    gone = by_arm["left"] + by_arm["never_measured"]
    if not gone.sum():
        everybody = counted(int(by_arm["participants"].sum()), "participant")
        return f"{name} was measured at {last} in everybody ({everybody})."
    parts = [
        f"{missing} of {total} in “{readings.arms[arm]}”"
        for arm, missing, total in zip(by_arm["arm"], gone, by_arm["participants"], strict=True)
    ]
    return f"{name} was not measured at {last} in {'; in '.join(parts)}."


def _rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = frame.to_dict("records")
    return rows
