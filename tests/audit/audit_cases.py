"""A made-up audit with dates, several therapists and double readings, for the tests of the audit room."""

from __future__ import annotations

import numpy as np
import pandas as pd
from made_studies import MEASURE, protocol_text, study_of

from studykit.data.study import Study

WEEKS = {"baseline": 0, "week_6": 6, "week_12": 12}
OPENED = pd.Timestamp("2025-01-06")
THERAPISTS = ("t1", "t2", "t3")


def audit(
    people: int = 60,
    *,
    shift_deg: dict[str, float] | None = None,
    double: float = 0.0,
    own_patients: bool = False,
    more: str = "",
    seed: int = 3,
    keep: float = 1.0,
) -> Study:
    """Both limbs at three visits, three trials each, by one of three therapists chosen by chance at every visit.

    Args:
        shift_deg: therapist -> what is added to every reading.
        double: share of visits that a second therapist reads as well.
        own_patients: each person is read by one therapist throughout, and therapists see different cases.
        keep: share of visits that took place (the first always).
    """
    rng, lines, roster = np.random.default_rng(seed), [], []
    shifts = shift_deg or {}
    for number in range(people):
        code, level = f"P{number:03d}", 60.0 + float(rng.normal(0, 8))
        enrolled = OPENED + pd.Timedelta(days=int(3 * number))
        always = THERAPISTS[number % 3] if own_patients else ""
        level += 10.0 * (number % 3) if own_patients else 0.0
        roster.append((code, enrolled))
        for visit, week in WEEKS.items():
            who = [always or THERAPISTS[int(rng.integers(0, 3))]]
            if rng.random() < double:
                who.append(next(name for name in THERAPISTS if name != who[0]))
            if week and rng.random() > keep:
                continue
            day = enrolled + pd.Timedelta(days=7 * week)
            today = 0.5 * week + float(rng.normal(0, 1))
            for side in ("left", "right"):
                for rater in who:
                    for trial in (1, 2, 3):
                        value = level + today + shifts.get(rater, 0.0) + float(rng.normal(0, 1.5))
                        lines.append((code, visit, day, side, MEASURE, rater, trial, value))
    names = ["participant_id", "visit", "measured_on", "side", "measure", "rater_id", "trial", "value"]
    text = protocol_text(design="audit", arms={}, visits=tuple(WEEKS), weeks=tuple(WEEKS.values()), more=more)
    text = text.replace("['r1', 'r2', 'r3']", str(list(THERAPISTS)))
    return study_of(
        text,
        measurements=pd.DataFrame(lines, columns=names),
        participants=pd.DataFrame(roster, columns=["participant_id", "enrolled_on"]),
    )


def small_audit(
    lines: list[tuple[object, ...]], enrolled: dict[str, str], *, smallest: int = 2, more: str = ""
) -> Study:
    """An audit from single readings: participant, visit, day, side, therapist, trial, value."""
    names = ["participant_id", "visit", "measured_on", "side", "rater_id", "trial", "value"]
    readings = pd.DataFrame(lines, columns=names).assign(measure=MEASURE)
    text = protocol_text(
        design="audit",
        arms={},
        visits=("baseline", "week_6"),
        weeks=(0, 6),
        primary_visit="week_6",
        more=f"{more}\n[privacy]\nsmallest_group = {smallest}",
    )
    people = pd.DataFrame({"participant_id": list(enrolled), "enrolled_on": list(enrolled.values())})
    return study_of(text, measurements=readings, participants=people)
