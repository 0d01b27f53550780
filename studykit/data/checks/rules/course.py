"""The course of participants through a study: each stage once, in order, none that contradicts another."""

from __future__ import annotations

import numpy as np
import pandas as pd

from studykit.data.checks.rules.given import Given, as_days
from studykit.data.checks.rules.identities import repeated_rows
from studykit.data.findings import joined
from studykit.vocabulary import ERROR, FLOW, STAGES, SUSPICION

ORDERED = ("assessed", "randomised", "received", "lost")
"""Stages whose days must not fall before those of the ones to their left."""
NEEDS = {"received": "randomised", "lost": "randomised", "analysed": "randomised"}


def duplicate_stage(given: Given) -> pd.DataFrame:
    """The same stage twice for one participant."""
    return repeated_rows(
        given,
        FLOW,
        ["participant_id", "stage"],
        column="stage",
        rule="duplicate_stage",
        noun="The stage",
    )


def stages_out_of_order(given: Given) -> pd.DataFrame:
    """A stage dated before an earlier stage; neither row is believed over the other, so both are set aside."""
    table = _days_by_stage(given)
    pairs = [(a, b) for i, a in enumerate(ORDERED) for b in ORDERED[i + 1 :]] + [("assessed", "excluded")]
    wrong: dict[int, str] = {}
    for earlier, later in pairs:
        both = table.loc[table[(earlier, "day")] > table[(later, "day")]]
        for stage in (earlier, later):
            for position in both[(stage, "position")]:
                wrong.setdefault(int(position), f"{later!r} is dated before {earlier!r}.")
    positions = np.array(sorted(wrong), dtype=np.int64)
    return given.report(
        FLOW,
        positions,
        column="happened_on",
        rule="stages_out_of_order",
        severity=ERROR,
        message=[wrong[int(position)] for position in positions],
        what_to_do="Correct the date or the stage; until then neither row is used.",
    )


def excluded_and_randomised(given: Given) -> pd.DataFrame:
    """One person both excluded before allocation and allocated."""
    flow = given.tables[FLOW]
    stages = flow["stage"]
    both = set(flow.loc[stages == "excluded", "participant_id"].dropna()) & set(
        flow.loc[stages == "randomised", "participant_id"].dropna()
    )
    rows = flow.index[flow["participant_id"].isin(both) & stages.isin(["excluded", "randomised"])].to_numpy()
    return given.report(
        FLOW,
        rows,
        column="stage",
        rule="excluded_and_randomised",
        severity=ERROR,
        message="This person is recorded both as excluded and as randomised.",
        what_to_do="Delete the row that is wrong; somebody who left after allocation is 'lost', not 'excluded'.",
    )


def stage_without_its_cause(given: Given) -> pd.DataFrame:
    """Received, lost or analysed without having been randomised: a row is missing, none is wrong."""
    if given.protocol.study.design != "trial" or not given.has(FLOW):
        return joined([])
    flow = given.tables[FLOW]
    randomised = set(flow.loc[flow["stage"] == "randomised", "participant_id"].dropna())
    lacking = flow["stage"].isin(list(NEEDS)) & ~flow["participant_id"].isin(randomised)
    positions = flow.index[lacking].to_numpy()
    return given.report(
        FLOW,
        positions,
        column="stage",
        rule="stage_without_allocation",
        severity=SUSPICION,
        message="The flow table does not say that this participant was randomised.",
        what_to_do="Add the row that is missing.",
    )


def _days_by_stage(given: Given) -> pd.DataFrame:
    """One line a participant: per stage the day (nan when not known) and the position of the row."""
    flow = given.tables[FLOW]
    rows = pd.DataFrame(
        {
            "participant_id": flow["participant_id"],
            "stage": flow["stage"],
            "day": as_days(flow["happened_on"]),
            "position": flow.index,
        }
    ).dropna(subset=["participant_id", "stage", "day"])
    rows = rows.drop_duplicates(["participant_id", "stage"], keep=False)
    wide = rows.set_index(["participant_id", "stage"]).unstack("stage").swaplevel(axis=1)
    wanted = pd.MultiIndex.from_product([STAGES, ("day", "position")])
    return wide.reindex(columns=wanted).astype("float64")
