"""The sentences around missing visits that were filled in."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from studykit.change.beside import MdcBeside
from studykit.change.wording import ANGLE, MDC_IS_FOR_ONE, mdc_sentence
from studykit.data.study import Study
from studykit.formatting import counted, decimals_for_width, estimate, listed, with_unit
from studykit.missing_visits.imputing import Completed
from studykit.missing_visits.people import PeopleByVisit
from studykit.missing_visits.shifts import Tipping


def sign_of_worse(better: str) -> int:
    """+1 where worse means a lower reading, -1 where it means a higher one; lower where neither is better."""
    return -1 if better == "lower" else 1


def headline(study: Study, people: PeopleByVisit, arms: Sequence[Tipping], mdc: MdcBeside | None) -> str:
    """The pooled answer of every arm, and for each what would change the conclusion."""
    readings = people.readings
    measure = study.protocol.measures[readings.measure]
    visit = study.protocol.visit(readings.primary_visit).label
    found = []
    for arm in arms:
        pooled = arm.shifted.at(0.0)
        low, high = pooled.limits(study.protocol.study.confidence)
        number = estimate(
            float(pooled.estimate[0]),
            float(low[0]),
            float(high[0]),
            unit=measure.unit,
            confidence=study.protocol.study.confidence,
        )
        found.append(f"{number} in “{readings.arms[arm.question.arm]}”")
    asked = (
        f"{measure.name} at {visit}, with missing visits filled in, differed from the control arm by"
        if readings.control is not None
        else f"{measure.name}, with missing visits filled in, changed to {visit} by"
    )
    changes = " ".join(_conclusions(study, people, arms))
    return f"{asked} {'; by '.join(found)}. {changes}{mdc_sentence(mdc, measure.unit)}"


def _conclusions(study: Study, people: PeopleByVisit, arms: Sequence[Tipping]) -> list[str]:
    """A sentence for every arm, or for all arms of which the same is true."""
    said: dict[str, list[str]] = {}
    for arm in arms:
        label = f"“{people.readings.arms[arm.question.arm]}”"
        said.setdefault(_conclusion(study, people, arm), []).append(label)
    return [words.replace("<arms>", listed(labels, most=len(labels))) for words, labels in said.items()]


def _conclusion(study: Study, people: PeopleByVisit, arm: Tipping) -> str:
    """What would have to be true of those who left for the conclusion to change; `<arms>` stands for the arm."""
    unit = study.protocol.measures[people.readings.measure].unit
    label = "<arms>"
    what = "difference" if people.readings.control is not None else "change"
    limit = with_unit(arm.limit, decimals_for_width(arm.limit), unit)
    if arm.left == 0:
        return f"Nobody left {label}."
    shown = int(arm.shifted.says(0.0, study.protocol.study.confidence)[0]) != 0
    if shown and np.isnan(arm.worse):
        return f"For {label} the conclusion holds even if those who left did up to {limit} worse than expected."
    if shown:
        by = with_unit(arm.worse, decimals_for_width(arm.worse), unit)
        return f"For {label} the conclusion changes if those who left did {by} worse than expected."
    said = [
        f"{with_unit(shift, decimals_for_width(shift), unit)} {word}"
        for shift, word in ((arm.better, "better"), (arm.worse, "worse"))
        if not np.isnan(shift)
    ]
    if not said:
        return f"For {label} no {what} is shown, and none would be if those who left did up to {limit} worse or better."
    return f"For {label} no {what} is shown; one would be if those who left did {' or '.join(said)} than expected."


def cautions(study: Study, people: PeopleByVisit, arms: Sequence[Tipping]) -> tuple[str, ...]:
    """What filled-in readings do not show."""
    better = study.protocol.measures[people.readings.measure].better
    worse = {"higher": "lower", "lower": "higher", "neither": "lower (for this measure neither is better)"}[better]
    few = max((arm.left for arm in arms), default=0)
    return (
        "Filled-in readings are predictions: they say what those who left would have read if they went on like people "
        "of their arm with the same earlier readings. Nobody can check that from these data.",
        f"Worse means {worse}. How much worse is believable is a judgement about these people and their reasons; the "
        f"largest number of them in an arm here is {few}.",
        MDC_IS_FOR_ONE,
        ANGLE,
    )


def methods(study: Study, people: PeopleByVisit, completed: Completed, sds: float) -> str:
    """What was done, for a paper."""
    readings = people.readings
    named = people.adjusting.named
    covariates = f", {', '.join(named)}" if named else ""
    analysis = (
        "an analysis of covariance of the mean over the limbs at "
        f"{study.protocol.visit(readings.primary_visit).label} by arm and baseline{covariates}"
        if readings.control is not None
        else "the mean change of each group"
    )
    own = (
        "a mean and a covariance of its own in each arm"
        if completed.by_arm
        else "means by arm and one covariance for all"
    )
    count = len(completed.values)
    visits = "the visits" if completed.between else "the baseline and the primary visit"
    who = counted(len(people.values), "participant")
    return (
        f"Missing visits of all {who} who were allocated were filled in {count} times from a multivariate normal model "
        f"of {visits} with {own}{' and the covariates' if named else ''}, by data augmentation with parameters drawn "
        "anew for every set (Schafer 1997, Analysis of Incomplete Multivariate Data; seed "
        f"{study.protocol.analysis.seed}); every set was analysed by {analysis}, and the results pooled by the rules "
        "of Rubin (1987) with the degrees of freedom of Barnard and Rubin (1999, Biometrika 86, 948–955). The readings "
        "filled in for those who left were then shifted, and the smallest shift that changes whether the interval "
        f"holds zero was sought up to {sds:g} standard deviations of people about their expected value."
    )


def notes(study: Study, people: PeopleByVisit, mdc: MdcBeside | None) -> tuple[str, ...]:
    """Lines below the table: direction, the MDC, limbs."""
    measure = study.protocol.measures[people.readings.measure]
    better = "" if measure.better == "neither" else f"; {measure.better} is better for this measure"
    beside = (f"MDC of one person: {mdc.in_words(measure.unit)}; {mdc.words}.",) if mdc is not None else ()
    limbs = ("A person's reading is the mean over the limbs.",) if people.readings.two_sided else ()
    return (f"Positive: the readings went up{better}.", *beside, *limbs)
