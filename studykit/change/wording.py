"""The sentences around a change: what was done, and what the number does not show."""

from __future__ import annotations

import math
from typing import Final

import pandas as pd

from studykit.change.beside import MdcBeside, place_beside, place_in_words
from studykit.change.contrasts import EACH_ON_ITS_OWN, HOLM
from studykit.change.model import ChangeModel
from studykit.change.readings import STRAIGHT_LINE, ChangeReadings
from studykit.change.terms import FURTHER_IN, TERM_WORDS
from studykit.data.study import Study
from studykit.formatting import counted, estimate, level, listed, number, p_value, percent, unit_sign
from studykit.protocol import Measure

ANGLE: Final = (
    "A change in angle is no proof of a longer muscle: tolerance to stretch, warmth and effort on the day change the "
    "angle too."
)
MDC_IS_FOR_ONE: Final = (
    "The MDC is about one person: how far two measurements of the same person can lie apart by measurement error "
    "alone. Errors average out over a group, so a mean can be well established and yet smaller than the MDC; it then "
    "says little about any one person."
)
NO_MDC: Final = (
    "No MDC of this measure is at hand from this study's own readings, so how the change compares with the error of "
    "one measurement is not shown."
)
ASSIGNED: Final = (
    "The comparison is between arms as allocated, whatever was done at home: it shows the effect of being asked, "
    "not of the minutes done. Minutes done stand in a part of their own."
)
WITHIN_ARM: Final = (
    "The change within one arm holds everything that happened in that time (practice with the test, season, chance at "
    "the first visit); only the difference from the control arm is an effect of the allocation."
)
NO_CONTROL: Final = (
    "There is no control group: these people might have changed by as much without treatment. People who come when "
    "they are at their stiffest tend to be nearer their usual at the next visit (regression to the mean)."
)
NOT_ALLOCATED: Final = (
    "Nobody was allocated to a pathway by chance: pathways differ in the people who take them, so their changes are "
    "not to be compared as effects."
)


def difference_headline(study: Study, readings: ChangeReadings, model: ChangeModel, mdc: MdcBeside | None) -> str:
    """Difference from control of every arm at the primary visit, with its interval, beside the MDC."""
    measure = study.protocol.measures[readings.measure]
    visit = study.protocol.visit(readings.primary_visit).label
    control = readings.arms[readings.control or ""]
    found = _found(study, readings, model.differences, mdc)
    return (
        f"{measure.name} at {visit} differed from the control arm ({control}) by {'; by '.join(found)}."
        f"{mdc_sentence(mdc, measure.unit)}"
    )


def change_headline(study: Study, readings: ChangeReadings, model: ChangeModel, mdc: MdcBeside | None) -> str:
    """Change of every arm from the baseline to the primary visit, with its interval, beside the MDC."""
    measure = study.protocol.measures[readings.measure]
    first, last = readings.visits[0].label, study.protocol.visit(readings.primary_visit).label
    found = _found(study, readings, model.changes, mdc)
    return f"{measure.name} changed from {first} to {last} by {'; by '.join(found)}.{mdc_sentence(mdc, measure.unit)}"


def _found(study: Study, readings: ChangeReadings, estimates: pd.DataFrame, mdc: MdcBeside | None) -> list[str]:
    """One clause an arm at the primary visit: number, unit, interval, where it lies against the MDC."""
    unit, confidence = study.protocol.measures[readings.measure].unit, study.protocol.study.confidence
    at = estimates[estimates["visit"] == readings.primary_visit]
    clauses = []
    for row in at.itertuples():
        words = place_in_words(place_beside(row.low, row.high, mdc))
        found = estimate(row.estimate, row.low, row.high, unit=unit, confidence=confidence)
        found = f"{found[:-1]}, {words})" if words else found
        clauses.append(
            f"{found} in \N{LEFT DOUBLE QUOTATION MARK}{readings.arms[row.arm]}\N{RIGHT DOUBLE QUOTATION MARK}"
        )
    return clauses


def difference_cautions(
    study: Study, readings: ChangeReadings, model: ChangeModel, mdc: MdcBeside | None
) -> tuple[str, ...]:
    """What a difference between arms does not show."""
    several = _several(study, readings, model)
    return (
        *_beside(mdc, readings, study),
        ANGLE,
        ASSIGNED,
        *several,
        *_secondary(study, readings),
        *_common(study, readings, model),
    )


def _several(study: Study, readings: ChangeReadings, model: ChangeModel) -> tuple[str, ...]:
    """What several comparisons with one control mean for p values and intervals."""
    count = int((model.differences["visit"] == readings.primary_visit).sum())
    if count < 2:
        return ()
    comparisons = f"{counted(count, 'comparison')} with one control"
    pairs = (
        ("The comparisons of two treated arms are further ones, and answer another question.",)
        if len(model.pairs)
        else ()
    )
    if model.multiplicity == EACH_ON_ITS_OWN:
        return (f"{comparisons}: each interval stands alone and is not widened for there being several.", *pairs)
    if model.multiplicity == HOLM:
        return (
            f"{comparisons}: p values are adjusted for there being several (Holm's rule); each interval stands alone "
            "and is not widened, so an interval without zero and an adjusted p may disagree.",
            *pairs,
        )
    return (
        f"{comparisons}: p values are adjusted and intervals widened so that all of them hold at once with "
        f"{percent(study.protocol.study.confidence)} confidence.",
        *pairs,
    )


