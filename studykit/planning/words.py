"""Sentences that several answers about a plan share."""

from __future__ import annotations

import math

from studykit.formatting import counted, decimals_for_width, interval, listed, number, percent, with_unit
from studykit.numerics.precision import mdc
from studykit.planning.plan import TrialPlan
from studykit.protocol import Protocol, protocol_sha256
from studykit.provenance import Provenance, installed_versions

SUPPOSED = (
    "Every number follows from what was supposed under [planning]. A spread that is really a quarter larger asks for "
    "about half as many participants again; look at the spreads of your own readings before you fix a number."
)
NOT_FOR_A_PERSON = (
    "A difference that a trial can find in the mean of many people may be far too small to be seen in one of them; "
    "compare it with the minimal detectable change of one person."
)


def planned_provenance(protocol: Protocol, *, seed: int | None = None) -> Provenance:
    """Provenance of an answer that needs no data."""
    return Provenance("", protocol_sha256(protocol), installed_versions(), seed)


def error_variance(plan: TrialPlan) -> float:
    """Variance of the error in one participant's mean at a visit, in the unit of the measure squared.

    What would differ if the same unchanged person came on another day: the visit, the raters of that day, the trials.
    """
    s = plan.spreads
    same = plan.raters_in_all == plan.raters
    raters = 0.0 if same else (s.rater**2 + s.participant_rater**2) / plan.raters
    repeats = plan.trials if plan.trials_used == "all" else 1
    return (
        s.participant_visit**2
        + s.limb_visit**2 / plan.limbs
        + raters
        + plan.variance_of_trials / (plan.limbs * plan.raters * repeats)
    )


def planned_mdc(plan: TrialPlan) -> float:
    """Minimal detectable change at 95 % of one participant's mean at a visit, from the planned spreads."""
    return float(mdc(error_variance(plan) ** 0.5, confidence=0.95))


def amount(value: float, unit: str) -> str:
    """A planned amount with its unit, to as many decimals as it was written with, three at most."""
    off = [abs(value * 10**places - math.floor(value * 10**places + 0.5)) for places in range(3)]
    decimals = next((places for places, rest in enumerate(off) if rest < 1e-9), 3)
    return with_unit(value, decimals, unit)


def share_with_interval(share: float, low: float, high: float, named: str = "") -> str:
    """A share with its Monte Carlo interval, such as 83.8% (82.1 to 85.4%); `named` stands inside the brackets."""
    decimals = decimals_for_width(100.0 * (high - low))
    return f"{percent(share, decimals)} ({named}{interval(100.0 * low, 100.0 * high, decimals)}%)"


def quoted(label: str) -> str:
    """A label of the protocol in quotation marks, so that it is not read as a word of the sentence."""
    return f"\N{LEFT DOUBLE QUOTATION MARK}{label}\N{RIGHT DOUBLE QUOTATION MARK}"


def measured_words(plan: TrialPlan) -> str:
    """What is measured at a visit, in words."""
    limbs = "one limb" if plan.limbs == 1 else "both limbs"
    trials = counted(plan.trials, "trial")
    used = {"mean": "their mean is used", "all": "every one is used", "best": "the best is used"}[plan.trials_used]
    raters = f"{counted(plan.raters, 'rater')} out of {plan.raters_in_all}" if plan.raters_in_all > 1 else "one rater"
    return f"{limbs}, {trials} ({used}), {raters}" if plan.trials > 1 else f"{limbs}, one trial, {raters}"


def losses_words(plan: TrialPlan) -> str:
    """Who is expected to have left, in words."""
    if plan.lost_by[-1] == 0.0:
        return "Nobody is expected to leave."
    told = [
        f"{percent(share)} by {visit.label}"
        for visit, share, before in zip(plan.visits[1:], plan.lost_by[1:], plan.lost_by, strict=False)
        if share > before
    ]
    return f"Expected to have left: {listed(told)}."


def comparison_words(plan: TrialPlan) -> str:
    """At which alpha one comparison stands where power is calculated."""
    if plan.comparisons == 1:
        return f"two-sided at {number(plan.alpha, 2)}, each comparison on its own"
    return (
        f"two-sided at {number(plan.alpha_of_one, 4)} for each comparison ({number(plan.alpha, 2)} shared among "
        f"{plan.comparisons} after Bonferroni; the rule of the analysis finds no fewer)"
    )
