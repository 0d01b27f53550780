"""Which readings are missing: how many people were measured at each visit, of how many, by arm and measure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import pandas as pd

from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import counted, percent
from studykit.result import Result
from studykit.sample.groups import EVERYBODY, NO_LIST, groups_of, has_list, members, visits_in_time
from studykit.table import Column, Table
from studykit.vocabulary import MEASUREMENTS

COLUMNS: Final = ("measure", "measure_name", "visit", "visit_label", "group", "participants", "measured", "missing")


@dataclass(frozen=True, kw_only=True)
class MissingReadings(Result):
    """Participants with and without a reading.

    Attributes:
        counts: one row a measure, visit and group; `COLUMNS`.
        labels: group -> its heading.
    """

    counts: pd.DataFrame
    labels: dict[str, str]

    def to_frame(self) -> pd.DataFrame:
        """One row a measure, visit and group."""
        return self.counts.copy()

    def numbers(self) -> dict[str, float]:
        """`<measure>.<visit>.<group>.measured`, `.missing` and `.participants`."""
        return {
            f"{row['measure']}.{row['visit']}.{row['group']}.{name}": float(row[name])
            for row in self.counts.to_dict("records")
            for name in ("participants", "measured", "missing")
        }

    def table(self) -> Table:
        """Measure and visit down, groups across: missing of expected."""
        rows = []
        for _, here in self.counts.groupby(["measure", "visit"], sort=False):
            by_group = here.set_index("group")
            name, visit = here["measure_name"].iloc[0], here["visit_label"].iloc[0]
            rows.append((f"{name}, {visit}", *(_cell(by_group, group) for group in self.labels)))
        columns = (Column("Measure and visit", "left"), *(Column(label) for label in self.labels.values()))
        notes = (
            "Missing of expected participants (%). Expected: everybody in a group in which the measure was ever read.",
        )
        return Table("missing", "Missing readings by visit and arm", columns, tuple(rows), notes)


def missing_of_study(study: Study) -> MissingReadings:
    """Count, for each measure and planned visit, who was measured and who was not.

    A group in which a measure was never read was not meant to be measured so, and has no row for it.

    Raises:
        DesignError: the protocol plans no visits.
    """
    visits = visits_in_time(study)
    if not visits:
        raise DesignError("The protocol plans no visits, so no reading can be missing from one.")
    rows = study.table(MEASUREMENTS)
    rows = rows[rows["value"].notna()]
    groups, lines = groups_of(study), []
    for key, measure in study.protocol.measures.items():
        own = rows[rows["measure"] == key]
        if own.empty:
            continue
        expected = {group: people for group, (_, people) in groups.items() if not members(own, people).empty}
        arms = [people for group, people in expected.items() if group != EVERYBODY]
        if arms:
            expected[EVERYBODY] = frozenset().union(*arms)
        for visit in visits:
            seen = set(own.loc[own["visit"] == visit.key, "participant_id"])
            for group, people in expected.items():
                measured = len(people & seen)
                counts = (len(people), measured, len(people) - measured)
                lines.append((key, measure.name, visit.key, visit.label, group, *counts))
    counted_rows = pd.DataFrame(lines, columns=list(COLUMNS))
    return MissingReadings(
        key="missing",
        title="Missing readings",
        headline=_headline(study, counted_rows, visits[-1].key),
        cautions=(
            "Counts say how many are missing, not why; whether a model is right about them rests on the reasons.",
            *(() if has_list(study) else (NO_LIST,)),
        ),
        methods="A participant counts as measured at a visit with at least one reading of the measure there.",
        provenance=study.provenance(),
        counts=counted_rows,
        labels={group: label for group, (label, _) in groups.items()},
    )


def _cell(by_group: pd.DataFrame, group: str) -> str:
    if group not in by_group.index:
        return "not measured"
    missing, expected = int(by_group.loc[group, "missing"]), int(by_group.loc[group, "participants"])
    return f"{missing} of {expected} ({percent(missing / expected)})"


def _headline(study: Study, counts: pd.DataFrame, last: str) -> str:
    plan = study.protocol.study
    visit = plan.primary_visit or last
    at = counts[
        (counts["measure"] == plan.primary_measure) & (counts["visit"] == visit) & (counts["group"] == EVERYBODY)
    ]
    if at.empty:
        return f"{study.protocol.primary.name} was not read at {study.protocol.visit(visit).label}."
    missing, expected = int(at["missing"].iloc[0]), int(at["participants"].iloc[0])
    return (
        f"{study.protocol.primary.name} at {study.protocol.visit(visit).label} is missing for {missing} of "
        f"{counted(expected, 'participant')} ({percent(missing / expected)})."
    )