def several_notes(model: ChangeModel) -> tuple[str, ...]:
    """A line below a table of differences: whether interval and p are adjusted for several comparisons."""
    if model.multiplicity == EACH_ON_ITS_OWN or model.differences["arm"].nunique() < 2:
        return ()
    if model.multiplicity == HOLM:
        return ("p is adjusted for several comparisons by Holm's rule; intervals stand alone.",)
    return ("p and intervals are adjusted so that all comparisons with the control hold at once.",)


def change_cautions(
    study: Study, readings: ChangeReadings, model: ChangeModel, mdc: MdcBeside | None
) -> tuple[str, ...]:
    """What a change within a group does not show."""
    design: tuple[str, ...]
    if study.protocol.study.design == "trial":
        design = (WITHIN_ARM,)
    else:
        design = (NO_CONTROL, NOT_ALLOCATED) if len(readings.arms) > 1 else (NO_CONTROL,)
    return (
        *_beside(mdc, readings, study),
        ANGLE,
        *design,
        *_secondary(study, readings),
        *_common(study, readings, model),
    )


def methods_words(study: Study, readings: ChangeReadings, model: ChangeModel, *, differences: bool) -> str:
    """The sentences for a paper, with the choices that were really made."""
    part = study.protocol.study
    trial = part.design == "trial"
    means = (
        "the arms sharing one mean at the baseline and having a mean of their own at every later visit (constrained "
        "baseline)"
        if trial
        else "a mean for every visit" + (" of every pathway" if len(readings.arms) > 1 else "")
    )
    if model.course == STRAIGHT_LINE:
        means = _line_words(readings, trial=trial)
    asked = "Differences from the control arm" if differences else "Changes from the baseline"
    rule = (
        "All visits that were made were used, which is valid when the chance to miss a visit depends only on readings "
        "that were taken (missing at random)."
        if part.missing_visits == "all observed visits"
        else "Only participants measured at every visit were used, which is valid when who missed a visit had nothing "
        "to do with the angle."
    )
    families = _families_words(model) if differences else ""
    means += _adjusting_words(readings)
    return (
        f"The outcome was {readings.outcome_words} ({counted(model.rows, 'row')}, "
        f"{counted(model.participants, 'participant')}). A linear mixed model was fitted by restricted maximum "
        f"likelihood, {means}, with {_random_words(model, len(readings.arms))} {asked} are given "
        f"with {level(part.confidence)}s from the standard errors and degrees of freedom of Kenward and Roger (1997, "
        f"Biometrics 53, 983–997; expected information). {families}{rule}"
    )


def _line_words(readings: ChangeReadings, *, trial: bool) -> str:
    if trial:
        return (
            "the arms sharing one mean at the baseline (constrained baseline) and the mean of each arm changing from "
            "there along a straight line over the weeks"
        )
    each = "the mean of every pathway" if len(readings.arms) > 1 else "the mean"
    return f"{each} changing from the baseline along a straight line over the weeks"


def _course(model: ChangeModel) -> tuple[str, ...]:
    """What a straight line takes for granted, and how the visits' own means agree with it."""
    if model.course != STRAIGHT_LINE:
        return ()
    said = "The protocol takes the mean of a group to change by as much in one week as in any other; a change that "
    said += "comes early or levels off is shown wrongly by such a line."
    test = model.departure
    if test is None:
        return (f"{said} Whether the visits' own means depart from it could not be tested.",)
    below = number(test.df2, 1) if math.isfinite(test.df2) else "∞"
    p = p_value(test.p)
    return (
        f"{said} The visits' own means against the line: F({test.df1}, {below}) = {number(test.f, 2)}, p "
        f"{p if p[0] in '<>' else f'= {p}'} (Kenward–Roger). A small p speaks against the line; a large p does not "
        "prove it.",
    )


def _adjusting_words(readings: ChangeReadings) -> str:
    """What the means are adjusted for."""
    adjusting = readings.adjusting
    if not adjusting.named:
        return ""
    strata = " (strata of the allocation)" if adjusting.strata else ""
    said = [listed(list(adjusting.covariates), most=len(adjusting.covariates))] if adjusting.covariates else []
    said += [listed(list(adjusting.strata), most=len(adjusting.strata)) + strata] if adjusting.strata else []
    return f", adjusted for {' and '.join(said)} with effects of their own at every visit and the same in all arms"


