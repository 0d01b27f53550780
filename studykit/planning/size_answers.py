"""How many participants a trial needs, by several ways of analysing it, as an answer."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from studykit.errors import DesignError, FitError
from studykit.formatting import number, percent, with_unit
from studykit.numerics.planning.means import (
    ancova_size,
    ancova_size_approximate,
    design_effect,
    several_arms_power,
    slope_power,
    two_arm_size,
    two_arm_size_approximate,
)
from studykit.numerics.planning.wishes import smallest, with_loss
from studykit.planning.calculated import arm_looked_at, model_power, participants_for, visits_power
from studykit.planning.plan import TrialPlan, sizes_of_arms
from studykit.planning.power_words import which_to_go_by
from studykit.planning.words import amount, comparison_words, losses_words, planned_mdc
from studykit.protocol import Protocol
from studykit.result import Result
from studykit.table import Column, Table


@dataclass(frozen=True, slots=True)
class Size:
    """Participants that one way of analysing needs, all arms together.

    Attributes:
        key: short name; words: the same for a table.
        approximate: before rounding up, by the usual approximation; nan where there is none.
        exact: the smallest number that is enough, nobody leaving (the ways that know about losses: with them).
        to_allocate: with the allowance for those who leave before the primary visit.
    """

    key: str
    words: str
    approximate: float
    exact: int
    to_allocate: int


@dataclass(frozen=True, kw_only=True)
class TrialSizes(Result):
    """Participants needed for the wished power, from the plainest analysis to the one of the study.

    Attributes:
        plan: the plan.
        sizes: one for each way of analysing.
        sd, correlation: of a participant's mean at the primary visit, and of it with the baseline.
        limb_correlation: of two limbs of one person at one visit; nan with one limb.
    """

    plan: TrialPlan = field(repr=False)
    sizes: tuple[Size, ...] = field(repr=False)
    sd: float = field(repr=False)
    correlation: float = field(repr=False)
    limb_correlation: float = field(repr=False)

    def to_frame(self) -> pd.DataFrame:
        """One row a way of analysing: approximate and exact number, and how many to allocate."""
        return pd.DataFrame(
            {
                "analysis": [size.key for size in self.sizes],
                "participants_approximate": [size.approximate for size in self.sizes],
                "participants_exact": [size.exact for size in self.sizes],
                "participants_to_allocate": [size.to_allocate for size in self.sizes],
            }
        )

    def numbers(self) -> dict[str, float]:
        """`<analysis>.approximate`, `.exact` and `.to_allocate`; the SD and the correlations behind them."""
        named = {f"{size.key}.approximate": size.approximate for size in self.sizes}
        named |= {f"{size.key}.exact": float(size.exact) for size in self.sizes}
        named |= {f"{size.key}.to_allocate": float(size.to_allocate) for size in self.sizes}
        return {
            **named,
            f"sd_{self.plan.unit}": self.sd,
            "correlation_with_baseline": self.correlation,
            "limb_correlation": self.limb_correlation,
            f"mdc_of_one_person_{self.plan.unit}": planned_mdc(self.plan),
        }

    def table(self) -> Table:
        """One row a way of analysing."""
        rows = tuple(
            (
                size.words,
                "" if math.isnan(size.approximate) else number(size.approximate, 1),
                str(size.exact),
                str(size.to_allocate),
            )
            for size in self.sizes
        )
        notes = [
            f"SD of a participant's mean at {self.plan.visits[self.plan.primary].label}: "
            f"{with_unit(self.sd, 2, self.plan.unit)}; correlation with the baseline {number(self.correlation, 2)}.",
            f"All of these are calculated. {which_to_go_by(self.plan)}",
            f"{losses_words(self.plan)} The ways from 'all visits' on know who leaves when; the others are divided "
            "by the share that stays.",
        ]
        if self.plan.raters_in_all > self.plan.raters:
            notes.append(
                "Raters take turns: every way but the model of the study counts a rater's level as new error at every "
                "visit; the model estimates it, and needs fewer people."
            )
        if self.plan.limbs > 1:
            effect = design_effect(self.plan.limbs, self.limb_correlation)
            notes.append(
                f"The limbs of one person correlate by {number(self.limb_correlation, 2)} (design effect "
                f"{number(effect, 2)}): measuring both is worth {number(self.plan.limbs / effect, 2)} people measured "
                "on one limb, not two. All numbers count people."
            )
        return Table(
            "planning_sizes",
            f"Participants needed for a power of {percent(self.plan.power)}, all arms together",
            (
                Column("Analysis", "left"),
                Column("Usual approximation"),
                Column("Exact"),
                Column("To allocate"),
            ),
            rows,
            tuple(notes),
        )


def trial_sizes(protocol: Protocol, plan: TrialPlan) -> tuple[tuple[Size, ...], float, float, float]:
    """Numbers by t test, analysis of covariance, all visits, the model of the study, and the slope over doses.

    Returns:
        the sizes; the SD at the primary visit; its correlation with the baseline; the correlation of two limbs.
    """
    looked_at = arm_looked_at(visits_power(plan))
    covariance = plan.covariance(looked_at.arm)
    sd = math.sqrt(covariance[plan.primary, plan.primary])
    correlation = float(covariance[0, plan.primary] / (sd * math.sqrt(covariance[0, 0])))
    arms = list(plan.arms)
    control, treated = plan.ratios[arms.index(plan.control)], plan.ratios[arms.index(looked_at.arm)]
    ratio, whole = treated / control, sum(plan.ratios) / control
    lost, alpha = plan.lost_by[plan.primary], plan.alpha_of_one
    power = plan.power

    def sized(key: str, words: str, approximate: float, in_control: int) -> Size:
        exact = math.ceil(in_control * whole - 1e-9)
        return Size(key, words, approximate * whole, exact, with_loss(exact, lost))

    sizes = [
        sized(
            "t_test",
            "t test at the primary visit, no baseline",
            two_arm_size_approximate(looked_at.effect, sd, power=power, alpha=alpha, ratio=ratio),
            two_arm_size(looked_at.effect, sd, power=power, alpha=alpha, ratio=ratio)[0],
        ),
        sized(
            "ancova",
            "analysis of covariance with the baseline",
            ancova_size_approximate(looked_at.effect, sd, correlation, power=power, alpha=alpha, ratio=ratio),
            ancova_size(looked_at.effect, sd, correlation, power=power, alpha=alpha, ratio=ratio)[0],
        ),
    ]
    if len(arms) > 2:
        sizes.append(_any_difference_size(plan, sd))
    quick = participants_for(plan)
    model = participants_for(plan, by_model=True)
    sizes.append(Size("all_visits", "all visits, covariance known", math.nan, quick, quick))
    sizes.append(Size("model", "the mixed model of the study, Kenward–Roger", math.nan, model, model))
    slope = _slope_size(protocol, plan)
    if slope is not None:
        sizes.append(slope)
    return tuple(sizes), sd, correlation, _limb_correlation(plan)


def _any_difference_size(plan: TrialPlan, sd: float) -> Size:
    """Number for the F test that all arms have one mean at the primary visit, at the whole alpha."""
    means = np.array(plan.means)[:, plan.primary]

    def enough(participants: int) -> bool:
        shared = np.array(sizes_of_arms(participants, plan.ratios), dtype=float)
        return several_arms_power(shared, means, sd, alpha=plan.alpha) >= plan.power

    exact = smallest(enough, low=2 * len(means), what="participants")
    words = "F test of any difference at the primary visit"
    return Size("f_test", words, math.nan, exact, with_loss(exact, plan.lost_by[plan.primary]))


def _slope_size(protocol: Protocol, plan: TrialPlan) -> Size | None:
    """Number for a straight line of change over minutes a week; None with fewer than three doses or without a slope.

    The spread of a participant at the primary visit is what the analysis of all visits leaves: the SD that gives its
    standard error in two equal arms.
    """
    doses = [arm.dose.minutes_per_week if arm.dose else 0.0 for arm in protocol.arms.values()]
    if len(set(doses)) < 3:
        return None
    means = np.array(plan.means)[:, plan.primary]
    trial = plan.with_participants(1000 * sum(plan.ratios))
    sizes = np.array(trial.sizes, dtype=float)
    spread = np.array(doses) - sizes @ np.array(doses) / sizes.sum()
    slope = float((sizes * spread) @ means / ((sizes * spread) @ spread))
    if slope == 0.0:
        return None
    arms = list(plan.arms)
    looked_at = arm_looked_at(visits_power(trial))
    pair = 1.0 / sizes[arms.index(plan.control)] + 1.0 / sizes[arms.index(looked_at.arm)]
    left = looked_at.std_error / math.sqrt(pair)

    def enough(participants: int) -> bool:
        shared = np.array(sizes_of_arms(participants, plan.ratios), dtype=float)
        return slope_power(doses, shared, slope, left, alpha=plan.alpha) >= plan.power

    try:
        found = smallest(enough, low=len(doses) + 2, what="participants")
    except DesignError:
        return None
    return Size("dose_slope", "straight line over minutes a week", math.nan, found, found)


def _limb_correlation(plan: TrialPlan) -> float:
    """Correlation of the means of the two limbs of one person at the primary visit."""
    if plan.limbs == 1:
        return math.nan
    s, week = plan.spreads, plan.weeks[plan.primary]
    shared = (
        s.participant**2
        + 2.0 * s.slope_correlation * s.participant * s.slope * week
        + s.slope**2 * week**2
        + s.participant_visit**2
    )
    same = plan.raters_in_all == plan.raters
    shared += 0.0 if same else (s.rater**2 + s.participant_rater**2) / plan.raters
    repeats = plan.raters * (plan.trials if plan.trials_used == "all" else 1)
    own = s.limb**2 + s.limb_visit**2 + plan.variance_of_trials / repeats
    return shared / (shared + own)


def sizes_headline(plan: TrialPlan, sizes: tuple[Size, ...]) -> str:
    """The answer in a sentence, the study's own model first."""
    by_key = {size.key: size for size in sizes}
    looked_at = arm_looked_at(visits_power(plan))
    return (
        f"By calculation a power of {percent(plan.power)} to find a difference of "
        f"{amount(looked_at.effect, plan.unit)} takes {by_key['model'].to_allocate} participants "
        f"({by_key['t_test'].to_allocate} if only the primary visit were compared); the {plan.participants} planned "
        f"{_power_of_planned(plan)}."
    )


def _power_of_planned(plan: TrialPlan) -> str:
    try:
        return f"have a calculated power of {percent(arm_looked_at(model_power(plan)).power, 1)}"
    except (DesignError, FitError):
        return "are too few to be analysed"


def sizes_methods(plan: TrialPlan) -> str:
    """What was computed and how, for a paper."""
    return (
        f"Numbers are the smallest with the wished power, {comparison_words(plan)}. t test: noncentral t. F test: "
        "noncentral F at the whole alpha. Analysis of covariance: noncentral t with the residual SD, averaged over "
        "chance imbalance at the baseline; approximation: the number of the t test by the normal approximation times 1 "
        "− ρ² (Borm, Fransen & Lemmens 2007). All visits: generalised least squares with a constrained baseline (Lu "
        "2010) and expected losses. Model of the study: noncentral t with Kenward–Roger standard error and degrees of "
        "freedom at the planned variances. Line over doses: two-sided at the whole alpha."
    )
