"""What of one person's readings belongs together: the random terms of the change model, from the design alone.

Random intercepts follow from who was measured how often (`random_terms`), so that two limbs, three trials or two raters
of one person at one visit never count as independent people. Random slopes follow from the plan (`random_slopes`): with
three or more visits people may differ in how fast they change, so that their readings lie further apart the later the
visit, and in each treated arm more than in the control arm. Intercepts alone would take any two visits as equally
correlated, and their intervals for a late visit are too narrow when people change at different rates.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd

from studykit.change.readings import ChangeReadings
from studykit.errors import CallError
from studykit.numerics.mixed.terms import RandomTerm, intercept_by

TERM_WORDS: Final = {
    ("participant_id",): "participant",
    ("participant_id", "side"): "limb within participant",
    ("participant_id", "visit"): "participant at a visit",
    ("participant_id", "side", "visit"): "limb at a visit",
    ("participant_id", "side", "visit", "rater_id"): "limb at a visit by one rater",
    ("rater_id",): "rater (crossed)",
}
PER_WEEK: Final = "participant slope per week"
FURTHER_IN: Final = "further participant slope per week in "
"""Followed by the key of an arm."""
FEWEST_WEEKS_FOR_SLOPES: Final = 3
"""Different weeks, the baseline's among them, from which a slope can be told from a change that differs by visit."""
Term = tuple[str, ...]
_PERSON: Final = ("participant_id",)


def random_terms(rows: pd.DataFrame) -> tuple[Term, ...]:
    """The random intercepts that these rows call for.

    Participant always; limb within participant where both sides of somebody were measured; participant at a visit
    where one visit of somebody gave several rows, and limb at a visit where one limb did (several trials or raters);
    limb at a visit by one rater where that still gave several rows and more than one rater saw a limb; rater, crossed,
    where there was more than one. A term whose groups are those of another term, or single rows, is left out.
    """
    kept: list[Term] = []
    partitions: set[bytes] = set()
    for term in TERM_WORDS:
        groups = rows.groupby(list(term), sort=False).ngroup().to_numpy()
        partition = groups.tobytes()
        if len(np.unique(groups)) in (1, len(rows)) or partition in partitions:
            continue
        kept.append(term)
        partitions.add(partition)
    return tuple(kept)


def random_slopes(readings: ChangeReadings) -> tuple[str, ...]:
    """The slopes over weeks that the plan calls for.

    None with fewer than `FEWEST_WEEKS_FOR_SLOPES` different weeks among the visits: the spread of two visits' changes
    is free as it is. Otherwise one for each participant, correlated with the participant's intercept; and, where there
    is a control arm, a further one in each other arm with a variance of its own, independent of the two. An arm in
    which nobody was seen in two weeks has none.
    """
    if len({visit.week for visit in readings.visits}) < FEWEST_WEEKS_FOR_SLOPES:
        return ()
    if readings.control is None:
        return (PER_WEEK,)
    week_of = {visit.key: visit.week for visit in readings.visits}
    weeks = readings.rows.assign(week=readings.rows["visit"].map(week_of)).groupby(["arm", "participant_id"])["week"]
    seen_twice = set(weeks.nunique().loc[lambda count: count > 1].index.get_level_values("arm"))
    further = [FURTHER_IN + arm for arm in readings.arms if arm != readings.control and arm in seen_twice]
    return (PER_WEEK, *further)


def engine_terms(readings: ChangeReadings, intercepts: Sequence[Term], slopes: Sequence[str]) -> list[RandomTerm]:
    """The random terms as the engine takes them, intercepts first in their order; weeks count from the baseline.

    The slope correlated with an intercept stands in the term of the participant; further ones are terms of their own.

    Raises:
        CallError: a slope of the participant without the participant's intercept.
    """
    if PER_WEEK in slopes and _PERSON not in intercepts:
        raise CallError(f"A slope of the participant goes with the intercept of the participant; add {_PERSON!r}.")
    rows = readings.rows
    week_of = {visit.key: float(visit.week - readings.visits[0].week) for visit in readings.visits}
    week = rows["visit"].map(week_of).to_numpy(dtype=float)
    made = [intercept_by(TERM_WORDS[term], _codes(rows, term)) for term in intercepts]
    person = _codes(rows, _PERSON)
    if PER_WEEK in slopes:
        columns = np.column_stack([np.ones(len(rows)), week])
        whole = RandomTerm(TERM_WORDS[_PERSON], person, columns, column_names=("intercept", PER_WEEK))
        made[list(intercepts).index(_PERSON)] = whole
    for slope in slopes:
        if slope.startswith(FURTHER_IN):
            inside = (rows["arm"] == slope.removeprefix(FURTHER_IN)).to_numpy(dtype=float)
            made.append(RandomTerm(slope, person, week * inside, column_names=(slope,)))
    return made


def _codes(rows: pd.DataFrame, term: Term) -> np.ndarray:
    return np.asarray(rows.groupby(list(term), sort=True).ngroup().to_numpy())
