"""Between raters and within a rater from one analysis: several raters, several trials each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from studykit.errors import check_choice, check_confidence
from studykit.numerics import precision as sizes
from studykit.numerics.anova import crossed_for_people, crossed_mean_squares
from studykit.numerics.concurrent import (
    RATERS,
    ConcurrentReliability,
    ErrorSize,
    concurrent_reliability,
    concurrent_values,
)
from studykit.numerics.intervals import FloatArray
from studykit.numerics.resampling import bootstrap, clustered, crossed_features, crossed_squares_of_sums
from studykit.reliability.coefficient import INTERVALS, METHOD_WORDS, METHODS, TOO_FEW_PEOPLE, table_cautions
from studykit.reliability.error_size import DetectableChange
from studykit.reliability.ratings import Complete, Names, crossed, read_ratings

FORMULAS = "F ratios and sums of mean squares"


@dataclass(frozen=True, slots=True)
class Part:
    """One side of the question: between raters, within raters, or within one rater.

    Attributes:
        rater: name of the rater, empty for all of them.
        value, low, high: coefficient and two-sided interval; lower: one-sided lower limit; f, p: test against `null`.
        sem, sem_low, sem_high: standard error of measurement with its two-sided interval, in the unit of the measure.
    """

    rater: str
    value: float
    low: float
    high: float
    lower: float
    f: float
    p: float
    null: float
    sem: float
    sem_low: float
    sem_high: float
    confidence: float

    def mdc(self, confidence: float = 0.95) -> DetectableChange:
        """Minimal detectable change z sqrt(2) SEM with the interval that comes from the SEM's."""
        value, low, high = (float(v) for v in sizes.mdc([self.sem, self.sem_low, self.sem_high], confidence=confidence))
        return DetectableChange(value, low, high, confidence, self.confidence)


@dataclass(frozen=True, slots=True)
class ConcurrentAnswer:
    """Reliability between raters (`inter`), within raters (`intra`) and within each (`intra_by_rater`).

    Attributes:
        raters: "random" (they stand for others) or "fixed" (only these).
        readings: how many readings of one rater the numbers hold for.
        targets, people, trials: what it was computed from.
        interval: how the two-sided intervals were made.
        reason: why a number is missing; empty when none is.
        cautions: sentences to be read with the numbers.
    """

    inter: Part
    intra: Part
    intra_by_rater: tuple[Part, ...]
    raters: str
    rater_names: tuple[str, ...]
    readings: int
    targets: int
    people: int
    trials: int
    left_out: tuple[str, ...]
    interval: str
    reason: str
    cautions: tuple[str, ...]


def inter_and_intra(
    frame: pd.DataFrame,
    *,
    target: Names,
    rater: str,
    value: str,
    generalise_to: str = "random",
    readings: int = 1,
    cluster: str | None = None,
    confidence: float = 0.95,
    inter_null: float = 0.6,
    intra_null: float = 0.8,
    complete: bool = False,
    raters: Sequence[str] | None = None,
    interval: str = "formula",
    rng: np.random.Generator | None = None,
) -> ConcurrentAnswer:
    """Coefficients, SEMs and MDCs between and within raters from repeated trials of every rater on every target.

    Args:
        frame: one row a trial; it is not changed. Trials are taken in the order of the rows.
        target, rater, value, cluster, complete, raters: as in `icc`.
        generalise_to: "random" raters (others like them) or "fixed" (these only).
        readings: how many readings of one rater are averaged in use.
        confidence: of the one-sided lower limits and of the two-sided intervals.
        inter_null, intra_null: coefficients under the tested hypotheses.
        interval: how the two-sided intervals are made: "formula" (F ratios, sums of mean squares), "bootstrap" (BCa) or
            "bootstrap-percentile" over persons, 10,000 resamples. Resampling holds the raters fixed, so that it is too
            narrow between raters who stand for others. One-sided limits and tests stay those of the formulas.
        rng: source of chance for the bootstrap; a fixed seed is used when none is given.

    Raises:
        CallError, DataError, DesignError: each with a sentence that says what to do.
    """
    check_confidence(confidence)
    check_choice(generalise_to, RATERS, "generalise_to")
    check_choice(interval, INTERVALS, "interval")
    ratings = read_ratings(frame, target=target, rater=rater, value=value, cluster=cluster, raters=raters)
    table = crossed(ratings, complete=complete)
    ms = crossed_mean_squares(table.array)
    got = concurrent_reliability(
        ms if table.cluster is None else crossed_for_people(ms, table.people),
        raters=generalise_to,
        readings=readings,
        confidence=confidence,
        inter_null=inter_null,
        intra_null=intra_null,
    )
    if interval in METHODS:
        got = _resampled(table, got, readings, METHODS[interval], rng or np.random.default_rng(0))
    return _answer(table, got, ratings.raters, readings, interval)


