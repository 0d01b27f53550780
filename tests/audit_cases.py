"""A made-up audit with dates, several therapists and double readings, for the tests of the audit room."""

from __future__ import annotations

import numpy as np
import pandas as pd
from made_studies import MEASURE, protocol_text, study_of

from studykit.answers import Section, Unanswered
from studykit.audit import audit_of_study
from studykit.change import MdcBeside, change_of_study, flow_of_study
from studykit.data import Checked
from studykit.data.study import Study
from studykit.individuals import for_whom
from studykit.sample import sample_of_study

WEEKS = {"baseline": 0, "week_6": 6, "week_12": 12}
OPENED = pd.Timestamp("2025-01-06")
THERAPISTS = ("t1", "t2", "t3")
MDC = MdcBeside(5.0, 4.0, 7.0, 0.95, "one limb")
MANY_LONG_ARMS = {
    f"pathway_{number}": f"Pathway {number} with a long name, as clinics give them after mergers and moves"
    for number in range(1, 9)
}


def audit(
    people: int = 60,
    *,
    shift_deg: dict[str, float] | None = None,
    double: float = 0.0,
    own_patients: bool = False,
    more: str = "",
    seed: int = 3,
    keep: float = 1.0,
    arms: dict[str, str] | None = None,
) -> Study:
    """Both limbs at three visits, three trials each, by one of three therapists chosen by chance at every visit.

    Args:
        shift_deg: therapist -> what is added to every reading.
        double: share of visits that a second therapist reads as well.
        own_patients: each person is read by one therapist throughout, and therapists see different cases.
        keep: share of visits that took place (the first always).
        arms: key -> label of pathways, to which people are given in turn.
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
    pathways = arms or {}
    text = protocol_text(design="audit", arms=pathways, visits=tuple(WEEKS), weeks=tuple(WEEKS.values()), more=more)
    text = text.replace("['r1', 'r2', 'r3']", str(list(THERAPISTS)))
    return study_of(
        text,
        measurements=pd.DataFrame(lines, columns=names),
        participants=pd.DataFrame(roster, columns=["participant_id", "enrolled_on"]).assign(
            arm=[list(pathways)[number % len(pathways)] for number in range(people)] if pathways else None
        ),
    )


def checked_as(study: Study) -> Checked:
    """What a check would say of a study of which no row was set aside."""
    rows = {name: len(table) for name, table in study.tables.items()}
    nothing = dict.fromkeys(rows, 0)
    return Checked(study, study.findings, pd.DataFrame(), rows, rows, nothing, {})


def answers_of_audit(study: Study) -> tuple[Section, ...]:
    """The parts of an audit's answers that its pages are made of, without the long ones."""
    changes = change_of_study(study, mdc=MDC)
    return (
        Section("flow", "Who took part?", (flow_of_study(study),), ()),
        Section("sample", "Who were they?", tuple(sample_of_study(study)), ()),
        Section("change", "How much changed?", tuple(changes), ()),
        Section("for_whom", "For whom?", tuple(for_whom(study, mdc=MDC)), ()),
        Section("dose_done", "What was done?", (), (Unanswered("dose_done", "What was done?", "There is no diary."),)),
        Section("audit", "How well kept?", tuple(audit_of_study(study, mdc=MDC, changes=lambda: changes)), ()),
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
