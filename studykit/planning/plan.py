"""The plan of a trial as numbers: sizes of arms, means and covariances of the visits, and who will have left."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy import special

from studykit.change.contrasts import EACH_ON_ITS_OWN, TOGETHER
from studykit.change.readings import change_visits
from studykit.errors import CallError, DesignError
from studykit.numerics.multiplicity import MOST_TOGETHER
from studykit.numerics.planning.visits import Spreads, covariance_of_visits, shares_of_patterns
from studykit.protocol import Protocol, Visit
from studykit.protocol.planning_model import PlannedSpread, PlanningPart

FEWEST_IN_AN_ARM: Final = 2


@dataclass(frozen=True, slots=True)
class TrialPlan:
    """Everything that decides what the data of a trial will look like; a plain value that can be sent to a worker.

    Attributes:
        arms: arm key -> label; control: key of the control arm.
        ratios: participants of each arm for one of another, in the order of `arms`.
        participants: to be allocated, all arms together.
        visits: of the model of change, the baseline first; primary_visit: key of the one that the trial is judged by.
        means: (arms, visits) mean change from the baseline, in `unit`.
        spreads: standard deviations of one reading.
        limbs, trials, raters: measured at one visit; raters_in_all: who take turns.
        lost_by: (visits,) share of participants who have left before each visit.
        trials_used: what becomes of the trials of one visit; more_is_better: for the best of them.
        complete_only: only participants who came to every visit are used.
        multiplicity: what the analysis does about several comparisons, in the protocol's words.
        alpha: of all of them together; power: wished for; measure, unit: what is measured.
    """

    arms: dict[str, str]
    control: str
    ratios: tuple[int, ...]
    participants: int
    visits: tuple[Visit, ...]
    primary_visit: str
    means: tuple[tuple[float, ...], ...]
    spreads: Spreads
    limbs: int
    trials: int
    raters: int
    raters_in_all: int
    lost_by: tuple[float, ...]
    trials_used: str
    more_is_better: bool
    complete_only: bool
    multiplicity: str
    alpha: float
    power: float
    measure: str
    unit: str

    @property
    def weeks(self) -> tuple[float, ...]:
        """Weeks of the visits, counted from the baseline."""
        return tuple(visit.week - self.visits[0].week for visit in self.visits)

    @property
    def primary(self) -> int:
        """Place of the primary visit among the visits."""
        return [visit.key for visit in self.visits].index(self.primary_visit)

    @property
    def treated(self) -> tuple[str, ...]:
        """Every arm but the control, in order."""
        return tuple(arm for arm in self.arms if arm != self.control)

    @property
    def comparisons(self) -> int:
        """Among how many the analysis shares its alpha; 1 when each stands on its own."""
        return 1 if self.multiplicity == EACH_ON_ITS_OWN else len(self.treated)

    @property
    def alpha_of_one(self) -> float:
        """Alpha of one comparison where power is calculated: Bonferroni's, below which no rule of the kit goes."""
        return self.alpha / self.comparisons

    @property
    def sizes(self) -> tuple[int, ...]:
        """Participants of each arm: shares by the ratios, whole numbers by largest remainder."""
        return sizes_of_arms(self.participants, self.ratios)

    @property
    def shares_leaving(self) -> np.ndarray:
        """(visits,) share of people whose last visit is each visit."""
        return shares_of_patterns(self.lost_by)

    def effect(self, arm: str) -> float:
        """Planned difference of an arm from the control arm at the primary visit, in `unit`."""
        keys = list(self.arms)
        return self.means[keys.index(arm)][self.primary] - self.means[keys.index(self.control)][self.primary]

    @property
    def variance_of_trials(self) -> float:
        """Variance from trial to trial of what enters the analysis: one trial, the mean, or the best of them."""
        one = self.spreads.trial**2
        if self.trials_used == "mean":
            return one / self.trials
        return one * variance_of_best(self.trials) if self.trials_used == "best" else one

    def covariance(self, arm: str) -> np.ndarray:
        """(V, V) covariance of a participant's means at the visits."""
        repeats = self.trials if self.trials_used == "all" else 1
        return covariance_of_visits(
            self.weeks,
            replace(self.spreads, trial=math.sqrt(self.variance_of_trials)),
            limbs=self.limbs,
            raters=self.raters,
            trials=repeats,
            treated=arm != self.control,
            same_raters=self.raters_in_all == self.raters,
        )

    def with_participants(self, participants: int) -> TrialPlan:
        """The same plan with another number of participants."""
        return replace(self, participants=participants)

    def with_visits(self, keys: tuple[str, ...]) -> TrialPlan:
        """The same plan with some of its visits.

        Raises:
            CallError: the baseline or the primary visit is not among them, or there is no such visit.
        """
        known = [visit.key for visit in self.visits]
        if not {known[0], self.primary_visit} <= set(keys) or not set(keys) <= set(known):
            raise CallError(f"A set of visits needs {known[0]!r}, {self.primary_visit!r} and others out of {known}.")
        kept = [place for place, key in enumerate(known) if key in keys]
        return replace(
            self,
            visits=tuple(self.visits[place] for place in kept),
            means=tuple(tuple(row[place] for place in kept) for row in self.means),
            lost_by=tuple(self.lost_by[place] for place in kept),
        )

    def without_effect(self) -> TrialPlan:
        """The same plan when every arm changes as the control arm does."""
        return replace(self, means=(self.means[list(self.arms).index(self.control)],) * len(self.arms))


