"""Who took part: the participant flow, without which no change can be read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from studykit.data.deriving import EVERYBODY, NOT_RANDOMISED, participant_flow
from studykit.data.study import Study
from studykit.errors import DataError, DesignError
from studykit.formatting import counted, listed, percent
from studykit.pictures.flow import check_flow, flow_picture
from studykit.pictures.theme import Drawing
from studykit.result import Result
from studykit.table import Column, Table
from studykit.vocabulary import FLOW, MEASUREMENTS

_STAGE_WORDS: Final = {
    "assessed": "Assessed",
    "excluded": "Excluded",
    "randomised": "Randomised",
    "allocated": "In this group",
    "received": "Began as planned",
    "lost": "Lost",
    "analysed": "Recorded as analysed",
}
_BEFORE_ARMS: Final = ("assessed", "excluded", "randomised")
OTHER_REASONS: Final = "other reasons"
NOT_READ: Final = "another measure"


@dataclass(frozen=True, kw_only=True)
class ParticipantFlow(Result):
    """Counts by stage and arm.

    Attributes:
        counts: `stage`, `arm` (label; empty before the arms), `reason`, `count`; reasons that too few people gave are
            joined as `OTHER_REASONS`.
        joined_reasons: how many reasons were joined.
        smallest_group: people who must have given a reason for it to be named.
        measured: arm label -> participants with a reading of the primary measure at the primary visit; without the
            pathways of an audit that are read by another measure.
        arm_keys: arm label -> key.
        primary_visit: label of the primary visit, or None when the protocol has none.
    """

    counts: pd.DataFrame
    joined_reasons: int
    smallest_group: int
    measured: dict[str, int]
    arm_keys: dict[str, str]
    primary_visit: str | None

    def to_frame(self) -> pd.DataFrame:
        """One row a stage, arm and reason with its count."""
        return self.counts.copy()

    def numbers(self) -> dict[str, float]:
        """`assessed`, `excluded`, `randomised`; `<arm>.allocated`, `.received`, `.lost`, `.analysed`, `.measured`."""
        total = self.counts.groupby(["arm", "stage"], sort=False)["count"].sum()
        named = {}
        for (arm, stage), count in total.items():
            start = "" if stage in _BEFORE_ARMS else f"{self.arm_keys[arm]}."
            named[f"{start}{stage}"] = float(count)
        return {**named, **{f"{self.arm_keys[arm]}.measured": float(count) for arm, count in self.measured.items()}}

    def table(self) -> Table:
        """Arms across, stages and reasons down."""
        arms = list(self.arm_keys)
        rows = []
        for stage, words in _STAGE_WORDS.items():
            here = self.counts[self.counts["stage"] == stage]
            if here.empty or stage in _BEFORE_ARMS:
                continue
            rows.append((words, *(str(int(here.loc[here["arm"] == arm, "count"].sum())) for arm in arms)))
            for reason in dict.fromkeys(here.loc[here["reason"] != "", "reason"]):
                own = here[here["reason"] == reason]
                cells = (str(int(own.loc[own["arm"] == arm, "count"].sum())) for arm in arms)
                rows.append((f"\N{EN DASH} {reason}", *cells))
        if self.primary_visit is not None:
            read = (str(self.measured.get(arm, NOT_READ)) for arm in arms)
            rows.append((f"Primary measure read at {self.primary_visit}", *read))
        return Table(
            "participant_flow",
            "Participants by stage and arm",
            (Column("Stage", "left"), *(Column(arm) for arm in arms)),
            tuple(rows),
            (*self._before_arms(), *self._joined()),
        )

    def figure(self) -> Drawing:
        """The flow diagram."""
        return flow_picture(self.counts)

    def _before_arms(self) -> tuple[str, ...]:
        notes = []
        for stage in _BEFORE_ARMS:
            here = self.counts[self.counts["stage"] == stage]
            if here.empty:
                continue
            reasons = [f"{why}: {n}" for why, n in zip(here["reason"], here["count"], strict=True) if why]
            because = f" ({listed(reasons, most=len(reasons))})" if reasons else ""
            notes.append(f"{_STAGE_WORDS[stage]}: {int(here['count'].sum())}{because}.")
        return tuple(notes)

    def _joined(self) -> tuple[str, ...]:
        if not self.joined_reasons:
            return ()
        return (
            f"Reasons that fewer than {self.smallest_group} people gave are joined as \N{LEFT DOUBLE QUOTATION MARK}"
            f"{OTHER_REASONS}\N{RIGHT DOUBLE QUOTATION MARK}.",
        )


def flow_of_study(study: Study) -> ParticipantFlow:
    """Count who was assessed, excluded, allocated, lost and analysed.

    It stands in this room because a change can only be read beside who is missing from it.

    Raises:
        DesignError: the counts do not add up, more people of an arm were measured than allocated, or there is no
            participant; the sentence gives both sides.
        FitError: the parts of the flow table do not make the whole.
    """
    counts = participant_flow(study)
    counts = counts.assign(arm=counts["arm"].astype(str), reason=counts["reason"].astype(str))
    if not (counts["stage"] == "allocated").any():
        raise DesignError(
            "Nobody stands in the participants table or was allocated in the flow table, so nobody can be counted. "
            "Write one line for each person into the participants table."
        )
    try:
        check_flow(counts)
    except DataError as problem:
        raise DesignError(str(problem)) from problem
    smallest = study.protocol.privacy.smallest_group
    counts, joined = join_small_reasons(counts, smallest)
    arms = counts.loc[counts["stage"] == "allocated", "arm"].tolist()
    keys = {arm.label: key for key, arm in study.protocol.arms.items()}
    plan = study.protocol.study
    visit = study.protocol.visit(plan.primary_visit).label if plan.primary_visit is not None else None
    measured = _measured(study, counts, arms)
    _check_measured(counts, measured)
    return ParticipantFlow(
        key="flow",
        title="Participant flow",
        headline=_headline(counts, measured, visit, study.protocol.primary.name),
        cautions=_cautions(counts, measured, visit),
        methods=_methods(study),
        provenance=study.provenance(),
        counts=counts,
        joined_reasons=joined,
        smallest_group=smallest,
        measured=measured,
        arm_keys={label: keys.get(label, "_".join(label.lower().split())) for label in arms},
        primary_visit=visit,
    )


def join_small_reasons(counts: pd.DataFrame, smallest_group: int) -> tuple[pd.DataFrame, int]:
    """Join the reasons of a stage that fewer people gave, over all arms; every total stays what it was.

    A reason is a sentence about a person: one that few share may tell who it was. What says that no reason was recorded
    is no such sentence and keeps its own line.

    Args:
        counts: `stage`, `arm`, `reason`, `count`.
        smallest_group: people who must have given a reason, in one stage over all arms, for it to be named.

    Returns:
        the counts, `OTHER_REASONS` as the last reason of its stage and arm; how many reasons were joined.
    """
    people = counts.groupby(["stage", "reason"])["count"].transform("sum")
    small = ~counts["reason"].isin(["", NOT_RANDOMISED]) & (people < smallest_group)
    if not small.any():
        return counts, 0
    keys = ["stage", "arm", "reason"]
    place = counts.groupby(["stage", "arm"], sort=False).ngroup()
    named = counts.assign(reason=counts["reason"].mask(small, OTHER_REASONS), place=place, last=small)
    named = named.sort_values(["place", "last"], kind="stable").drop(columns=["place", "last"])
    joined = named.groupby(keys, sort=False, as_index=False)["count"].sum()
    return joined[list(counts.columns)], len(counts.loc[small, ["stage", "reason"]].drop_duplicates())


def _check_measured(counts: pd.DataFrame, measured: dict[str, int]) -> None:
    """Refuse a flow table that was begun and not kept: people of an arm who were measured and never allocated."""
    allocated = counts[counts["stage"] == "allocated"].groupby("arm")["count"].sum()
    for arm, seen in measured.items():
        if seen > allocated[arm]:
            raise DesignError(
                f"In “{arm}” {counted(seen, 'participant')} had a reading of the primary measure, but the flow table "
                f"has {allocated[arm]} randomised into it. Write every person and stage into the flow table, or leave "
                "it away; people are then counted from the participants table."
            )


def _measured(study: Study, counts: pd.DataFrame, arms: list[str]) -> dict[str, int]:
    plan = study.protocol.study
    if plan.design == "audit" and study.table(FLOW).empty:
        arms = counts.loc[counts["stage"] == "analysed", "arm"].tolist() or arms
    rows = study.table(MEASUREMENTS)
    here = rows[(rows["measure"] == plan.primary_measure) & rows["value"].notna()]
    if plan.primary_visit is not None:
        here = here[here["visit"] == plan.primary_visit]
    people = study.table("participants")
    labels = {key: arm.label for key, arm in study.protocol.arms.items()}
    arm = people["arm"].map(labels) if labels else pd.Series(EVERYBODY, index=people.index)
    seen = people["participant_id"].isin(here["participant_id"].unique())
    return {label: int(np.sum((arm == label) & seen)) for label in arms}


def _headline(counts: pd.DataFrame, measured: dict[str, int], visit: str | None, measure: str) -> str:
    total = counts.groupby("stage", sort=False)["count"].sum()
    everybody, seen = int(total["allocated"]), sum(measured.values())
    allocated = counts[counts["stage"] == "allocated"].set_index("arm")["count"]
    enrolled = int(allocated[list(measured)].sum())
    first = ", ".join(f"{int(total[stage])} {stage}" for stage in _BEFORE_ARMS if stage in total.index)
    start = f"Of {first}, " if first else f"Of {counted(everybody, 'participant')}, "
    share = percent(seen / enrolled) if enrolled else "none"
    where = f" at {visit}" if visit is not None else ""
    others = [f"“{arm}”" for arm in allocated.index if arm not in measured]
    but = f"; in {listed(others)}, {everybody - enrolled} people, another measure is read" if others else ""
    return f"{start}{seen} of {enrolled} ({share}) have a reading of the primary measure ({measure}){where}{but}."


def _cautions(counts: pd.DataFrame, measured: dict[str, int], visit: str | None) -> tuple[str, ...]:
    found = []
    allocated = counts[counts["stage"] == "allocated"].set_index("arm")["count"]
    shares = {arm: measured[arm] / count for arm, count in allocated.items() if measured.get(arm)}
    if len(shares) > 1 and max(shares.values()) - min(shares.values()) > 0.1:
        least, most = min(shares, key=lambda arm: shares[arm]), max(shares, key=lambda arm: shares[arm])
        found.append(
            f"Groups kept different shares of their people to the end, from {percent(shares[least])} (“{least}”) to "
            f"{percent(shares[most])} (“{most}”); those who stayed may differ between groups."
        )
    analysed = counts[counts["stage"] == "analysed"].groupby("arm")["count"].sum()
    apart = [f"“{arm}”" for arm in analysed.index if analysed[arm] != measured.get(arm)]
    if apart and visit is not None:
        found.append(
            f"“Analysed” is taken from the flow table; in {listed(apart)} it differs from the number with a reading at "
            f"{visit}. The model of change uses every visit that the protocol allows."
        )
    found.append("Who was never asked, or never came, is not in these counts.")
    return tuple(found)


def _methods(study: Study) -> str:
    guide = "CONSORT 2010, items 13a and 13b" if study.protocol.study.design == "trial" else "STROBE, item 13"
    if study.table(FLOW).empty:
        return f"Participants were counted from the participants and measurements tables ({guide})."
    return f"Participants were counted from the flow table, each person once in a stage ({guide})."
