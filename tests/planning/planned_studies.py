"""Protocols with a plan, for tests."""

from __future__ import annotations

from studykit.planning.plan import TrialPlan, trial_plan
from studykit.protocol import Protocol, parse_protocol

HEAD = """
raters = ["R1", "R2"]
[study]
title = "A made-up trial"
question = "How large must it be?"
design = "trial"
primary_measure = "straight_leg_raise"
primary_visit = "{last}"
trials_used = "{trials_used}"
missing_visits = "{missing}"
[measures.straight_leg_raise]
"""
RELIABILITY_HEAD = """
[study]
title = "Three raters"
question = "Do they agree?"
design = "reliability"
primary_measure = "straight_leg_raise"
[measures.straight_leg_raise]
[reliability]
rated_by = "every rater"
"""
SPREAD = "participant = 6.0, participant_visit = 1.5, trial = 2.0"


def planned_protocol(
    *,
    arms: int = 2,
    weeks: tuple[int, ...] = (0, 12),
    participants: int = 24,
    difference: float = 3.0,
    spread: str = SPREAD,
    trials_used: str = "mean",
    missing: str = "all observed visits",
    more: str = "",
    tables: str = "",
) -> Protocol:
    """A trial of a control arm and further ones at these weeks; `more` goes under [planning], `tables` at the end."""
    text = HEAD.format(last=f"week_{weeks[-1]}", trials_used=trials_used, missing=missing)
    text += '[arms.none]\nlabel = "No stretching"\ncontrol = true\n'
    for arm in range(1, arms):
        text += f'[arms.stretch_{arm}]\nlabel = "Stretching {arm}"\n'
        text += (
            f"dose = {{ hold_s = 30, repetitions = {2 * arm}, sessions_per_day = 1, days_per_week = 5, "
            f"weeks = {weeks[-1]} }}\n"
        )
    text += "".join(f'[[visits]]\nkey = "week_{week}"\nlabel = "Week {week}"\nweek = {week}\n' for week in weeks)
    text += f"[planning]\nparticipants = {participants}\nsmallest_difference = {difference}\nspread = {{ {spread} }}\n"
    return parse_protocol(f"{text}{more}\n{tables}\n")


def planned(**choices: object) -> TrialPlan:
    """The plan of such a trial."""
    return trial_plan(planned_protocol(**choices))  # type: ignore[arg-type]
