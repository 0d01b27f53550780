"""Limits of agreement between every two raters of a study."""

from __future__ import annotations

from functools import partial
from itertools import combinations

import pandas as pd

from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import counted, percent
from studykit.pictures.difference_mean import difference_picture
from studykit.reliability.limits import LIMBS, MEANS, UNLINKED, LimitsAnswer, limits_of_agreement
from studykit.reliability.study_readings import StudyReadings
from studykit.reliability.study_result import ReliabilityResult, Row, rows_frame, rows_numbers, rows_table


def limits_result(study: Study, readings: StudyReadings) -> ReliabilityResult | None:
    """Bias and limits of every pair of raters who shared targets; None where no two raters did.

    The picture shows the pair whose limits lie farthest apart.
    """
    pairs, without = _pairs(readings)
    if not pairs:
        return None
    widest = max(pairs, key=lambda pair: pair.upper - pair.lower)
    rows = [row for pair in pairs for row in _rows(pair, readings.unit)]
    confidence, name = readings.confidence, readings.measure.name
    bias, low, high = _rows(widest, readings.unit)
    more = f" (the farthest apart of {counted(len(pairs), 'pair')} of raters)" if len(pairs) > 1 else ""
    kind = "means of their readings" if widest.kind in (MEANS, LIMBS) else "single readings"
    return ReliabilityResult(
        key=f"reliability.{readings.key}.limits",
        title=f"Limits of agreement: {name}",
        headline=(
            f"{name}: {percent(widest.coverage)} of differences {widest.first} − {widest.second}{more} are expected "
            f"between {low.shown(confidence)} and {high.shown(confidence)} for {kind}, around a bias of "
            f"{bias.shown(confidence)}."
        ),
        cautions=(*widest.cautions, *without),
        methods=(
            f"Limits of agreement (Bland and Altman 1999) were computed for {widest.kind}; intervals of limits come "
            "from the noncentral t distribution where each person gave one difference, else from the intervals of the "
            "mean and of the variance combined (Zou 2013)."
        ),
        provenance=study.provenance(),
        tidy=rows_frame(rows, confidence),
        printed=rows_table(
            f"limits_{readings.key}", f"{name}: bias and limits of agreement{readings.where}", rows, confidence
        ),
        named=rows_numbers(rows),
        draw=partial(
            difference_picture,
            widest.points,
            bias=(widest.bias, *widest.bias_interval),
            lower=(widest.lower, *widest.lower_interval),
            upper=(widest.upper, *widest.upper_interval),
            measure=name,
            unit=readings.unit,
            first=widest.first,
            second=widest.second,
            coverage=widest.coverage,
            confidence=confidence,
        ),
    )


def _pairs(readings: StudyReadings) -> tuple[list[LimitsAnswer], list[str]]:
    """Every pair that shared two targets or more, and a sentence for each pair that did not."""
    found, without = [], []
    for pair in combinations(dict.fromkeys(readings.frame["rater_id"]), 2):
        both = readings.frame[readings.frame["rater_id"].isin(pair)]
        try:
            found.append(_limits(both, readings, pair))
        except DesignError as refusal:
            without.append(f"{pair[0]} and {pair[1]} are not compared. {refusal}")
    return found, without


def _limits(frame: pd.DataFrame, readings: StudyReadings, pair: tuple[str, str]) -> LimitsAnswer:
    counts = frame.groupby([*readings.target, "rater_id"]).size()
    repeats_everywhere = int(counts.min()) > 1
    single = readings.cluster is None and readings.readings == 1 and repeats_everywhere
    return limits_of_agreement(
        frame,
        target=readings.target,
        rater="rater_id",
        value="value",
        pair=pair,
        repeated="unlinked" if single else "mean",
        cluster=readings.cluster,
        confidence=readings.confidence,
        complete=True,
    )


def _rows(pair: LimitsAnswer, unit: str) -> list[Row]:
    key, label = f"{pair.first}-{pair.second}", f"{pair.first} − {pair.second}"
    exact = pair.pairs == pair.people and pair.kind != UNLINKED
    how = "noncentral t distribution" if exact else f"mean and variance combined ({pair.kind})"
    return [
        Row(f"{key}.bias", f"{label}: bias", pair.bias, *pair.bias_interval, unit, "t distribution", pair.reason),
        Row(f"{key}.lower", f"{label}: lower limit", pair.lower, *pair.lower_interval, unit, how),
        Row(f"{key}.upper", f"{label}: upper limit", pair.upper, *pair.upper_interval, unit, how),
    ]
