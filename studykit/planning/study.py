"""Everything that follows from the [planning] table of a protocol, in the order in which it is read."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from html import escape
from pathlib import Path
from typing import Final

from studykit.display import in_notebook
from studykit.errors import CallError, DesignError, FitError, check_choice
from studykit.planning.agreement_answers import (
    AGREEMENT_CAUTIONS,
    AGREEMENT_METHODS,
    AgreementWidths,
    agreement_headline,
    agreement_needs,
    agreement_widths,
    agreement_wish,
)
from studykit.planning.calculated import arm_looked_at, model_power, participants_for
from studykit.planning.measuring_answers import MEASURING_METHODS, MeasuringPlan, measuring_headline, ways_to_measure
from studykit.planning.other_plans import PowerOfOtherPlans
from studykit.planning.plan import TrialPlan, trial_plan
from studykit.planning.power_answers import PlannedPower
from studykit.planning.power_words import other_plans_headline, power_headline, power_methods
from studykit.planning.reliability_answers import (
    RELIABILITY_METHODS,
    ReliabilitySizes,
    reliability_headline,
    reliability_wishes,
)
from studykit.planning.running import Progress, SimulatedPower, simulate_power
from studykit.planning.size_answers import TrialSizes, sizes_headline, sizes_methods, trial_sizes
from studykit.planning.words import NOT_FOR_A_PERSON, SUPPOSED, planned_provenance
from studykit.protocol import Protocol
from studykit.protocol.planning_model import PlanningPart, ReliabilityWishes
from studykit.result import Result

TITLES: Final = {
    "sizes": "How many participants?",
    "power": "How likely is the trial to find what it looks for?",
    "measuring": "What would measuring more buy?",
    "reliability": "How many targets to know the measurement error?",
}


@dataclass(frozen=True, slots=True)
class PlanPart:
    """One question about the plan: its answers, or the reason why there is none."""

    key: str
    title: str
    results: tuple[Result, ...]
    refusal: str = ""

    def _repr_html_(self) -> str:
        answers = "".join(f"<h4>{escape(one.title)}</h4>{one.to_html(heading='h5')}" for one in self.results)
        refused = f'<p class="unanswered">{escape(self.refusal)}</p>' if self.refusal else ""
        return in_notebook(f"<h3>{escape(self.title)}</h3>{answers}{refused}")


def plan_study(
    protocol: Protocol,
    *,
    only: Sequence[str] | None = None,
    executor: Executor | None = None,
    checkpoint: Path | None = None,
    progress: Progress | None = None,
) -> tuple[PlanPart, ...]:
    """Answer every question that the plan of a protocol allows.

    Args:
        protocol: with a [planning] table.
        only: keys of `TITLES`; every question that the protocol allows when left out. "power" alone simulates.
        executor: where trials are simulated; any executor of `concurrent.futures`, this process when left out.
        checkpoint: a file that keeps finished simulations, so that a run that was stopped goes on where it was.
        progress: called with the name of a plan and the number of trials that were finished.

    Raises:
        CallError: a key that is not known.
        DesignError: the protocol has no [planning] table, or one that asks for nothing.
    """
    for key in only or ():
        check_choice(key, TITLES, "only")
    part = protocol.planning
    if part is None:
        raise DesignError(
            "study.toml has no [planning] table, so there is nothing to plan with. Write down what you suppose; the "
            "end of the file that 'studykit start' makes has an example."
        )
    questions: dict[str, Callable[[], tuple[Result, ...]]] = {}
    if part.participants is not None:
        plan = trial_plan(protocol)
        questions["sizes"] = lambda: (_sizes(protocol, plan),)
        questions["power"] = lambda: _power(protocol, part, plan, executor, checkpoint, progress)
        questions["measuring"] = lambda: (_measuring(protocol, plan),)
    asked = part.reliability
    if asked is not None:
        questions["reliability"] = lambda: _reliability(protocol, part, asked)
    if not questions:
        raise DesignError(
            "[planning] in study.toml asks for nothing: write participants, smallest_difference and spread for a "
            "trial, or a [planning.reliability] table."
        )
    wanted = questions if only is None else {key: answer for key, answer in questions.items() if key in only}
    return tuple(_answered(key, answer) for key, answer in wanted.items())


def trials_at_most(protocol: Protocol) -> int:
    """Trials that `plan_study` will simulate at most, for a progress bar."""
    part = protocol.planning
    if part is None or part.participants is None:
        return 0
    plans = 3 + len(list(_variants(part, trial_plan(protocol))))  # as planned, without a difference, as calculated
    return plans * part.simulation.most_trials


def _answered(key: str, answer: Callable[[], tuple[Result, ...]]) -> PlanPart:
    try:
        return PlanPart(key, TITLES[key], answer())
    except (CallError, DesignError, FitError) as refusal:  # a CallError here is a wish of the protocol
        return PlanPart(key, TITLES[key], (), str(refusal))


def _sizes(protocol: Protocol, plan: TrialPlan) -> TrialSizes:
    _need_an_effect(plan)
    sizes, sd, correlation, limb_correlation = trial_sizes(protocol, plan)
    return TrialSizes(
        key="planning.sizes",
        title="Participants needed",
        headline=sizes_headline(plan, sizes),
        cautions=(SUPPOSED, NOT_FOR_A_PERSON, *_adjusting(protocol)),
        methods=sizes_methods(plan),
        provenance=planned_provenance(protocol),
        plan=plan,
        sizes=sizes,
        sd=sd,
        correlation=correlation,
        limb_correlation=limb_correlation,
    )


def _power(
    protocol: Protocol,
    part: PlanningPart,
    plan: TrialPlan,
    executor: Executor | None,
    checkpoint: Path | None,
    progress: Progress | None,
) -> tuple[Result, ...]:
    _need_an_effect(plan)
    wanted = part.simulation

    def simulated(name: str, some: TrialPlan) -> SimulatedPower:
        return simulate_power(
            some,
            seed=wanted.seed,
            half_width=wanted.half_width,
            most_trials=wanted.most_trials,
            executor=executor,
            checkpoint=checkpoint,
            name=name,
            progress=progress,
        )

    calculated = model_power(plan)
    base = simulated("as planned", plan)
    alarms = simulated("without any difference", plan.without_effect())
    variants = [*_as_calculated(plan), *_variants(part, plan)]
    others = [(name, some, simulated(name, some)) for name, some in variants]
    by_number = tuple(one for _, some, one in others if some == plan.with_participants(some.participants))
    answer = PlannedPower(
        key="planning.power",
        title="Power of the planned trial",
        headline=power_headline(plan, calculated, base),
        cautions=(NOT_FOR_A_PERSON, _AT_RANDOM, *_adjusting(protocol)),
        methods=power_methods(plan, base),
        provenance=planned_provenance(protocol, seed=wanted.seed),
        plan=plan,
        calculated=calculated,
        simulated=base,
        without_effect=alarms,
        others=by_number,
    )
    if not others:
        return (answer,)
    at = list(plan.treated).index(arm_looked_at(calculated).arm)
    best = [model_power(some)[at] for _, some, _ in others]
    beside = PowerOfOtherPlans(
        key="planning.other_plans",
        title="Other plans",
        headline=other_plans_headline(
            plan, tuple(name for name, _, _ in others), tuple(one.power[at] for _, _, one in others)
        ),
        cautions=("What the planned trial does not show, these plans do not show either.",),
        methods="As for the planned trial, each plan different from it in one thing.",
        provenance=planned_provenance(protocol, seed=wanted.seed),
        plan=plan,
        labels=tuple(name for name, _, _ in others),
        calculated=tuple(best),
        simulated=tuple(one for _, _, one in others),
    )
    return (answer, beside)


_AT_RANDOM: Final = (
    "People are supposed to leave at random. If those leave whom the treatment does not help, power is another and the "
    "difference itself may be off."
)


_FURTHEST: Final = 4
"""Times the planned number of participants up to which the calculated number is simulated too."""


def _as_calculated(plan: TrialPlan) -> list[tuple[str, TrialPlan]]:
    """The plan with the number of participants that has the power wished for by calculation, for a check of it."""
    try:
        needed = participants_for(plan, by_model=True)
    except DesignError:
        return []
    if needed == plan.participants or needed > _FURTHEST * plan.participants:
        return []
    return [(f"{needed} participants, as calculated", plan.with_participants(needed))]


def _variants(part: PlanningPart, plan: TrialPlan) -> Iterator[tuple[str, TrialPlan]]:
    """Every plan to compare, each different from the planned one in one thing; the planned one itself is left out."""
    made = [(f"{number} participants", plan.with_participants(number)) for number in part.compare.participants]
    labels = {visit.key: visit.label for visit in plan.visits}
    made += [
        (f"{len(keys)} visits ({', '.join(labels.get(key, key) for key in keys)})", plan.with_visits(keys))
        for keys in part.compare.visits
    ]
    made += [
        (f"{number} trial{'s' if number > 1 else ''} a visit", replace(plan, trials=number))
        for number in part.compare.trials
    ]
    made += [
        (
            f"{number} rater{'s' if number > 1 else ''} a visit",
            replace(plan, raters=number, raters_in_all=max(number, plan.raters_in_all)),
        )
        for number in part.compare.raters
    ]
    seen = [plan]
    for name, some in made:
        if some not in seen:
            seen.append(some)
            yield name, some


def _measuring(protocol: Protocol, plan: TrialPlan) -> MeasuringPlan:
    _need_an_effect(plan)
    ways = ways_to_measure(plan)
    return MeasuringPlan(
        key="planning.measuring",
        title="Trials and raters against participants",
        headline=measuring_headline(plan, ways),
        cautions=(
            SUPPOSED,
            "More trials in one sitting make the error of that sitting smaller; what differs from day to day stays.",
        ),
        methods=MEASURING_METHODS,
        provenance=planned_provenance(protocol),
        plan=plan,
        ways=ways,
    )


def _reliability(protocol: Protocol, part: PlanningPart, asked: ReliabilityWishes) -> tuple[Result, ...]:
    wishes, confidence = reliability_wishes(protocol, asked, part.power), protocol.study.confidence
    needs = None if asked.rater_share is None else agreement_needs(asked, confidence)
    if needs is not None:
        place = 1 + next(at for at, wish in enumerate(wishes) if wish.key == "icc_width")
        wishes = (*wishes[:place], agreement_wish(asked, needs), *wishes[place:])
    sizes = ReliabilitySizes(
        key="planning.reliability",
        title="Targets needed",
        headline=reliability_headline(wishes, asked),
        cautions=(
            "The numbers hold for readings that are normally distributed, equally spread and independent between "
            "targets.",
            "ICC numbers hold for the one-way and the consistency ICC. That of absolute agreement also depends on how "
            "much few raters differ"
            + (": see below." if needs else "; give rater_share in [planning.reliability] to plan for it."),
        ),
        methods=RELIABILITY_METHODS,
        provenance=planned_provenance(protocol),
        wishes=wishes,
        asked=asked,
    )
    if needs is None:
        return (sizes,)
    agreement = AgreementWidths(
        key="planning.agreement",
        title="Absolute agreement: more targets or more raters?",
        headline=agreement_headline(asked, needs, confidence),
        cautions=AGREEMENT_CAUTIONS,
        methods=AGREEMENT_METHODS,
        provenance=planned_provenance(protocol),
        asked=asked,
        confidence=confidence,
        needs=needs,
        widths=agreement_widths(asked, confidence, needs.planned),
    )
    return (sizes, agreement)


def _adjusting(protocol: Protocol) -> tuple[str, ...]:
    named = (*protocol.analysis.covariates, *protocol.analysis.strata)
    explained = (
        f"The analysis adjusts for {', '.join(named)}; the plan does not count on what that explains, so it is "
        "careful.",
    )
    line = (
        "The analysis holds the means to a straight line over the weeks; the plan gives every visit a mean of its own, "
        "so it is careful where the line holds.",
    )
    return (*(explained if named else ()), *(line if protocol.analysis.course == "straight line" else ()))


def _need_an_effect(plan: TrialPlan) -> None:
    if not any(plan.effect(arm) for arm in plan.treated):
        raise DesignError(
            "No arm is supposed to differ from the control arm at the primary visit, and no study can find a "
            "difference of nothing; write smallest_difference or [planning.change] in study.toml."
        )
