"""The groups that a sample is described by: every arm of the protocol, and everybody."""

from __future__ import annotations

from typing import Final

import pandas as pd

from studykit.data.study import Study
from studykit.protocol import Visit
from studykit.vocabulary import MEASUREMENTS, PARTICIPANTS

EVERYBODY: Final = "all"
EVERYBODY_LABEL: Final = "All"
NOT_LISTED: Final = "there is no list of participants"
NO_LIST: Final = (
    "The study has no list of participants, so whoever was measured stands for those who took part: people without any "
    "reading are not counted, and nobody's arm is known. Write one line for each person into the participants table."
)


def groups_of(
    study: Study, *, without_list: tuple[str, ...] = (MEASUREMENTS,)
) -> dict[str, tuple[str, frozenset[str]]]:
    """Key -> label and participants: everybody first, then each arm in the order of the protocol.

    Args:
        without_list: the tables whose people stand for everybody where the study has no list of participants; nobody's
            arm is known then, so there is one group.
    """
    people = study.table(PARTICIPANTS)
    if people.empty:
        codes = [study.table(name)["participant_id"].dropna() for name in without_list]
        return {EVERYBODY: (EVERYBODY_LABEL, frozenset(pd.concat(codes)))}
    groups = {EVERYBODY: (EVERYBODY_LABEL, frozenset(people["participant_id"]))}
    for key, arm in study.protocol.arms.items():
        groups[key] = (arm.label, frozenset(people.loc[people["arm"] == key, "participant_id"]))
    return groups


def has_list(study: Study) -> bool:
    """Whether the participants table says who took part."""
    return not study.table(PARTICIPANTS).empty


def visits_in_time(study: Study) -> tuple[Visit, ...]:
    """The planned visits without a sitting that was only held, in the week of another visit, to compare raters."""
    plan, protocol = study.protocol.reliability, study.protocol
    sittings = plan.sittings if plan is not None else ()
    kept = {protocol.study.primary_visit, protocol.visit_keys[0] if protocol.visits else None}
    return tuple(
        visit
        for visit in protocol.visits
        if visit.key not in sittings
        or visit.key in kept
        or not any(other.week == visit.week for other in protocol.visits if other.key != visit.key)
    )


def members(frame: pd.DataFrame, people: frozenset[str]) -> pd.DataFrame:
    """The rows of these people."""
    return frame[frame["participant_id"].isin(people)]
