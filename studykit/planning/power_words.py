"""Sentences about power, calculated and simulated, and which of the two to go by."""

from __future__ import annotations

from studykit.change.contrasts import EACH_ON_ITS_OWN, HOLM
from studykit.change.terms import FEWEST_WEEKS_FOR_SLOPES
from studykit.formatting import NO_BREAK, decimals_for_width, listed, number, percent, with_unit
from studykit.planning.calculated import ArmPower, arm_looked_at
from studykit.planning.plan import TrialPlan
from studykit.planning.running import SimulatedPower
from studykit.planning.words import amount, comparison_words, planned_mdc, quoted, share_with_interval

TWO_WAYS = (
    "Calculated: what the planned variances give, at once. Simulated: how many of many trials, drawn from the plan and "
    "analysed as the study will be, find the arm."
)


def power_headline(plan: TrialPlan, calculated: tuple[ArmPower, ...], simulated: SimulatedPower) -> str:
    """The answer: the arm with the smallest calculated power, any and all of several, beside the MDC."""
    looked_at = arm_looked_at(calculated)
    at = list(plan.treated).index(looked_at.arm)
    share = share_with_interval(
        simulated.power[at], simulated.low[at], simulated.high[at], f"95%{NO_BREAK}Monte Carlo interval "
    )
    arms = f"{quoted(plan.arms[looked_at.arm])} and {quoted(plan.arms[plan.control])}"
    several = ""
    if len(plan.treated) > 1:
        any_arm, all_arms = len(plan.treated), len(plan.treated) + 1
        several = (
            f" {_some_of(plan)} is found in {percent(simulated.power[any_arm])} of the simulated trials, "
            f"every one in {percent(simulated.power[all_arms])}."
        )
    return (
        f"With {plan.participants} participants the trial finds a difference of {amount(looked_at.effect, plan.unit)} "
        f"between {arms} with a simulated power of {share}; calculated {percent(looked_at.power, 1)}, wished for "
        f"{percent(plan.power)}.{several} The minimal detectable change of one person would be "
        f"{with_unit(planned_mdc(plan), 1, plan.unit)}."
    )


def _some_of(plan: TrialPlan) -> str:
    differing = sum(1 for arm in plan.treated if plan.effect(arm) != 0.0)
    return f"At least one of the {differing} arms that are supposed to differ" if differing > 1 else "The one arm"


def which_to_go_by(plan: TrialPlan) -> str:
    """When the simulated power is to be preferred to the calculated one: one sentence, from the design alone.

    With three visits or more the analysis estimates how differently people change. A spread planned as zero is
    estimated as zero or more, so that standard errors are a little too wide, by less the more people there are. No
    correction is made: what the planned information says of it is far too much (DEVELOPERS.md has the figures).
    """
    s = plan.spreads
    slopes_modelled = len(set(plan.weeks)) >= FEWEST_WEEKS_FOR_SLOPES
    if not slopes_modelled and (s.slope > 0.0 or s.further_slope > 0.0):
        return (
            "With two visits the model has no term for people who change at different rates, so that the calculated "
            "power is only close: go by the simulated one."
        )
    if slopes_modelled and (s.slope == 0.0 or s.further_slope == 0.0):
        supposed = (
            "People are supposed to change at one rate"
            if s.slope == 0.0
            else "In treated arms rates of change are supposed to differ no more than in the control arm"
        )
        return (
            f"{supposed}; the analysis cannot know it and allows for more, so that with few people the calculated "
            "power is a few points too high: go by the simulated one."
        )
    return (
        "Nothing in this design sets calculation and simulation apart; where they differ by more than chance, go by "
        "the simulated one."
    )


def how_they_agree(calculated: ArmPower, share: float, low: float, high: float) -> str:
    """Whether the calculated power of an arm lies inside the Monte Carlo interval of the simulated one."""
    decimals = decimals_for_width(100.0 * (high - low))
    if low <= calculated.power <= high:
        return "Here the two agree: the calculated power lies inside the Monte Carlo interval of the simulated one."
    off = number(100.0 * abs(calculated.power - share), decimals)
    side = "high" if calculated.power > high else "low"
    return (
        f"Here the two part: the calculated power is about {off} points too {side}, and lies outside the Monte Carlo "
        "interval of the simulated one."
    )


def several_notes(plan: TrialPlan) -> tuple[str, ...]:
    """What several arms mean for the rows of a table of power."""
    if len(plan.treated) == 1:
        return ()
    level = percent(plan.alpha)
    if plan.multiplicity == EACH_ON_ITS_OWN:
        return (
            f"Each comparison is tested on its own at {level}, so that findings where nothing differs add up over the "
            "arms.",
        )
    named = "Holm" if plan.multiplicity == HOLM else "all comparisons together"
    return (
        f"Calculated at Bonferroni's share of alpha. Simulated by the analysis' own rule ({named}), which finds no "
        f"fewer and keeps findings where nothing differs, in any arm, at {level}.",
    )


def power_methods(plan: TrialPlan, simulated: SimulatedPower) -> str:
    """What was computed and how, for a paper."""
    return (
        f"Power is that of the difference from the control arm at {plan.visits[plan.primary].label} in the mixed model "
        "of the analysis (constrained baseline, random terms from the design) with Kenward–Roger tests. Calculated: "
        f"noncentral t at the planned variances (Stroup 2002), {comparison_words(plan)}. Simulated: {simulated.trials} "
        "trials drawn from the planned means and variances, people leaving at random, each fitted by REML and tested "
        f"{_rule_words(plan)}; seed {simulated.seed}."
    )


def _rule_words(plan: TrialPlan) -> str:
    whole = f"two-sided at {number(plan.alpha, 2)}"
    if plan.comparisons == 1:
        return whole
    if plan.multiplicity == HOLM:
        return f"{whole} for all comparisons at the visit after Holm (1979), on the p values of each trial"
    return (
        f"{whole} for all comparisons at the visit by their joint t distribution (Dunnett 1955), with the covariance "
        "of each trial"
    )


def other_plans_headline(plan: TrialPlan, names: tuple[str, ...], power: tuple[float, ...]) -> str:
    """Which of the other plans reach the power wished for, simulated."""
    enough = [quoted(name) for name, share in zip(names, power, strict=True) if share >= plan.power]
    wished = f"the {percent(plan.power)} wished for (simulated)"
    if len(names) == 1:
        return f"The other plan {'reaches' if enough else 'does not reach'} {wished}."
    if not enough:
        return f"None of {len(names)} other plans reaches {wished}."
    reach = "reaches" if len(enough) == 1 else "reach"
    return f"Of {len(names)} other plans {len(enough)} {reach} {wished}: {listed(enough)}."
