"""The sentences around single people: what was counted, and what it does not show."""

from __future__ import annotations

from typing import Any, Final

import pandas as pd

from studykit.change.readings import ChangeReadings
from studykit.data.study import Study
from studykit.formatting import (
    counted,
    decimals_for_width,
    estimate,
    listed,
    number,
    percent,
    share_difference,
    share_estimate,
    with_unit,
)
from studykit.individuals.changes import BOTH_LIMBS, PersonChanges, direction_words
from studykit.numerics.individual_response import signed_root
from studykit.protocol import Measure
from studykit.protocol.analysis_model import ImportantChange

ROUTE_WORDS: Final = {
    "by_visits": "Error between visits, from the mixed model of change",
    "by_sitting": "Error of the reliability readings (SEM)",
}
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
_REGRESSION: Final = (
    "Regression to the mean: a first value that lies a distance d from the mean is followed, in an unchanged person, "
    "by one that lies on average (1 − r) d nearer, r being the reliability of one value; r is the lasting part of the "
    "variance of a visit by the mixed model of change, and 1 − SEM²/SD² by the reliability readings."
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
    for row in shares[shares["outcome"] == better].to_dict("records"):
        share = share_estimate(row["share"], row["low"], row["high"], confidence=confidence)
        text = f"{row['count']} of {row['people']}, {share}, in “{changes.arms[row['arm']]}”"
        if row["difference"] == row["difference"]:
            more = share_difference(row["difference"], row["difference_low"], row["difference_high"])
            text += f" (difference from control {more})"
        said.append(text)
    mdc = with_unit(changes.usual_mdc, decimals_for_width(changes.usual_mdc), measure.unit)
    return (
        f"{measure.name} {words.lower()} by more than the MDC of one person ({mdc}) from the first visit to {visit} in "
        f"{'; '.join(said)}."
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


def people_headline(study: Study, measure: Measure, people: pd.DataFrame, visit: str, mdc: float) -> str:
    """How far raw changes spread, and what is left of it once error is allowed for."""
    raw = _sd_within(people, "change")
    decimals = decimals_for_width(raw)
    amounts = (raw, _sd_within(people, "shrunken"), float((people["shrunken_se"] ** 2).mean() ** 0.5))
    spread, drawn, error = (with_unit(amount, decimals, measure.unit) for amount in amounts)
    return (
        f"Raw changes of single people in {_small(measure.name)} at {visit} spread around the mean of their "
        f"{_group(study)} with a standard deviation of {spread}; estimates that allow for error spread with {drawn}, "
        f"and each of them is uncertain by about {error} (one standard error).{_beside_mdc(mdc, measure.unit)}"
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
        f"{direction_words(measure)} Nobody's own numbers are printed or written to a file; the picture shows marks "
        "without codes.",
        *changes.small_note(),
    )


def response_headline(
    measure: Measure,
    rows: pd.DataFrame,
    arms: dict[str, str],
    control: str,
    *,
    visit: str,
    confidence: float,
    mdc: float,
) -> str:
    """SD of the individual response of each treated arm; of all together first where there are several."""
    treated = rows[rows["arm"] != control]
    first = treated.iloc[-1]
    said = [
        f"{_sd(first, measure.unit, confidence)} in {_named(arms[str(first['arm'])], several=len(treated) > 1)}",
        *(f"{_sd(row, measure.unit, None)} in “{arms[row['arm']]}”" for row in treated.iloc[:-1].to_dict("records")),
    ]
    negative = treated[treated["variance"] < 0.0]
    below = (
        f" In {counted(len(negative), 'row')} the changes spread less than in the control arm; the minus sign says so."
        if len(negative)
        else ""
    )
    return (
        f"Beyond the control arm's spread, changes in {_small(measure.name)} at {visit} differed between people with a "
        f"standard deviation of {'; '.join(said)}.{below}{_beside_mdc(mdc, measure.unit)}"
    )


def response_cautions(rows: pd.DataFrame, control: str, *, by_model: bool) -> tuple[str, ...]:
    """What a spread of responses does not show."""
    treated = rows[rows["arm"] != control]
    spanning = int(((treated["low"] < 0.0) & (treated["high"] > 0.0)).sum())
    undecided = (
        (
            f"{spanning} of {counted(len(treated), 'interval')} {'holds' if spanning == 1 else 'hold'} zero: the data "
            "agree with everybody responding alike, and do not show that they do.",
        )
        if spanning
        else ()
    )
    return (
        "The spread holds everything by which treated people came to differ, how much they did at home among it; it "
        "does not say who responds, nor that a response could be foretold.",
        *undecided,
        "It rests on equal measurement error in all arms and on groups formed by chance. Very large groups are needed "
        "to know a spread well: with 24 people an arm the interval is wide.",
        *(
            ()
            if by_model
            else ("People who left before the primary visit are in no spread here; those who stay may be more alike.",)
        ),
    )


def response_methods(*, by_model: bool) -> str:
    """How the spread of responses was found."""
    closed = (
        "the variance of the raw changes in an arm less that in the control arm (Hopkins 2015, Journal of Applied "
        "Physiology 118, 1444–1446; Atkinson and Batterham 2015, Experimental Physiology 100, 577–588), with the "
        "interval for a difference of two mean squares of Ting et al. (1990)"
    )
    if by_model:
        return (
            "The variance of the individual response is the variance of people's slopes in a treated arm beyond that "
            "in the control arm, in the mixed model of change, times the squared weeks to the primary visit. For the "
            "interval each of the two variances was taken to be as uncertain as a mean square with its standard error "
            f"(expected information). Beside it stands {closed}. Variances below zero are kept; a standard deviation "
            "is the root of the variance with its sign."
        )
    return (
        f"The variance of the individual response is {closed}. Variances below zero are kept; a standard deviation is "
        "the root of the variance with its sign."
    )


def response_notes(changes: PersonChanges) -> tuple[str, ...]:
    """Lines below the table of spreads."""
    return (
        "A standard deviation with a minus sign stands for a variance below zero: changes spread less than in the "
        "control arm.",
        *changes.small_note(),
    )


def regression_headline(measure: Measure, sd: float, routes: pd.DataFrame, mdc: float) -> str:
    """Size of the regression to the mean for somebody who begins one SD below the mean."""
    said = [
        f"{with_unit(abs(row['expected']), decimals_for_width(abs(row['expected'])), measure.unit)} "
        f"({_small(ROUTE_WORDS[row['route']])}; reliability "
        f"{number(row['reliability'], 2)})"
        for row in routes.to_dict("records")
    ]
    return (
        f"{measure.name}: somebody whose first value lies one standard deviation "
        f"({with_unit(sd, decimals_for_width(sd), measure.unit)}) from the mean is expected to lie nearer to it the "
        f"next time, without any change, by {' or '.join(said)}.{_beside_mdc(mdc, measure.unit)}"
    )


def regression_cautions(study: Study) -> tuple[str, ...]:
    """When regression to the mean misleads."""
    trial = study.protocol.study.design == "trial"
    whom = (
        "Arms formed by chance regress alike, so that the difference from control is free of it; the change within one "
        "arm is not, and neither is the change of a person or of those who began lowest."
        if trial
        else "There is no control group: if people came because they were at their stiffest, part of the change shown "
        "elsewhere in this report is regression to the mean, by up to this much for each standard deviation."
    )
    return (
        whom,
        "The first values here are those of the people taken in. If a limit on the first value decided who was taken "
        "in, their spread is too small and the regression is larger than shown.",
        "Reliability by one sitting leaves out what differs from day to day, so that it gives the smaller regression.",
    )


def regression_methods(*, in_control: bool) -> str:
    """How regression to the mean was found."""
    seen = " The slope of change on first value in the control arm is by least squares." if in_control else ""
    return f"{_REGRESSION}{seen}"


def regression_notes(study: Study, measure: Measure, mean: float, sd: float, *, in_control: bool) -> tuple[str, ...]:
    """Lines below the table of regression to the mean."""
    decimals = decimals_for_width(sd)
    centre, spread = (with_unit(amount, decimals, measure.unit) for amount in (mean, sd))
    return (
        f"First values, means over limbs: mean {centre}, standard deviation within {_group(study)}s {spread}. "
        "Somebody two standard deviations away regresses twice as far.",
        *(("Seen in the control arm: slope of change on first value times one SD.",) if in_control else ()),
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


def _sd(row: Any, unit: str, confidence: float | None) -> str:
    values = (signed_root(float(row[name])) for name in ("variance", "low", "high"))
    return estimate(*values, unit=unit, confidence=confidence)


def _group(study: Study) -> str:
    return "arm" if study.protocol.study.design == "trial" else "group"


def _small(name: str) -> str:
    """A name with a small first letter, for the middle of a sentence."""
    return name if name[1:2].isupper() else name[0].lower() + name[1:]


def _beside_mdc(mdc: float, unit: str) -> str:
    return f" The MDC of one person is {with_unit(mdc, decimals_for_width(mdc), unit)}." if mdc == mdc else ""


def _named(label: str, *, several: bool) -> str:
    return "all treated arms together" if several else f"“{label}”"
