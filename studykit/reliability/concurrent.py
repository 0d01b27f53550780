"""Between raters and within a rater from one analysis: several raters, several trials each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from studykit.errors import check_choice, check_confidence
from studykit.numerics import precision as sizes
from studykit.numerics.anova import crossed_mean_squares
from studykit.numerics.concurrent import (
    RATERS,
    ConcurrentReliability,
    ErrorSize,
    coefficients,
    concurrent_reliability,
    sem_inter_value,
)
from studykit.numerics.intervals import FloatArray
from studykit.numerics.resampling import bootstrap, clustered, crossed_features, crossed_of_sums
from studykit.reliability.coefficient import table_cautions
from studykit.reliability.error_size import DetectableChange
from studykit.reliability.ratings import Complete, Names, crossed, read_ratings


@dataclass(frozen=True, slots=True)
class Part:
    """One side of the question: between raters, within raters, or within one rater.

    Attributes:
        rater: name of the rater, empty for all of them.
        value: coefficient; lower: its one-sided lower limit at `confidence`; f, p: test against `null`.
        sem, sem_low, sem_high: standard error of measurement with its two-sided interval, in the unit of the measure.
    """

    rater: str
    value: float
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
        targets, people, trials: what it was computed from.
        reason: why coefficients are missing; empty when they are not.
        cautions: sentences to be read with the numbers.
    """

    inter: Part
    intra: Part
    intra_by_rater: tuple[Part, ...]
    raters: str
    rater_names: tuple[str, ...]
    targets: int
    people: int
    trials: int
    left_out: tuple[str, ...]
    reason: str
    cautions: tuple[str, ...]


def inter_and_intra(
    frame: pd.DataFrame,
    *,
    target: Names,
    rater: str,
    value: str,
    generalise_to: str = "random",
    cluster: str | None = None,
    confidence: float = 0.95,
    inter_null: float = 0.6,
    intra_null: float = 0.8,
    complete: bool = False,
    raters: Sequence[str] | None = None,
    rng: np.random.Generator | None = None,
) -> ConcurrentAnswer:
    """Coefficients, SEMs and MDCs between and within raters from repeated trials of every rater on every target.

    Args:
        frame: one row a trial; it is not changed. Trials are taken in the order of the rows.
        target, rater, value, cluster, complete, raters, rng: as in `icc`.
        generalise_to: "random" raters (others like them) or "fixed" (these only).
        confidence: of the one-sided lower limits and of the two-sided intervals of SEMs.
        inter_null, intra_null: coefficients under the tested hypotheses.

    Raises:
        CallError, DataError, DesignError: each with a sentence that says what to do.
    """
    check_confidence(confidence)
    check_choice(generalise_to, RATERS, "generalise_to")
    ratings = read_ratings(frame, target=target, rater=rater, value=value, cluster=cluster, raters=raters)
    table = crossed(ratings, complete=complete)
    got = concurrent_reliability(
        crossed_mean_squares(table.array),
        raters=generalise_to,
        confidence=confidence,
        inter_null=inter_null,
        intra_null=intra_null,
    )
    return concurrent_answer(table, got, ratings.raters, rng or np.random.default_rng(0))


def concurrent_answer(
    table: Complete, got: ConcurrentReliability, names: tuple[str, ...], rng: np.random.Generator
) -> ConcurrentAnswer:
    """The labelled answer for a complete array and its coefficients; limbs of persons get limits by resampling."""
    inter = _part("", got, "inter", got.sem_inter)
    intra = _part("", got, "intra", got.sem_intra)
    each = tuple(_part(name, got, "intra_by_rater", got.sem_intra_by_rater, i) for i, name in enumerate(names))
    if table.cluster is not None:
        inter, intra, *rest = _resampled(table, got, (inter, intra, *each), rng)
        each = tuple(rest)
    reason = "all ratings are the same: the coefficients are 0/0." if np.isnan(inter.value) else ""
    if inter.sem == 0.0 and not reason:
        reason = "the ratings agree to the last digit: no error can be seen."
    return ConcurrentAnswer(
        inter=inter,
        intra=intra,
        intra_by_rater=each,
        raters=got.raters,
        rater_names=names,
        targets=len(table.array),
        people=table.people,
        trials=int(table.array.shape[2]),
        left_out=table.left_out,
        reason=reason,
        cautions=_cautions(table, got, inter),
    )


def _resampled(
    table: Complete, got: ConcurrentReliability, parts: tuple[Part, ...], rng: np.random.Generator
) -> list[Part]:
    """The same parts with limits from resampling persons and without tests; nan with fewer than three persons."""
    bare = [replace(part, lower=float("nan"), f=float("nan"), p=float("nan")) for part in parts]
    if table.people < 3 or table.cluster is None:
        return [replace(part, sem_low=float("nan"), sem_high=float("nan")) for part in bare]
    trials = int(table.array.shape[2])

    def statistic(sums: FloatArray) -> FloatArray:
        ms = crossed_of_sums(sums, trials=trials)
        inter, intra, each = coefficients(ms, got.raters)
        errors = [sem_inter_value(ms, got.raters), np.sqrt(ms.error), *np.moveaxis(np.sqrt(ms.error_by_rater), -1, 0)]
        return np.stack([inter, intra, *np.moveaxis(each, -1, 0), *errors], axis=-1)

    rows = clustered(crossed_features(table.array), table.cluster)
    seed = int(rng.integers(2**32))
    levels = (got.confidence, max(2.0 * got.confidence - 1.0, 0.01))
    two_sided, one_sided = (
        bootstrap(rows, statistic, rng=np.random.default_rng(seed), confidence=level) for level in levels
    )
    count = len(parts)
    return [
        replace(
            part,
            lower=float(one_sided.low[i]),
            sem_low=float(two_sided.low[count + i]),
            sem_high=float(two_sided.high[count + i]),
        )
        for i, part in enumerate(bare)
    ]


def _part(name: str, got: ConcurrentReliability, key: str, size: ErrorSize, index: int | None = None) -> Part:
    def pick(values: object) -> float:
        array = np.asarray(values, dtype=np.float64)
        return float(array if index is None else array[index])

    null = got.inter_null if key == "inter" else got.intra_null
    return Part(
        rater=name,
        value=pick(getattr(got, key)),
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
