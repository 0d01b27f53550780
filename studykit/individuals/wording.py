"""The sentences around single people: what was counted, and what it does not show."""

from __future__ import annotations

from typing import Final

import pandas as pd

from studykit.change.readings import ChangeReadings
from studykit.data.study import Study
from studykit.formatting import (
    counted,
    decimals_for_width,
    listed,
    percent,
    share_difference,
    share_estimate,
    with_unit,
)
from studykit.individuals.changes import BOTH_LIMBS, PersonChanges, direction_words
from studykit.protocol import Measure
from studykit.protocol.analysis_model import ImportantChange

CUT: Final = (
    "A share counts people on either side of a line and forgets how far from it they are: two people a tenth of a "
    "degree apart may be counted differently. The mean change with its interval says more about an arm."
)
NOT_CAUSED: Final = (
    "A person beyond the MDC changed by more than error; what brought the change about is not shown by one person. "
    "Only the difference of shares between arms speaks of the allocation, and it is not the share of people helped."
)
NOT_WITHOUT_CONTROL: Final = (
    "There is no control group: how many would have passed the MDC without treatment is not known."
)
ERROR_IS_NOT_IMPORTANCE: Final = (
    "The MDC says what is more than measurement error. It does not say what matters to a person."
)


def important_change(study: Study, measure: str) -> ImportantChange | None:
    """What the protocol says matters, where it speaks of this measure and a direction is the better one."""
    if measure != study.protocol.study.primary_measure or study.protocol.measures[measure].better == "neither":
        return None
    return study.protocol.analysis.important_change


def responders_headline(
    measure: Measure, shares: pd.DataFrame, changes: PersonChanges, visit: str, confidence: float
) -> str:
    """The share beyond the MDC for the better of each arm, and in trials its difference from control."""
    better, words = next(iter(changes.outcomes.items()))
    said = []
    for place, row in enumerate(shares[shares["outcome"] == better].to_dict("records")):
        named = confidence if place == 0 else None
        inside = [_open(share_estimate(row["share"], row["low"], row["high"], confidence=named))]
        if row["difference"] == row["difference"]:
            more = share_difference(row["difference"], row["difference_low"], row["difference_high"])
            inside.append(f"difference from control {_open(more)}")
        said.append(f"{row['count']} of {row['people']} in “{changes.arms[row['arm']]}” ({'; '.join(inside)})")
    mdc = with_unit(changes.usual_mdc, decimals_for_width(changes.usual_mdc), measure.unit)
    limbs = " for the mean of both limbs" if changes.mean_of_both_limbs else ""
    return (
        f"{measure.name} {words.lower()} by more than the MDC of one person ({mdc}{limbs}) from the first visit to "
        f"{visit} in {'; '.join(said)}."
    )


def responders_cautions(
    study: Study, readings: ChangeReadings, changes: PersonChanges, by_error: float
) -> tuple[str, ...]:
    """What shares do not show."""
    trial = study.protocol.study.design == "trial"
    day = (
        (
            f"The MDC is that of readings in one sitting. By the visits of this study, where days and raters change "
            f"too, {percent(by_error)} of unchanged people would lie beyond it on either side, not {percent(0.05)}.",
        )
        if by_error == by_error and by_error > 0.0
        else ()
    )
    missing = sum(changes.not_measured.values())
    gone = (
        (
            f"{counted(missing, 'participant')} of these groups had no reading at both visits and are in no share; "
            "if they left because of how they did, the shares are off.",
        )
        if missing
        else ()
    )
    return (
        CUT,
        NOT_CAUSED if trial else NOT_WITHOUT_CONTROL,
        ERROR_IS_NOT_IMPORTANCE,
        *day,
        *gone,
        *_limbs(changes),
        *study.protocol.measures[readings.measure].cautions,
    )


def responders_methods(control: str | None) -> str:
    """How shares were counted."""
    against = (
        "; differences from the control arm have the interval of Newcombe (1998, Statistics in Medicine 17, 873–890, "
        "method 10)"
        if control is not None
        else ""
    )
    return (
        "A participant's change is the mean over the limbs read both at the baseline and at the primary visit; it is "
        "beyond the MDC where it is larger than the minimal detectable change at 95% of such a value. Shares have "
        f"Wilson's interval{against}."
    )


