"""How much worse those who left must have done for the conclusion to change, arm by arm."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from studykit.missing_visits.imputing import Completed, Question, analysed_outcome, analysis_columns
from studykit.missing_visits.people import PeopleByVisit
from studykit.numerics.least_squares import least_squares
from studykit.numerics.tipping import ShiftedEstimates, shifted_estimates

PLAUSIBLE_SDS: Final = 2.0
"""How far the mean of those who left may lie from what is expected of them, in standard deviations of people about what
is expected of them, to count as plausible: beyond it the usual one of them would have done worse than 39 of 40 of those
who stayed (our choice, no source)."""


@dataclass(frozen=True, slots=True)
class Tipping:
    """One arm after filling in.

    Attributes:
        question: what was asked.
        shifted: the estimate as a function of the shift of those of this arm who left; both_shifted: of everybody who
            left, in the control arm too.
        left: how many of this arm were filled in at the primary visit; left_in_control: of the control arm.
        limit: the largest plausible shift, in the unit of the measure.
        worse, better: the shift at which the conclusion changes when they did worse (better) than expected; nan when it
            never does within the limit. both_worse: the same when everybody who left did worse.
    """

    question: Question
    shifted: ShiftedEstimates
    both_shifted: ShiftedEstimates
    left: int
    left_in_control: int
    limit: float
    worse: float
    better: float
    both_worse: float


def tipping_of_arm(
    whole: PeopleByVisit, completed: Completed, question: Question, *, sign: int, confidence: float
) -> Tipping:
    """Ask one question of every completed set, and shift those who left.

    Args:
        whole: everybody who was allocated.
        completed: the completed sets.
        question: what is asked.
        sign: +1 where worse means a lower reading, -1 where it means a higher one.
        confidence: level of the intervals.
    """
    visits = list(whole.values.columns)
    first, last = visits.index(whole.readings.baseline), visits.index(whole.readings.primary_visit)
    outcomes, columns, spreads = [], [], []
    for one in completed.values:
        outcome = analysed_outcome(question, one[:, last], one[:, first])
        design = analysis_columns(whole, question, one[:, first])
        outcomes.append(outcome)
        columns.append(design)
        spreads.append(least_squares(outcome, design).residual_variance)
    arms = whole.arms.to_numpy()
    own = whole.left & (arms == question.arm)
    everybody = whole.left & ((arms == question.arm) | (arms == whole.readings.control))
    made = [
        shifted_estimates(np.array(outcomes), np.array(columns), who[question.people].astype(float), question.contrast)
        for who in (own, everybody)
    ]
    limit = PLAUSIBLE_SDS * float(np.sqrt(np.mean(spreads)))
    return Tipping(
        question=question,
        shifted=made[0],
        both_shifted=made[1],
        left=int(own.sum()),
        left_in_control=int((whole.left & (arms == whole.readings.control)).sum()),
        limit=limit,
        worse=abs(made[0].tipping_point(sign * limit, confidence)),
        better=abs(made[0].tipping_point(-sign * limit, confidence)),
        both_worse=abs(made[1].tipping_point(sign * limit, confidence)),
    )
