"""Power calculated from the planned variances, and how many participants a power takes: closed forms, no simulation."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from studykit.errors import DesignError, FitError
from studykit.numerics.planning.means import power_of_t
from studykit.numerics.planning.planned_variances import planned_contrast, planned_ingredients
from studykit.numerics.planning.visits import variance_of_differences
from studykit.numerics.planning.wishes import MOST, smallest
from studykit.planning.design import expected_last_visits, planned_design
from studykit.planning.plan import TrialPlan

_MOST_BY_MODEL: Final = 5000
"""Rows of so many people are still formed in seconds; whoever needs more is better served by the quick form."""


@dataclass(frozen=True, slots=True)
class ArmPower:
    """One arm against control at the primary visit, in the unit of the measure.

    Attributes:
        arm: its key.
        effect: the planned difference.
        std_error: of the estimated difference, variances known.
        df: denominator degrees of freedom.
        power: two-sided, at the alpha of one comparison.
    """

    arm: str
    effect: float
    std_error: float
    df: float
    power: float


def model_power(plan: TrialPlan) -> tuple[ArmPower, ...]:
    """Power of the Kenward-Roger test in the model of the analysis, at the planned variances and expected losses."""
    design = planned_design(plan, expected_last_visits(plan))
    made = planned_ingredients(design.products, design.covariances, design.residual_variance)
    found = []
    for arm, contrast in zip(plan.treated, design.contrasts, strict=True):
        planned = planned_contrast(made, contrast, plan.effect(arm), alpha=plan.alpha_of_one)
        found.append(ArmPower(arm, plan.effect(arm), planned.std_error, planned.df, planned.power))
    return tuple(found)


def visits_power(plan: TrialPlan) -> tuple[ArmPower, ...]:
    """Power from the covariance of the visits taken as known, with N - arms - 1 degrees of freedom.

    The quick closed form: generalised least squares on the means of a person at a visit, a baseline that the arms
    share, expected losses. N counts the participants expected at the primary visit.
    """
    sizes = np.array(plan.sizes, dtype=float)
    shares = plan.shares_leaving
    if plan.complete_only:
        shares = np.append(np.zeros(shares.size - 1), shares[-1])
    counts = sizes[:, None] * shares[None, :]
    arms = list(plan.arms)
    variances = variance_of_differences(
        [plan.covariance(arm) for arm in arms], counts, visit=plan.primary, control=arms.index(plan.control)
    )
    df = max(1.0, float(counts[:, plan.primary :].sum()) - len(arms) - 1.0)
    found = []
    for arm in plan.treated:
        error = math.sqrt(float(variances[arms.index(arm)]))
        power = float(power_of_t(plan.effect(arm) / error, df, alpha=plan.alpha_of_one))
        found.append(ArmPower(arm, plan.effect(arm), error, df, power))
    return tuple(found)


def arm_looked_at(powers: tuple[ArmPower, ...]) -> ArmPower:
    """The arm with a planned effect whose power is smallest, of equals the first: the study is no stronger than that.

    Powers are equal when they are to nine digits; the order of sums leaves differences in the last ones.
    """
    differing = [power for power in powers if power.effect != 0.0]
    least = min(power.power for power in differing)
    return next(power for power in differing if not power.power > least + 1e-9)  # nan, from too few people, is least


def participants_for(plan: TrialPlan, *, by_model: bool = False, near: int | None = None) -> int:
    """Smallest number to be allocated with which every planned effect has the power wished for.

    Args:
        plan: the plan; its own number of participants is not used.
        by_model: by `model_power`, else by `visits_power`.
        near: the answer for a plan much like it, from which to look; it saves time and changes nothing else.

    Raises:
        DesignError: no number up to a million (by the model: 5,000) is enough.
    """
    compute = model_power if by_model else visits_power

    def enough(participants: int) -> bool:
        trying = plan.with_participants(participants)
        try:
            return min(trying.sizes) >= 2 and arm_looked_at(compute(trying)).power >= plan.power
        except (DesignError, FitError):
            return False  # so few people cannot carry the model at all

    most = _MOST_BY_MODEL if by_model else MOST
    return smallest(enough, low=3 * len(plan.arms), what="participants", most=most, guess=near)
