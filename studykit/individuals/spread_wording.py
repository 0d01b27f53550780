"""The sentences around how differently people responded, and around regression to the mean."""

from __future__ import annotations

from typing import Any, Final

import pandas as pd

from studykit.data.study import Study
from studykit.formatting import counted, decimals_for_width, estimate, number, with_unit
from studykit.individuals.changes import PersonChanges
from studykit.individuals.wording import group_word, in_a_sentence
from studykit.numerics.individual_response import signed_root
from studykit.protocol import Measure

ROUTE_WORDS: Final = {
    "by_visits": "Error between visits, from the mixed model of change",
    "by_sitting": "Error of the reliability readings (SEM)",
}
_REGRESSION: Final = (
    "Regression to the mean: a first value that lies a distance d from the mean is followed, in an unchanged person, "
    "by one that lies on average (1 − r) d nearer, r being the reliability of one value; r is the lasting part of the "
    "variance of a visit by the mixed model of change, and 1 − SEM²/SD² by the reliability readings."
)


def response_headline(
    measure: Measure,
    rows: pd.DataFrame,
    arms: dict[str, str],
    control: str,
    *,
    visit: str,
    confidence: float,
    beside: str,
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
        f"Beyond the control arm's spread, changes in {in_a_sentence(measure.name)} at {visit} differed between people "
        f"with a standard deviation of {'; '.join(said)}.{below}{beside}"
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
        "A standard deviation is the root of a variance that is known badly: on average it lies below the true one.",
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


def regression_headline(measure: Measure, sd: float, routes: pd.DataFrame, beside: str) -> str:
    """Size of the regression to the mean for somebody who begins one SD below the mean."""
    said = [
        f"{with_unit(abs(row['expected']), decimals_for_width(abs(row['expected'])), measure.unit)} "
        f"({in_a_sentence(ROUTE_WORDS[row['route']])}; reliability "
        f"{number(row['reliability'], 2)})"
        for row in routes.to_dict("records")
    ]
    return (
        f"{measure.name}: somebody whose first value lies one standard deviation "
        f"({with_unit(sd, decimals_for_width(sd), measure.unit)}) from the mean is expected to lie nearer to it the "
        f"next time, without any change, by {' or '.join(said)}.{beside}"
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
        f"First values, means over limbs: mean {centre}, standard deviation within {group_word(study)}s {spread}. "
        "Somebody two standard deviations away regresses twice as far.",
        *(("Seen in the control arm: slope of change on first value times one SD.",) if in_control else ()),
    )


def _sd(row: Any, unit: str, confidence: float | None) -> str:
    values = (signed_root(float(row[name])) for name in ("variance", "low", "high"))
    return estimate(*values, unit=unit, confidence=confidence)


def _named(label: str, *, several: bool) -> str:
    return "all treated arms together" if several else f"“{label}”"
