"""Limits of agreement between every two raters of a study, and between every two of its sessions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
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

Pairs = tuple[list[LimitsAnswer], list[str]]
"""Every pair that could be compared, and a sentence for each that could not."""


@dataclass(frozen=True, slots=True)
class _Question:
    """Whose differences are asked about: the ending of the key, the title, and the words for one side of a pair."""

    key: str
    title: str
    looks: str
    table: str


_OF_RATERS = _Question("limits", "Limits of agreement", "raters", "limits")
_OF_SESSIONS = _Question("retest", "From one session to another", "sessions", "retest")


def limits_results(study: Study, readings: StudyReadings) -> list[ReliabilityResult]:
    """Bias and limits of every pair of raters who shared targets, and of every pair of sessions.

    The picture shows the pair whose limits lie farthest apart.
    """
    asked = [(_OF_RATERS, rater_pairs(readings))]
    if readings.sessions:
        asked.append((_OF_SESSIONS, retest_pairs(readings)))
    return [_result(study, readings, question, pairs) for question, pairs in asked if pairs[0]]


def rater_pairs(readings: StudyReadings) -> Pairs:
    """Every two raters; in several sessions their readings are paired within a session."""
    names = list(dict.fromkeys(readings.frame["rater_id"]))
    return _pairs(readings, "rater_id", list(combinations(names, 2)), paired_by="session" if readings.sessions else "")


def retest_pairs(readings: StudyReadings) -> Pairs:
    """Every two sessions, the later minus the earlier, readings paired within a rater."""
    pairs = [(later, earlier) for earlier, later in combinations(readings.sessions, 2)]
    return _pairs(readings, "session", pairs, paired_by="rater_id")


def _result(study: Study, readings: StudyReadings, question: _Question, found: Pairs) -> ReliabilityResult:
    pairs, without = found
    widest = max(pairs, key=lambda pair: pair.upper - pair.lower)
    rows = [row for pair in pairs for row in _rows(pair, readings.unit)]
    confidence, name = readings.confidence, readings.measure.name
    bias, low, high = _rows(widest, readings.unit)
    more = f" (the farthest apart of {counted(len(pairs), 'pair')} of {question.looks})" if len(pairs) > 1 else ""
    means = widest.kind in (MEANS, LIMBS) if not readings.sessions else readings.readings > 1
    kind = "means of their readings" if means else "single readings"
    counts = {
        f"{_pair_key(pair)}.{what}": float(getattr(pair, what))
        for pair in pairs
        for what in ("people", "targets", "pairs")
    }
    return ReliabilityResult(
        key=f"reliability.{readings.key}.{question.key}",
        title=f"{question.title}: {name}",
        headline=(
            f"{name}: {percent(widest.coverage)} of differences {widest.first} − {widest.second}{more} are expected "
            f"between {low.shown(confidence)} and {high.shown(confidence)} for {kind}, around a bias of "
            f"{bias.shown(confidence)}."
        ),
        cautions=(*_said_once(pairs, widest), *without),
        methods=(
            f"Limits of agreement (Bland and Altman 1999) were computed for {widest.kind}; intervals of limits come "
            "from the noncentral t distribution where each person gave one difference, else from the intervals of the "
            "mean and of the variance combined (Zou 2013)."
        ),
        provenance=study.provenance(),
        tidy=rows_frame(rows, confidence),
        printed=rows_table(
            f"{question.table}_{readings.key}",
            f"{name}: bias and limits of agreement{readings.where}",
            rows,
            confidence,
        ),
        named={**rows_numbers(rows), **counts},
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


def _said_once(pairs: Sequence[LimitsAnswer], widest: LimitsAnswer) -> list[str]:
    """Cautions of the pair that is shown, then those of the others that it does not have."""
    others = [text for pair in pairs for text in pair.cautions]
    return list(dict.fromkeys([*widest.cautions, *others]))


def _pairs(readings: StudyReadings, column: str, wanted: Sequence[tuple[str, str]], *, paired_by: str) -> Pairs:
    found, without = [], []
    for pair in wanted:
        both = readings.frame[readings.frame[column].isin(pair)]
        try:
            if paired_by:
                found.append(_linked(both, readings, column, pair, paired_by))
            else:
                found.append(_limits(both, readings, pair))
        except DesignError as refusal:
            without.append(f"{pair[0]} and {pair[1]} are not compared. {refusal}")
    return found, without


def _linked(
    frame: pd.DataFrame, readings: StudyReadings, column: str, pair: tuple[str, str], paired_by: str
) -> LimitsAnswer:
    """Pairs of single readings, or of the means that are used, that share target and session (or rater)."""
    cell = [*readings.target, "session", "rater_id"]
    if readings.readings > 1:
        frame = frame.groupby(cell, sort=False, as_index=False)["value"].mean()
    place = frame.groupby(cell).cumcount().astype(str)
    return limits_of_agreement(
        frame.assign(paired=frame[paired_by].astype(str) + " " + place),
        target=readings.target,
        rater=column,
        value="value",
        pair=pair,
        repeated="linked",
        trial="paired",
        cluster=readings.cluster,
        confidence=readings.confidence,
        complete=True,
    )


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


def _pair_key(pair: LimitsAnswer) -> str:
    """Both names in a key of numbers, which holds no blank."""
    return f"{pair.first}-{pair.second}".replace(" ", "_")


def _rows(pair: LimitsAnswer, unit: str) -> list[Row]:
    key, label = _pair_key(pair), f"{pair.first} − {pair.second}"
    exact = pair.pairs == pair.people and pair.kind != UNLINKED
    how = "noncentral t distribution" if exact else f"mean and variance combined ({pair.kind})"
    return [
        Row(f"{key}.bias", f"{label}: bias", pair.bias, *pair.bias_interval, unit, "t distribution", pair.reason),
        Row(f"{key}.lower", f"{label}: lower limit", pair.lower, *pair.lower_interval, unit, how),
        Row(f"{key}.upper", f"{label}: upper limit", pair.upper, *pair.upper_interval, unit, how),
    ]