def _resampled(
    table: Complete, got: ConcurrentReliability, readings: int, method: str, rng: np.random.Generator
) -> ConcurrentReliability:
    """The same with two-sided intervals from resampled persons; nan with fewer than three."""
    t, m = table.array.shape[1:]
    features = crossed_features(table.array)
    rows = features if table.cluster is None else clustered(features, table.cluster)

    def statistic(sums: FloatArray) -> FloatArray:
        ms = crossed_squares_of_sums(sums, trials=m)
        return concurrent_values(ms, raters=got.raters, readings=readings)

    if table.people < 3:
        low = high = np.full(2 * (2 + t), np.nan)
    else:
        found = bootstrap(rows, statistic, rng=rng, confidence=got.confidence, method=method)
        low, high = found.low, found.high
    sems = [
        replace(size, low=low[place], high=high[place])
        for size, place in (
            (got.sem_inter, 2 + t),
            (got.sem_intra, 3 + t),
            (got.sem_intra_by_rater, slice(4 + t, None)),
        )
    ]
    return replace(
        got,
        inter_interval=(low[0], high[0]),
        intra_interval=(low[1], high[1]),
        intra_by_rater_interval=(low[2 : 2 + t], high[2 : 2 + t]),
        sem_inter=sems[0],
        sem_intra=sems[1],
        sem_intra_by_rater=sems[2],
    )


def _answer(
    table: Complete, got: ConcurrentReliability, names: tuple[str, ...], readings: int, interval: str
) -> ConcurrentAnswer:
    inter = _part("", got, "inter", got.sem_inter)
    intra = _part("", got, "intra", got.sem_intra)
    each = tuple(_part(name, got, "intra_by_rater", got.sem_intra_by_rater, i) for i, name in enumerate(names))
    reason = "all ratings are the same: the coefficients are 0/0." if np.isnan(inter.value) else ""
    if inter.sem == 0.0 and not reason:
        reason = "the ratings agree to the last digit: no error can be seen."
    if interval in METHODS and table.people < 3:
        reason = " ".join(filter(None, [reason, TOO_FEW_PEOPLE]))
    return ConcurrentAnswer(
        inter=inter,
        intra=intra,
        intra_by_rater=each,
        raters=got.raters,
        rater_names=names,
        readings=readings,
        targets=len(table.array),
        people=table.people,
        trials=int(table.array.shape[2]),
        left_out=table.left_out,
        interval="F ratios and sums of mean squares"
        if interval == "formula"
        else f"{METHOD_WORDS[interval]} over persons",
        reason=reason,
        cautions=_cautions(table, got, inter),
    )


def _part(name: str, got: ConcurrentReliability, key: str, size: ErrorSize, index: int | None = None) -> Part:
    def pick(values: object) -> float:
        array = np.asarray(values, dtype=np.float64)
        return float(array if index is None else array[index])

    null = got.inter_null if key == "inter" else got.intra_null
    return Part(
        rater=name,
        value=pick(getattr(got, key)),
        low=pick(getattr(got, f"{key}_interval")[0]),
        high=pick(getattr(got, f"{key}_interval")[1]),
        lower=pick(getattr(got, f"{key}_lower")),
        f=pick(getattr(got, f"{key}_f")),
        p=pick(getattr(got, f"{key}_p")),
        null=null,
        sem=pick(size.sem),
        sem_low=pick(size.low),
        sem_high=pick(size.high),
        confidence=got.confidence,
    )


def _cautions(table: Complete, got: ConcurrentReliability, inter: Part) -> tuple[str, ...]:
    said = table_cautions(table)
    raters = table.array.shape[1]
    if got.raters == "random" and raters < 4:
        said.append(
            f"How much raters differ is estimated from {raters} raters only: the upper limit of the SEM between raters "
            "is far away because other raters may differ more than these did."
        )
    if got.raters == "fixed":
        said.append("Raters are fixed: constant differences between them are known and do not count as error.")
    if inter.value < 0.0:
        said.append("The coefficient between raters is negative: read it as 0.")
    said.append("Trials followed each other on one occasion: day-to-day error is not in these numbers.")
    return tuple(said)
