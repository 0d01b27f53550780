"""Are visits on time: inside their window, and how many days off, by visit, month and therapist."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import pandas as pd

from studykit.audit import wording
from studykit.audit.completeness import ALL, MONTH, THERAPIST
from studykit.audit.groups import months_of, therapists_of
from studykit.audit.planned import PlannedVisits
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import level, number, share_estimate
from studykit.numerics.intervals import wilson_interval
from studykit.result import Result
from studykit.table import Column, Table

VISIT: Final = "visit"
DELAY_COLUMNS: Final = (
    "by",
    "group",
    "label",
    "visits",
    "people",
    "inside",
    "share",
    "low",
    "high",
    "days_low_quarter",
    "days_median",
    "days_high_quarter",
)


@dataclass(frozen=True, kw_only=True)
class Timeliness(Result):
    """Visits inside their window and days from the planned day.

    Attributes:
        delays: one row a group; `DELAY_COLUMNS`: visits with a date, those inside their window with the share and its
            Wilson interval, and quarters of the days from the planned day (above 0: later).
        confidence: level of the intervals.
        notes: what is counted.
    """

    delays: pd.DataFrame = field(repr=False)
    confidence: float
    notes: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row a group."""
        return self.delays.copy()

    def numbers(self) -> dict[str, float]:
        """`<by>.<group>.<column>` for every number."""
        return {
            f"{row['by']}.{row['group']}.{name}": float(row[name])
            for row in self.delays.to_dict("records")
            for name in (*DELAY_COLUMNS[3:4], *DELAY_COLUMNS[5:])
        }

    def table(self) -> Table:
        """Visits, months, therapists, then all down: share inside the window, days off."""
        rows = tuple(
            (
                f"Therapist {row['label']}" if row["by"] == THERAPIST else row["label"],
                str(row["visits"]),
                share_estimate(row["share"], row["low"], row["high"]),
                number(row["days_median"], 0),
                f"{number(row['days_low_quarter'], 0)} to {number(row['days_high_quarter'], 0)}",
            )
            for row in self.delays.to_dict("records")
        )
        columns = (
            Column("Visit, month or therapist", "left"),
            Column("Visits with a date"),
            Column(f"Inside the window, {level(self.confidence)}"),
            Column("Days off, median"),
            Column("Middle half (days)"),
        )
        return Table("audit_timeliness", "Were visits on time?", columns, rows, self.notes)


def timeliness_of_study(study: Study, planned: PlannedVisits) -> Timeliness:
    """Hold every visit that took place and has a date against its planned day and window.

    Raises:
        DesignError: no visit has both a date and a planned day.
    """
    held = planned.held
    dated = held[held["days_off"].notna()]
    if dated.empty:
        raise DesignError("No visit has both a date and a date of enrolment, so nothing can be said of its day.")
    smallest, confidence = study.protocol.privacy.smallest_group, study.protocol.study.confidence
    months, therapists = months_of(planned.visits, smallest), therapists_of(held, smallest)
    visits = {visit.key: visit.label for visit in study.protocol.visits}
    delays = pd.concat(
        [
            _delays(dated, dated["visit"], VISIT, visits, smallest, confidence),
            _delays(
                dated,
                dated["planned_on"].dt.strftime("%Y-%m").map(months.of),
                MONTH,
                months.labels,
                smallest,
                confidence,
            ),
            _delays(dated, dated["rater_id"].map(therapists.of), THERAPIST, therapists.labels, smallest, confidence),
            _delays(dated, pd.Series(ALL, index=dated.index), ALL, {ALL: "All"}, 1, confidence),
        ],
        ignore_index=True,
    )
    return Timeliness(
        key="audit.timeliness",
        title="Timeliness",
        headline=wording.timeliness_headline(delays, confidence),
        cautions=wording.timeliness_cautions(),
        methods=wording.timeliness_methods(),
        provenance=study.provenance(),
        delays=delays,
        confidence=confidence,
        notes=wording.timeliness_notes(study, len(held) - len(dated)),
    )


def _delays(
    dated: pd.DataFrame, group: pd.Series, by: str, labels: dict[str, str], smallest: int, confidence: float
) -> pd.DataFrame:
    """Rows of one way of grouping; none at all where a group of it has too few people to be shown."""
    lines: list[tuple[object, ...]] = []
    people = dated.groupby(group)["participant_id"].nunique()
    if people.empty or int(people.min()) < smallest:
        return pd.DataFrame(lines, columns=list(DELAY_COLUMNS))
    for key, label in labels.items():
        own = dated[(group == key).to_numpy(dtype=bool, na_value=False)]
        if own.empty:
            continue
        inside, count = int(own["in_window"].astype(bool).sum()), len(own)
        low, high = wilson_interval(inside, count, confidence)
        quarters = (float(own["days_off"].quantile(q)) for q in (0.25, 0.5, 0.75))
        lines.append((by, key, label, count, int(people[key]), inside, inside / count, low, high, *quarters))
    return pd.DataFrame(lines, columns=list(DELAY_COLUMNS))