def _families_words(model: ChangeModel) -> str:
    """How several comparisons were taken together."""
    if model.multiplicity == EACH_ON_ITS_OWN or model.differences["arm"].nunique() < 2:
        return ""
    if model.multiplicity == HOLM:
        return (
            "The p values of the comparisons with the control arm at one visit were adjusted by the step-down rule of "
            "Holm (1979, Scand. J. Stat. 6, 65–70). "
        )
    pairs = " (comparisons of treated arms: Holm's p values and Bonferroni intervals)" if len(model.pairs) else ""
    return (
        "The comparisons with the control arm at one visit were taken together: p values and intervals follow from the "
        "multivariate t distribution with the Kenward–Roger covariance of these comparisons, after Dunnett (1955, J. "
        f"Am. Stat. Assoc. 50, 1096–1121), each at its own degrees of freedom{pairs}. "
    )


def _random_words(model: ChangeModel, groups: int) -> str:
    """The random terms, and in plain words what they take for granted about one person's readings."""
    intercepts = f"random intercepts of {listed([TERM_WORDS[term] for term in model.terms], most=len(model.terms))}"
    if not model.slopes:
        return f"{intercepts}{_assumed_without_slopes(model, groups)}."
    arms = sum(slope.startswith(FURTHER_IN) for slope in model.slopes)
    further = (
        ", and for every participant of an arm other than the control arm a further random slope, independent of these "
        "and with a variance of its own in each arm"
    )
    spread = "and in each of those arms by an amount of its own, no less than in the control arm"
    return (
        f"{intercepts}, and for every participant a random slope over the weeks since the baseline, correlated with "
        f"the participant's intercept{further if arms else ''}. People are thereby taken to differ in how fast they "
        "change, steadily over the weeks, so that their changes spread the more the later the visit"
        f"{f', {spread}' if arms else '; that spread is taken as the same in all groups' if groups > 1 else ''}. "
        "These terms follow from the plan of the study and were not chosen by the readings."
    )


def _assumed_without_slopes(model: ChangeModel, groups: int) -> str:
    if model.changes["visit"].nunique() > 1:
        return "; readings of one participant at any two visits are thereby taken as equally correlated"
    return "; the spread of changes is thereby taken as the same in all groups" if groups > 1 else ""


def reading_notes(readings: ChangeReadings, mdc: MdcBeside | None, measure: Measure) -> tuple[str, ...]:
    """Lines below a table of change: direction, the MDC, the limbs, and what was left out."""
    unit = measure.unit
    better = "" if measure.better == "neither" else f"; {measure.better} is better for this measure"
    direction = f"Positive: the readings went up{better}."
    beside = (f"MDC of one person: {mdc.in_words(unit)}; {mdc.words}.",) if mdc is not None else ()
    limbs = ("Both limbs of a person are modelled as belonging together, never as two people.",)
    return (direction, *beside, *(limbs if readings.two_sided else ()), *readings.notes)


def _common(study: Study, readings: ChangeReadings, model: ChangeModel) -> tuple[str, ...]:
    measure = study.protocol.measures[readings.measure]
    return (*_course(model), *_missing(readings, study), *_boundary(model), *measure.cautions)


def _beside(mdc: MdcBeside | None, readings: ChangeReadings, study: Study) -> tuple[str, ...]:
    if mdc is None:
        return (NO_MDC,)
    if not mdc.has_interval:
        return (MDC_IS_FOR_ONE,)
    unit = study.protocol.measures[readings.measure].unit
    known = (
        f"The MDC is an estimate too, {mdc.in_words(unit)}: “within”, “including” and “beyond” are judged against its "
        "value and would move with it."
    )
    return (MDC_IS_FOR_ONE, known)


def _secondary(study: Study, readings: ChangeReadings) -> tuple[str, ...]:
    if readings.measure == study.protocol.study.primary_measure:
        return ()
    return ("This is not the primary measure of the protocol: with several measures, one may stand out by chance.",)


def _missing(readings: ChangeReadings, study: Study) -> tuple[str, ...]:
    seen = readings.rows.groupby("participant_id")["visit"].nunique()
    if bool((seen == len(readings.visits)).all()) and study.protocol.study.missing_visits == "all observed visits":
        return ()
    if study.protocol.study.missing_visits == "complete participants":
        return (
            "Those who missed a visit are not in this number; if they differ, it is not about everybody who began.",
        )
    return (
        "If people stayed away because of how they were doing, in ways their readings do not show, this is biased.",
    )


def _boundary(model: ChangeModel) -> tuple[str, ...]:
    if not model.boundary:
        return ()
    return (f"{' '.join(model.boundary)} That is an answer, not an error: the data show none, they do not prove none.",)


def mdc_sentence(mdc: MdcBeside | None, unit: str) -> str:
    """The MDC with unit and interval as a sentence that follows another; nothing when there is none."""
    return f" The MDC of one person is {mdc.in_words(unit)}." if mdc is not None else ""


def heading(words: str, unit: str) -> str:
    """A column heading with its unit sign in brackets."""
    sign = unit_sign(unit).strip()
    return f"{words} ({sign})" if sign else words
