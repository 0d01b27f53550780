"""From readings to what is analysed: mean of trials, change from baseline, who went how far. Frame in, frame out.

Minutes prescribed and done are in `data.minutes`.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from studykit.data.study import Study
from studykit.errors import DesignError, FitError
from studykit.vocabulary import FLOW, MEASUREMENTS, PARTICIPANTS

CELL: Final = ["participant_id", "visit", "side", "measure", "rater_id"]
"""What the trials of one cell have in common."""
FLOW_COUNTS: Final = ("stage", "arm", "reason", "count")
EVERYBODY: Final = "All participants"
NOT_RANDOMISED: Final = "not randomised, no reason recorded"


def mean_of_trials(study: Study) -> pd.DataFrame:
    """The mean over trials of each participant, visit, side, measure and rater.

    Returns:
        one row a cell, in order of first appearance: `participant_id, visit, side, measure, rater_id, measured_on`
        (first day of the cell), `trials` (how many), `value` (mean, in the unit of the measure).
    """
    return _of_cells(study.table(MEASUREMENTS), "mean")


def best_of_trials(study: Study, measure: str | None = None) -> pd.DataFrame:
    """The best trial of each cell: the highest value of a measure in which more is better, else the lowest.

    Args:
        study: the checked study.
        measure: key of the measure asked for; every measure that was read when left out.

    Returns:
        as `mean_of_trials`, `value` being the best.

    Raises:
        DesignError: a measure that was asked for and read has no better direction.
    """
    rows = _of_measure(study, measure)
    better = {key: measure.better for key, measure in study.protocol.measures.items()}
    neither = [key for key in rows["measure"].unique() if better[key] == "neither"]
    if neither:
        raise DesignError(
            f"The measure {neither[0]!r} has no better direction, so it has no best trial; "
            'set trials_used = "mean" in study.toml.'
        )
    sign = rows["measure"].map({key: -1.0 if word == "lower" else 1.0 for key, word in better.items()}).astype(float)
    best = _of_cells(rows.assign(value=rows["value"] * sign), "max")
    sign_of_cell = best["measure"].map({key: -1.0 if word == "lower" else 1.0 for key, word in better.items()})
    return best.assign(value=best["value"] * sign_of_cell.astype(float))


def used_readings(study: Study, measure: str | None = None) -> pd.DataFrame:
    """The readings that the protocol's `trials_used` asks for.

    Args:
        study: the checked study.
        measure: key of the measure asked for; every measure that was read when left out.

    Returns:
        as `mean_of_trials`; with "all" one row a trial, `trials` being 1 and a column `trial` added.

    Raises:
        DesignError: the best trial of a measure without a better direction is asked for.
    """
    if study.protocol.study.trials_used == "best":
        return best_of_trials(study, measure)
    rows = _of_measure(study, measure)
    if study.protocol.study.trials_used == "mean":
        return _of_cells(rows, "mean")
    return rows[[*CELL, "measured_on"]].assign(trials=1, value=rows["value"], trial=rows["trial"])


def _of_measure(study: Study, measure: str | None) -> pd.DataFrame:
    rows = study.table(MEASUREMENTS)
    return rows if measure is None else rows[rows["measure"] == measure].reset_index(drop=True)


def _of_cells(rows: pd.DataFrame, how: str) -> pd.DataFrame:
    if rows.empty:
        return rows[[*CELL, "measured_on"]].assign(trials=pd.Series(dtype="int64"), value=rows["value"])
    cells = rows.groupby(CELL, sort=False, dropna=False)
    return cells.agg(measured_on=("measured_on", "min"), trials=("value", "size"), value=("value", how)).reset_index()


def participant_flow(study: Study) -> pd.DataFrame:
    """How many people reached each stage, by arm, in the form that the flow diagram draws.

    From the flow table where there is one, each person counted once: everybody in it was assessed; who was assessed and
    not randomised was excluded (with the reason recorded, or a sentence that none is). Without a flow table the
    participants stand for "allocated" and those with a reading of the primary measure at the primary visit for
    "analysed"; a pathway of an audit in which that measure was never read is read by another one and has no such line.

    Returns:
        `stage` (assessed, excluded, randomised, allocated, received, lost, analysed; those that the study records),
        `arm` (the arm's label; "" before the arms), `reason`, `count`.

    Raises:
        FitError: assessed = excluded + randomised, or randomised = sum of allocated, does not hold.
    """
    flow = study.table(FLOW)
    counts = _flow_without_table(study) if flow.empty else _flow_from_table(study, flow)
    assert_flow_adds_up(counts)
    return counts


def _labels(study: Study) -> dict[str, str]:
    return {key: arm.label for key, arm in study.protocol.arms.items()}


def _arm_of(study: Study) -> pd.Series:
    """participant_id -> label of the arm; one label for everybody when the protocol has no arms."""
    people = study.table(PARTICIPANTS).set_index("participant_id")["arm"]
    if not study.protocol.arms:
        return pd.Series(EVERYBODY, index=people.index, dtype="str")
    return people.map(_labels(study)).astype("str").fillna("no arm recorded")


def _flow_from_table(study: Study, flow: pd.DataFrame) -> pd.DataFrame:
    flow = flow.assign(reason=flow["reason"].fillna("").astype("str"))
    arm_of = _arm_of(study)
    randomised = pd.Index(flow.loc[flow["stage"] == "randomised", "participant_id"])
    everybody = pd.Index(flow["participant_id"].unique())
    lines: list[tuple[str, str, str, int]] = []
    recorded = set(flow["stage"])
    if recorded & {"assessed", "excluded"}:
        lines.append(("assessed", "", "", len(everybody)))
        reasons = flow[flow["stage"] == "excluded"].set_index("participant_id")["reason"]
        excluded = reasons.reindex(everybody.difference(randomised, sort=False))
        excluded = excluded.fillna(NOT_RANDOMISED)
        lines += [("excluded", "", str(reason), int(n)) for reason, n in excluded.value_counts(sort=False).items()]
    lines.append(("randomised", "", "", len(randomised)))
    arms = arm_of.reindex(randomised).fillna("no arm recorded")
    for arm in _in_protocol_order(study, arms):
        members = randomised[(arms == arm).to_numpy()]
        lines.append(("allocated", arm, "", len(members)))
        own = flow[flow["participant_id"].isin(members)]
        for stage in ("received", "lost", "analysed"):
            at = own[own["stage"] == stage]
            if stage not in recorded:
                continue
            if stage == "lost" and len(at):
                by_reason = at["reason"].value_counts(sort=False)
                lines += [(stage, arm, str(reason), int(n)) for reason, n in by_reason.items()]
            else:
                lines.append((stage, arm, "", len(at)))
    return pd.DataFrame(lines, columns=list(FLOW_COUNTS)).astype({"count": "int64"})


def _flow_without_table(study: Study) -> pd.DataFrame:
    plan, rows = study.protocol.study, study.table(MEASUREMENTS)
    ever = rows[rows["measure"] == plan.primary_measure]
    read = ever if plan.primary_visit is None else ever[ever["visit"] == plan.primary_visit]
    arm_of = _arm_of(study)
    lines: list[tuple[str, str, str, int]] = []
    for arm in _in_protocol_order(study, arm_of):
        members = arm_of.index[(arm_of == arm).to_numpy()]
        lines.append(("allocated", arm, "", len(members)))
        if plan.design != "audit" or np.isin(members, ever["participant_id"].unique()).any():
            lines.append(("analysed", arm, "", int(np.isin(members, read["participant_id"].unique()).sum())))
    return pd.DataFrame(lines, columns=list(FLOW_COUNTS)).astype({"count": "int64"})


def _in_protocol_order(study: Study, arms: pd.Series) -> list[str]:
    planned = [label for label in _labels(study).values() if study.protocol.arms]
    return list(dict.fromkeys([*planned, *arms]))


def assert_flow_adds_up(counts: pd.DataFrame) -> None:
    """Refuse counts in which the parts do not make the whole.

    Raises:
        FitError: assessed = excluded + allocated, or randomised = allocated, does not hold.
    """
    total = {str(stage): int(count) for stage, count in counts.groupby("stage")["count"].sum().items()}
    allocated = total.get("allocated", 0)
    sums = [("randomised", total.get("randomised", allocated), allocated)]
    if "assessed" in total:
        sums.append(("assessed", total["assessed"], total.get("excluded", 0) + allocated))
    for stage, one, other in sums:
        if one != other:
            raise FitError(f"The participant flow does not add up: {one} {stage}, but {other} by its parts.")
