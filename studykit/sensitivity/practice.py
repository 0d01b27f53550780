"""Who did as asked, and who was still practising at which visit, from the diary."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from studykit.data.minutes import weekly_minutes
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.protocol import Visit
from studykit.vocabulary import DIARY

GAPS: Final = {"missing": "missing", "nothing done": "zero"}
"""Word of the protocol for a week without a diary row -> that of `data.minutes`."""
WEEKS_BEFORE: Final = 2
"""Weeks up to a visit in which practice must be written down for a person to count as still practising (our choice)."""


def weeks_of_diary(study: Study, diary_gaps: str) -> pd.DataFrame:
    """`weekly_minutes` of the weeks that count towards the primary visit.

    Raises:
        DesignError: no diary, nothing prescribed, or no date of enrolment.
    """
    if study.table(DIARY).empty:
        raise DesignError("There is no diary, so who did as asked is not known.")
    weeks = weekly_minutes(study, gaps=GAPS[diary_gaps])
    if not (weeks["minutes_prescribed"] > 0.0).any():
        raise DesignError("Nothing was prescribed to anybody, so nobody can have done as asked.")
    return weeks


def adherent_people(study: Study, diary_gaps: str) -> set[str]:
    """Participants who did at least the share `enough_adherence` of the minutes prescribed until the primary visit.

    adherence = minutes done / minutes prescribed over the weeks that are known. Somebody to whom nothing was prescribed
    counts as adherent; somebody of whom no week is known does not.

    Raises:
        DesignError: as `weeks_of_diary`.
    """
    weeks = weeks_of_diary(study, diary_gaps)
    until = study.protocol.visit(str(study.protocol.study.primary_visit)).week
    weeks = weeks[weeks["week"] <= max(until, 1.0)]
    asked = set(weeks.loc[weeks["minutes_prescribed"] > 0.0, "participant_id"])
    known = weeks[(weeks["minutes_prescribed"] > 0.0) & weeks["minutes_done"].notna()]
    sums = known.groupby("participant_id")[["minutes_done", "minutes_prescribed"]].sum()
    share = sums["minutes_done"] / sums["minutes_prescribed"]
    # A person who did exactly the share asked for has done enough, whatever the rounding of a sum of minutes says.
    enough = set(share.index[share >= study.protocol.analysis.enough_adherence - 1e-9])
    return enough | (set(weeks["participant_id"]) - asked)


def still_practising(study: Study, visits: tuple[Visit, ...]) -> pd.DataFrame:
    """Whether a participant was still practising at each visit.

    True when practice is written down in the last `WEEKS_BEFORE` weeks up to the planned week of the visit, or up to
    the last week for which something was prescribed where that is earlier; and for everybody to whom nothing was
    prescribed.

    Returns:
        boolean, index participant_id, one column a visit.

    Raises:
        DesignError: as `weeks_of_diary`.
    """
    weeks = weeks_of_diary(study, "missing")
    people = pd.Index(weeks["participant_id"].unique(), name="participant_id")
    asked = weeks[weeks["minutes_prescribed"] > 0.0].groupby("participant_id")["week"].max().reindex(people)
    practised = weeks[weeks["minutes_done"].fillna(0.0) > 0.0]
    found = {}
    for visit in visits:
        end = np.minimum(asked, max(np.ceil(visit.week), 1.0))
        last = practised["participant_id"].map(end)
        near = practised[(practised["week"] <= last) & (practised["week"] > last - WEEKS_BEFORE)]
        found[visit.key] = people.isin(near["participant_id"]) | asked.isna().to_numpy()
    return pd.DataFrame(found, index=people)
