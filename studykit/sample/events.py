"""What went wrong: adverse events by arm, severity and whether they are related. Descriptions are not printed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import pandas as pd

from studykit.data.study import Study
from studykit.formatting import counted, listed, percent
from studykit.result import Result
from studykit.sample.groups import EVERYBODY, NO_LIST, NOT_LISTED, groups_of, has_list, members
from studykit.table import Column, Table
from studykit.vocabulary import EVENTS, MEASUREMENTS, RELATED, SEVERITIES

KINDS: Final = {
    "participants": "Participants",
    "participants_with_event": "Participants with an event",
    "events": "Events",
    **{f"severity_{word}": f"Events, {word}" for word in SEVERITIES},
    "severity_unknown": "Events, severity not recorded",
    "related_yes": "Events, related",
    "related_no": "Events, not related",
    "related_unclear": "Events, unclear whether related",
    "related_unknown": "Events, relation not recorded",
}
"""Kind of count -> its words."""


@dataclass(frozen=True, kw_only=True)
class AdverseEvents(Result):
    """Counts of events.

    Attributes:
        counts: `group`, `kind` (a key of `KINDS`), `count`.
        labels: group -> its heading.
    """

    counts: pd.DataFrame
    labels: dict[str, str]

    def to_frame(self) -> pd.DataFrame:
        """One row a group and kind of count."""
        return self.counts.copy()

    def numbers(self) -> dict[str, float]:
        """`<group>.<kind>`."""
        return {f"{row['group']}.{row['kind']}": float(row["count"]) for row in self.counts.to_dict("records")}

    def table(self) -> Table:
        """Kinds of count down, groups across; people as a share of their group."""
        wide = self.counts.pivot_table(index="kind", columns="group", values="count", sort=False)
        rows = []
        for kind, words in KINDS.items():
            cells = {group: int(wide.loc[kind, group]) for group in self.labels}
            if kind.endswith("_unknown") and not any(cells.values()):
                continue
            if kind == "participants_with_event":
                of = {group: int(wide.loc["participants", group]) for group in self.labels}
                rows.append((words, *(_share(cells[group], of[group]) for group in self.labels)))
            else:
                rows.append((words, *(str(cells[group]) for group in self.labels)))
        columns = (Column("Count", "left"), *(Column(label) for label in self.labels.values()))
        notes = (
            "Events as recorded, by people who were asked or came by themselves. What happened stands in the events "
            "table of the study and is not printed here, because free words may point at a person.",
        )
        return Table("events", "Adverse events by arm", columns, tuple(rows), notes)


def events_of_study(study: Study) -> AdverseEvents:
    """Count events and the people who had one, by arm. No event recorded is an answer: zeros and a caution."""
    groups = groups_of(study, without_list=(MEASUREMENTS, EVENTS))
    events = study.table(EVENTS)
    lines = [
        (group, kind, count)
        for group, (_, people) in groups.items()
        for kind, count in _counts(members(events, people), len(people)).items()
    ]
    counts = pd.DataFrame(lines, columns=["group", "kind", "count"])
    return AdverseEvents(
        key="events",
        title="Adverse events",
        headline=_headline(counts, {group: label for group, (label, _) in groups.items()}, has_list(study)),
        cautions=(
            "Events that nobody asked about or wrote down are not here: none recorded does not mean none happened.",
            "Few people were followed for a short time; rare harm cannot be seen in such numbers.",
            *(() if has_list(study) else (NO_LIST,)),
        ),
        methods="Adverse events were counted as recorded, by arm as allocated, severity and judged relation.",
        provenance=study.provenance(),
        counts=counts,
        labels={group: label for group, (label, _) in groups.items()},
    )


def _counts(events: pd.DataFrame, people: int) -> dict[str, int]:
    severity, related = events["severity"], events["related"]
    return {
        "participants": people,
        "participants_with_event": int(events["participant_id"].nunique()),
        "events": len(events),
        **{f"severity_{word}": int((severity == word).sum()) for word in SEVERITIES},
        "severity_unknown": int(severity.isna().sum()),
        **{f"related_{word}": int((related == word).sum()) for word in RELATED},
        "related_unknown": int(related.isna().sum()),
    }


def _share(count: int, of: int) -> str:
    return f"{count} ({percent(count / of)})" if of else "0"


def _headline(counts: pd.DataFrame, labels: dict[str, str], is_listed: bool) -> str:
    at = counts.set_index(["group", "kind"])["count"]
    people, events = int(at[EVERYBODY, "participants"]), int(at[EVERYBODY, "events"])
    among = counted(people, "participant") if is_listed else f"{counted(people, 'person', 'people')} in the readings"
    if events == 0:
        return f"No adverse event was recorded among {among}{'' if is_listed else f' ({NOT_LISTED})'}."
    having = int(at[EVERYBODY, "participants_with_event"])
    arms = [
        f"{int(at[group, 'participants_with_event'])} of {int(at[group, 'participants'])} in “{label}”"
        for group, label in labels.items()
        if group != EVERYBODY
    ]
    by_arm = f": {listed(arms, most=len(arms))}" if arms else ""
    share = percent(having / people) if is_listed else f"{percent(having / people)}; {NOT_LISTED}"
    return f"{counted(events, 'adverse event')} in {having} of {among} ({share}){by_arm}."