def responders_notes(
    study: Study, readings: ChangeReadings, changes: PersonChanges, by_error: float
) -> tuple[str, ...]:
    """Lines below the table of shares."""
    measure = study.protocol.measures[readings.measure]
    used = changes.people.groupby("limbs")["mdc"].first()
    amounts = [
        f"{with_unit(value, decimals_for_width(value), measure.unit)} for "
        f"{'the mean of both limbs' if limbs == BOTH_LIMBS else 'one limb'}"
        for limbs, value in used.items()
    ]
    important = important_change(study, readings.measure)
    matters = (
        (f"Smallest change said to matter: {important.value:g} {measure.unit}. Source: {important.source}",)
        if important is not None
        else ("The protocol names no smallest change that matters, so none is shown.",)
    )
    expected = (f"By error between visits alone: {percent(by_error)} beyond the MDC.",) if by_error == by_error else ()
    return (
        f"{direction_words(measure)} MDC at 95%: {listed(amounts)}.",
        *matters,
        *expected,
        *changes.small_note(),
    )


def people_headline(study: Study, measure: Measure, people: pd.DataFrame, visit: str, beside: str) -> str:
    """How far raw changes spread, and what is left of it once error is allowed for."""
    raw = _sd_within(people, "change")
    decimals = decimals_for_width(raw)
    amounts = (raw, _sd_within(people, "shrunken"), float((people["shrunken_se"] ** 2).mean() ** 0.5))
    spread, drawn, error = (with_unit(amount, decimals, measure.unit) for amount in amounts)
    return (
        f"Raw changes of single people in {in_a_sentence(measure.name)} at {visit} spread around the mean of their "
        f"{group_word(study)} with a standard deviation of {spread}; estimates that allow for error spread with "
        f"{drawn}, and each of them is uncertain by about {error} (one standard error).{beside}"
    )


def people_cautions(changes: PersonChanges) -> tuple[str, ...]:
    """What estimates of single people do not show."""
    return (
        "A shrunken estimate is the better guess on average over people; for one person it may be the worse one, and "
        "somebody who truly stands out is drawn in too far.",
        "Order and extremes of the raw changes owe much to error: the largest raw change is likely to be smaller when "
        "measured again.",
        "Shrunken estimates spread less than true changes do; how differently people respond is a question of its own, "
        "answered by the spread beyond the control arm.",
        *_limbs(changes),
        *changes.small_note(),
    )


def people_methods(*, by_model: bool) -> str:
    """How single changes were estimated."""
    if by_model:
        return (
            "A participant's shrunken change is the best linear unbiased prediction (empirical Bayes) by the mixed "
            "model of change: the mean change of such a person plus the person's own random slopes times the weeks. "
            "Its error allows for the estimated means; variances are taken as known."
        )
    return (
        "With two visits each change was drawn towards the mean of its arm by the share of the spread within arms that "
        "is error, the error variance of a change being (MDC / z)² (empirical Bayes)."
    )


def people_notes(study: Study, readings: ChangeReadings, changes: PersonChanges) -> tuple[str, ...]:
    """Lines below the table of single people."""
    measure = study.protocol.measures[readings.measure]
    return (
        f"{direction_words(measure)} Nobody's own numbers are printed; the picture shows marks without codes.",
        *changes.small_note(),
    )


def _limbs(changes: PersonChanges) -> tuple[str, ...]:
    limbs = changes.people["limbs"]
    if not (limbs == BOTH_LIMBS).any():
        return ()
    one = int((limbs == 1).sum())
    mixed = f" {counted(one, 'participant')} had one limb read at both visits." if one else ""
    return (
        f"The change of a person with both limbs read is the mean over them: one limb may have changed by more.{mixed}",
    )


def _sd_within(people: pd.DataFrame, name: str) -> float:
    within = people[name] - people.groupby("arm")[name].transform("mean")
    return float(((within**2).sum() / (len(people) - people["arm"].nunique())) ** 0.5)


def _open(text: str) -> str:
    """An estimate without brackets of its own, to stand inside others: "35%, 17 to 59%"."""
    return text.replace(" (", ", ").removesuffix(")")


def group_word(study: Study) -> str:
    return "arm" if study.protocol.study.design == "trial" else "group"


def in_a_sentence(name: str) -> str:
    """A name with a small first letter, for the middle of a sentence."""
    return name if name[1:2].isupper() else name[0].lower() + name[1:]


def beside_mdc(changes: PersonChanges, unit: str) -> str:
    """A sentence with the usual MDC, which says so where it is that of both limbs together; nothing without one."""
    mdc = changes.usual_mdc
    if mdc != mdc:
        return ""
    limbs = ", for the mean of both limbs," if changes.mean_of_both_limbs else ""
    return f" The MDC of one person{limbs} is {with_unit(mdc, decimals_for_width(mdc), unit)}."