def trial_plan(protocol: Protocol) -> TrialPlan:
    """The plan of the protocol's own trial.

    Raises:
        DesignError: the protocol plans no trial, or too few people for its arms.
    """
    part, control = protocol.planning, protocol.control_arm
    if part is None or part.spread is None or part.participants is None or part.smallest_difference is None:
        raise DesignError(
            "The protocol does not say what was supposed; write participants, smallest_difference and spread under "
            "[planning] in study.toml."
        )
    if control is None or protocol.study.primary_visit is None:
        raise DesignError(
            "A trial is planned around a control arm and a primary visit; the protocol lacks one of them."
        )
    alpha = 1.0 - protocol.study.confidence
    if part.power <= alpha:
        raise DesignError(
            f"power under [planning] is {part.power:g}, no more than alpha ({alpha:g}), which chance alone gives; ask "
            "for 0.8."
        )
    visits, _ = change_visits(protocol)
    plan = TrialPlan(
        arms={key: arm.label for key, arm in protocol.arms.items()},
        control=control,
        ratios=tuple(part.ratio.get(key, 1) for key in protocol.arms),
        participants=part.participants,
        visits=visits,
        primary_visit=protocol.study.primary_visit,
        means=_means(protocol, part, visits),
        spreads=_spreads(part.spread),
        limbs=part.limbs,
        trials=part.trials,
        raters=part.raters,
        raters_in_all=part.raters_in_all or max(part.raters, len(protocol.raters)),
        lost_by=_lost_by(part, visits),
        trials_used=protocol.study.trials_used,
        more_is_better=protocol.primary.better != "lower",
        complete_only=protocol.study.missing_visits == "complete participants",
        multiplicity=protocol.analysis.multiplicity,
        alpha=alpha,
        power=part.power,
        measure=protocol.primary.name,
        unit=protocol.primary.unit,
    )
    if min(plan.sizes) < FEWEST_IN_AN_ARM:
        raise DesignError(
            f"{part.participants} participants leave an arm with {min(plan.sizes)}; plan at least {FEWEST_IN_AN_ARM} "
            "in each."
        )
    if plan.multiplicity == TOGETHER and len(plan.treated) > MOST_TOGETHER:
        raise DesignError(
            f"{len(plan.treated)} comparisons with the control arm are too many for their joint distribution (at most "
            f'{MOST_TOGETHER}); choose multiplicity = "holm" under [analysis].'
        )
    return plan


def sizes_of_arms(participants: int, ratios: tuple[int, ...]) -> tuple[int, ...]:
    """Whole numbers that sum to `participants` and follow the ratios by largest remainder; of equals the first."""
    shares = [participants * ratio / sum(ratios) for ratio in ratios]
    sizes = [int(share) for share in shares]
    by_remainder = sorted(range(len(ratios)), key=lambda arm: (sizes[arm] - shares[arm], arm))
    for arm in by_remainder[: participants - sum(sizes)]:
        sizes[arm] += 1
    return tuple(sizes)


def variance_of_best(trials: int) -> float:
    """Variance of the largest of so many standard normal deviates: density t Phi^(t - 1) phi, integrated on a grid.

    The trapezoid rule on a smooth density that has vanished at both ends is exact to about twelve digits.
    """
    z = np.linspace(-9.0, 9.0, 3601)
    density = trials * special.ndtr(z) ** (trials - 1) * np.exp(-0.5 * z**2)
    density = density / density.sum()
    mean = float(density @ z)
    return float(density @ (z - mean) ** 2)


def _spreads(part: PlannedSpread) -> Spreads:
    return Spreads(
        participant=part.participant,
        limb=part.limb,
        participant_visit=part.participant_visit,
        limb_visit=part.limb_visit,
        rater=part.rater,
        participant_rater=part.participant_rater,
        trial=part.trial,
        slope=part.slope_per_week,
        slope_correlation=part.slope_correlation,
        further_slope=part.further_slope_per_week,
    )


def _means(protocol: Protocol, part: PlanningPart, visits: tuple[Visit, ...]) -> tuple[tuple[float, ...], ...]:
    """Mean change by arm and visit: as written, else a straight line over the weeks to the smallest difference."""
    weeks = np.array([visit.week - visits[0].week for visit in visits])
    until = next(week for week, visit in zip(weeks, visits, strict=True) if visit.key == protocol.study.primary_visit)
    made = []
    for key in protocol.arms:
        written = part.change.get(key)
        if written is not None:
            known = [visit for visit in visits[1:] if visit.key in written]
            at = [0.0, *(visit.week - visits[0].week for visit in known)]
            made.append(tuple(float(m) for m in np.interp(weeks, at, [0.0, *(written[visit.key] for visit in known)])))
            continue
        helped = key != protocol.control_arm and part.arm_with in {None, key}
        whole = part.smallest_difference if helped and part.smallest_difference is not None else 0.0
        made.append(tuple(float(whole * week / until) for week in weeks))
    return tuple(made)


def _lost_by(part: PlanningPart, visits: tuple[Visit, ...]) -> tuple[float, ...]:
    lost = [0.0]
    for visit in visits[1:]:
        lost.append(max(lost[-1], part.lost_by.get(visit.key, lost[-1])))
    return tuple(lost)
