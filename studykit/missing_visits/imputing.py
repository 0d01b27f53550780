"""Missing visits filled in many times, by arm, and the question of the study asked of every completed set.

Visits of one person are taken as jointly normal, with means of their own in each arm (and covariates, where the
protocol declares them) and, where every arm is large enough, a covariance of its own; otherwise one covariance for all
arms. That is fixed by the number of people and not by what the readings show.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from studykit.errors import DesignError
from studykit.formatting import counted, listed
from studykit.missing_visits.people import PeopleByVisit
from studykit.numerics.imputation import completed_sets
from studykit.numerics.normal_missing import fit_normal

PEOPLE_PER_NUMBER: Final = 3
"""People a group needs for each visit and column to have a covariance of its own (our choice, no source)."""
FEWEST_SEEN: Final = 3
"""People measured at a visit without whom nothing is filled in there."""


@dataclass(frozen=True, slots=True)
class Completed:
    """Completed sets of a study.

    Attributes:
        values: (m, n, visits), rows in the order of the people.
        by_arm: True when each arm had a covariance of its own.
        between: True when the other visits than the baseline and the primary visit were used to predict from; where too
            few people were measured at all of them they were not, and stay nan in `values`.
    """

    values: np.ndarray
    by_arm: bool
    between: bool


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of completed sets about one arm.

    Attributes:
        arm: the arm that is compared (trial) or described (audit).
        people: (n,) True for those in the analysis.
        contrast: (p,) the weights of its estimate on the columns.
        against_control: a difference from control, else a change from the baseline.
    """

    arm: str
    people: np.ndarray
    contrast: np.ndarray
    against_control: bool


def completed_visits(people: PeopleByVisit, *, count: int, seed: int) -> Completed:
    """Fill in every missing visit of everybody, `count` times.

    Each arm has a stream of random numbers of its own, from the seed and the arm's key, so that neither the order of
    arms nor that of people decides anything.

    Raises:
        DesignError: too few people were measured to predict from.
    """
    values = people.values.to_numpy(dtype=float)
    _check_seen(people)
    columns = np.column_stack([np.ones(len(values)), people.covariates()])
    used, by_arm = _plan(people, values, columns)
    filled = np.full((count, *values.shape), np.nan)
    for stream, own, z in _groups(people, columns, by_arm):
        y = values[own][:, used]
        rng = np.random.default_rng([seed, *stream.encode()])
        sets = completed_sets(y, z, fit_normal(y, z), count=count, rng=rng)
        filled[:, np.flatnonzero(own)[:, None], used] = sets
    return Completed(filled, by_arm, len(used) == values.shape[1])


def questions(people: PeopleByVisit) -> Iterator[Question]:
    """One question an arm: the difference from control, or, without a control, the change of the group."""
    arms, control = people.arms.to_numpy(), people.readings.control
    others = [arm for arm in people.readings.arms if arm != control]
    if control is None:
        for arm in others:
            yield Question(arm, arms == arm, np.ones(1), False)
        return
    width = 2 + len(others) + people.covariates().shape[1]
    for place, arm in enumerate(others):
        yield Question(arm, np.ones(len(arms), dtype=bool), np.eye(width)[2 + place], True)


def analysis_columns(people: PeopleByVisit, question: Question, baseline: np.ndarray) -> np.ndarray:
    """(n, p) columns of the analysis of covariance (one, baseline, arms, covariates), or the one of a mean change."""
    if not question.against_control:
        return np.ones((int(question.people.sum()), 1))
    arms, control = people.arms.to_numpy(), people.readings.control
    others = [arm for arm in people.readings.arms if arm != control]
    inside = [(arms == arm).astype(float) for arm in others]
    return np.column_stack([np.ones(len(arms)), baseline, *inside, people.covariates()])


def analysed_outcome(question: Question, outcome: np.ndarray, baseline: np.ndarray) -> np.ndarray:
    """(n,) what is analysed: the outcome, or its change from the baseline for the people of one group."""
    return outcome if question.against_control else (outcome - baseline)[question.people]


def _groups(people: PeopleByVisit, columns: np.ndarray, by_arm: bool) -> Iterator[tuple[str, np.ndarray, np.ndarray]]:
    """Stream, people and columns of each group whose visits share a covariance."""
    arms = people.arms.to_numpy()
    if by_arm:
        for arm in people.readings.arms:
            own = arms == arm
            yield arm, own, columns[own][:, _telling(columns[own])]
        return
    inside = [(arms == arm).astype(float) for arm in people.readings.arms]
    z = np.column_stack([*inside, columns[:, 1:]])
    yield "everybody", np.ones(len(arms), dtype=bool), z[:, _telling(z)]


def _telling(columns: np.ndarray) -> list[int]:
    """Places of the columns that are no combination of those before them."""
    kept: list[int] = []
    for place in range(columns.shape[1]):
        tried = columns[:, [*kept, place]]
        length = np.linalg.norm(tried, axis=0)
        if np.all(length > 0.0) and np.linalg.matrix_rank(tried / length, tol=1e-8) == len(kept) + 1:
            kept.append(place)
    return kept


def _plan(people: PeopleByVisit, values: np.ndarray, columns: np.ndarray) -> tuple[np.ndarray, bool]:
    """Which visits are used, and whether each arm has a covariance of its own: the most that the people can carry."""
    place = list(people.values.columns).index
    every = np.arange(values.shape[1])
    ends = np.array([place(people.readings.baseline), place(people.readings.primary_visit)])
    for used in (every, ends):
        for by_arm in (True, False):
            if _carried(people, values[:, used], columns, by_arm=by_arm):
                return used, by_arm
    seen = int((~np.isnan(values[:, ends])).all(axis=1).sum())
    raise DesignError(
        f"{seen} people were measured both at the baseline and at the primary visit, too few to predict what is "
        f"missing in {counted(len(people.readings.arms), 'group')} from."
    )


def _carried(people: PeopleByVisit, values: np.ndarray, columns: np.ndarray, *, by_arm: bool) -> bool:
    """Whether every group is large enough for its covariance.

    It needs `PEOPLE_PER_NUMBER` people for each visit and column where arms stand alone, and in any case enough people
    measured at every visit that their readings alone determine the covariance; else the likelihood has no bound.
    """
    for _, own, z in _groups(people, columns, by_arm):
        numbers = values.shape[1] + z.shape[1]
        complete = int((~np.isnan(values[own])).all(axis=1).sum())
        if complete <= numbers or (by_arm and int(own.sum()) < PEOPLE_PER_NUMBER * numbers):
            return False
    return True


def _check_seen(people: PeopleByVisit) -> None:
    seen = people.values.notna()
    labels = {visit.key: visit.label for visit in people.readings.visits}
    for visit in people.values.columns:
        if int(seen[visit].sum()) < FEWEST_SEEN:
            raise DesignError(f"Only {int(seen[visit].sum())} people were measured at {labels[visit]}: too few.")
    both = seen[people.readings.baseline] & seen[people.readings.primary_visit]
    few = [
        people.readings.arms[arm]
        for arm in people.readings.arms
        if int((both & (people.arms == arm)).sum()) < FEWEST_SEEN
    ]
    if few:
        raise DesignError(
            f"Fewer than {FEWEST_SEEN} people in {listed(few)} were measured both at "
            f"{labels[people.readings.baseline]} and at {labels[people.readings.primary_visit]}; missing readings "
            "cannot be predicted from so few."
        )
