"""Standard error of measurement and minimal detectable change of a plain frame, in the unit of the measure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studykit.errors import CallError, check_choice, check_confidence
from studykit.numerics import precision as numbers
from studykit.numerics.anova import for_people, two_way_mean_squares
from studykit.numerics.icc import FORMS
from studykit.numerics.intervals import FloatArray
from studykit.numerics.resampling import bootstrap, clustered, mean_squares_of_sums, two_way_features
from studykit.reliability.coefficient import INTERVALS, METHOD_WORDS, METHODS, TOO_FEW_PEOPLE, table_cautions
from studykit.reliability.ratings import Complete, Names, one_way, read_ratings, refuse_means, two_way


@dataclass(frozen=True, slots=True)
class DetectableChange:
    """Minimal detectable change with the interval that comes from the SEM's; unit: that of the measure.

    `confidence` is the share of unchanged persons whose two measurements differ by less; `interval_confidence` is the
    level of low and high.
    """

    value: float
    low: float
    high: float
    confidence: float
    interval_confidence: float


@dataclass(frozen=True, slots=True)
class PrecisionAnswer:
    """Error of one measurement, or of the mean of `measurements`.

    Attributes:
        sem, low, high: standard error of measurement and its interval, in the unit of the measure.
        df: degrees of freedom of the SEM.
        form: which differences count: "agreement", "consistency" or "one-way".
        within_sd: root of the mean square within targets (raters' differences included).
        all_sd: standard deviation of all ratings.
        measurements: how many measurements the mean is taken over.
        interval, reason, cautions, targets, people, left_out: as in `IccAnswer`.
    """

    sem: float
    low: float
    high: float
    df: float
    form: str
    within_sd: float
    all_sd: float
    measurements: int
    confidence: float
    targets: int
    people: int
    left_out: tuple[str, ...]
    interval: str
    reason: str
    cautions: tuple[str, ...]

    def mdc(self, confidence: float = 0.95) -> DetectableChange:
        """Minimal detectable change z sqrt(2) SEM: 0.90 and 0.95 are usual."""
        value, low, high = (float(v) for v in numbers.mdc([self.sem, self.low, self.high], confidence=confidence))
        return DetectableChange(value, low, high, confidence, self.confidence)

    def indirect_sem(self, correlation: float) -> float:
        """SD of all ratings times sqrt(1 - ICC): only to compare with published figures made that way.

        It moves with the spread of the people who were measured; `sem` does not.
        """
        return float(numbers.sem_from_icc(self.all_sd, correlation))

    def repeatability(self, confidence: float = 0.95) -> float:
        """z sqrt(2) times the SD within targets (Bland & Altman 1996): two values of one target differ by less."""
        return float(numbers.mdc(self.within_sd, confidence=confidence))


def precision(
    frame: pd.DataFrame,
    *,
    target: Names,
    rater: str,
    value: str,
    form: str = "agreement",
    measurements: int = 1,
    confidence: float = 0.95,
    cluster: str | None = None,
    complete: bool = False,
    mean_of_trials: bool = False,
    raters: Sequence[str] | None = None,
    interval: str = "formula",
    rng: np.random.Generator | None = None,
) -> PrecisionAnswer:
    """SEM and, from it, minimal detectable change at any level.

    Args:
        frame, target, rater, value, confidence, cluster, complete, mean_of_trials, raters, rng: as in `icc`.
        form: "agreement" (raters' differences are error), "consistency" (constant ones are not), "one-way".
        measurements: the error of the mean of that many measurements (by that many raters, for agreement).
        interval: "formula", or "bootstrap" (BCa) or "bootstrap-percentile" over persons, raters held fixed. Consistency
            and one-way formulas are chi-square and exact; agreement adds two mean squares (Graybill & Wang) and holds
            its level with few raters.

    Raises:
        CallError, DataError, DesignError: each with a sentence that says what to do.
    """
    check_confidence(confidence)
    check_choice(interval, INTERVALS, "interval")
    check_choice(form, FORMS, "form")
    ratings = read_ratings(frame, target=target, rater=rater, value=value, cluster=cluster, raters=raters)
    if form == "one-way":
        refuse_means(mean_of_trials)
        table = one_way(ratings, complete=complete)
    else:
        table = two_way(ratings, complete=complete, mean_of_trials=mean_of_trials)
    return precision_of_table(table, form, measurements=measurements, confidence=confidence, interval=interval, rng=rng)


def precision_of_table(
    table: Complete,
    form: str,
    *,
    measurements: int = 1,
    confidence: float = 0.95,
    interval: str = "formula",
    rng: np.random.Generator | None = None,
) -> PrecisionAnswer:
    """The same for a complete array."""
    ms = two_way_mean_squares(table.array)
    if table.cluster is not None:
        ms = for_people(ms, table.people)
    got = numbers.sem(ms, form=form, measurements=measurements, confidence=confidence)
    low, high, reason = float(got.low), float(got.high), _reason(float(got.sem))
    how = "sum of two mean squares" if form == "agreement" else "chi-square distribution"
    if table.cluster is not None:
        how += ", degrees of freedom of persons"
    if interval in METHODS:
        how, low, high = f"{METHOD_WORDS[interval]} over persons", float("nan"), float("nan")
        if table.people < 3:
            reason = reason or TOO_FEW_PEOPLE
        else:
            low, high = _bootstrap_limits(table, form, measurements, confidence, rng, METHODS[interval])
    return PrecisionAnswer(
        sem=float(got.sem),
        low=low,
        high=high,
        df=float(got.df),
        form=form,
        within_sd=float(np.sqrt(ms.within)),
        all_sd=float(np.std(table.array, ddof=1)),
        measurements=measurements,
        confidence=confidence,
        targets=len(table.array),
        people=table.people,
        left_out=table.left_out,
        interval=how,
        reason=reason,
        cautions=_cautions(table, form),
    )


def variation(
    frame: pd.DataFrame, *, target: Names, rater: str, value: str, ratio_scale: bool, confidence: float = 0.95
) -> numbers.VariationEstimate:
    """Coefficient of variation within targets, where zero means "none" on the scale of the measure.

    Args:
        ratio_scale: must be True: an angle whose zero is a convention (and may be negative) has no such coefficient.

    Raises:
        CallError: `ratio_scale` is False. DataError: a value at or below 0.
    """
    if not ratio_scale:
        raise CallError(
            "A coefficient of variation needs a scale with a true zero; an angle's zero is a convention. "
            "Report the SEM in the unit of the measure."
        )
    table = one_way(read_ratings(frame, target=target, rater=rater, value=value))
    return numbers.coefficient_of_variation(table.array, confidence=confidence)


def _bootstrap_limits(
    table: Complete, form: str, measurements: int, confidence: float, rng: np.random.Generator | None, method: str
) -> tuple[float, float]:
    features = two_way_features(table.array)
    rows = features if table.cluster is None else clustered(features, table.cluster)

    def statistic(sums: FloatArray) -> FloatArray:
        shrunk = numbers.sem_value(mean_squares_of_sums(sums), form=form) / np.sqrt(float(measurements))
        return np.asarray(shrunk)[..., None]

    source = rng or np.random.default_rng(0)
    found = bootstrap(rows, statistic, rng=source, confidence=confidence, method=method)
    return float(found.low[0]), float(found.high[0])


def _reason(sem: float) -> str:
    if sem == 0.0:
        return (
            "the ratings agree to the last digit: no error can be seen, which is a limit of the reading and not a "
            "property of the measure."
        )
    return ""


def _cautions(table: Complete, form: str) -> tuple[str, ...]:
    said = table_cautions(table)
    raters = table.array.shape[1]
    if form == "agreement" and raters < 4:
        said.append(
            f"How much raters differ is estimated from {raters} raters only: the upper limit is far away because "
            "other raters may differ more than these did."
        )
    if form == "consistency":
        said.append("Constant differences between raters are not in this number: it holds for one and the same rater.")
    said.append("The number is the error of these raters, this instrument and these instructions on one occasion.")
    return tuple(said)
