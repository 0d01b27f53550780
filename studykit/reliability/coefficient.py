"""Intraclass correlation of a plain frame, with its interval, its test and what must be said beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
import pandas as pd

from studykit.display import in_notebook
from studykit.errors import check_choice, check_confidence
from studykit.formatting import counted, estimate
from studykit.numerics import icc as numbers
from studykit.numerics.anova import MeanSquares, for_people, two_way_mean_squares
from studykit.numerics.intervals import FloatArray
from studykit.numerics.resampling import bootstrap, clustered, mean_squares_of_sums, two_way_features
from studykit.reliability.form import Form, named_form
from studykit.reliability.ratings import Complete, Names, one_way, read_ratings, refuse_means, two_way

INTERVALS = ("formula", "bootstrap", "bootstrap-percentile")
METHODS = {"bootstrap": "bca", "bootstrap-percentile": "percentile"}
METHOD_WORDS = {"bootstrap": "BCa bootstrap", "bootstrap-percentile": "percentile bootstrap"}
RATERS = ("random", "fixed")
TOO_FEW_PEOPLE = "fewer than three persons: resampling persons cannot make an interval."


@dataclass(frozen=True, slots=True)
class IccAnswer:
    """One intraclass correlation.

    Attributes:
        value, low, high: estimate and interval at `confidence`; nan where `reason` says why.
        f, df1, df2, p: F test that the correlation is `null` against a larger one.
        form: the form with its names and why.
        targets, people, ratings_per_target: what it was computed from; people are fewer than targets where a person
            brought two limbs.
        left_out: labels of incomplete targets that were left out.
        interval: how the interval was made.
        reason: why a number is missing or an interval has no width; empty when nothing needs saying.
        cautions: sentences to be read with the number.
    """

    value: float
    low: float
    high: float
    f: float
    df1: float
    df2: float
    p: float
    null: float
    confidence: float
    form: Form
    targets: int
    people: int
    ratings_per_target: int
    left_out: tuple[str, ...]
    interval: str
    reason: str
    cautions: tuple[str, ...]

    @property
    def headline(self) -> str:
        """The number with its interval in one sentence."""
        if self.reason and np.isnan(self.value):
            return f"{self.form.name} cannot be estimated: {self.reason}"
        shown = estimate(self.value, self.low, self.high, confidence=self.confidence)
        return f"{self.form.name} was {shown} over {counted(self.targets, 'target')}."

    def _repr_html_(self) -> str:
        cautions = "".join(f"<li>{escape(caution)}</li>" for caution in self.cautions)
        cautions = f'<h4>What this does not show</h4><ul class="cautions">{cautions}</ul>' if cautions else ""
        return in_notebook(f'<h3>Intraclass correlation</h3><p class="headline">{escape(self.headline)}</p>{cautions}')


def icc(
    frame: pd.DataFrame,
    *,
    target: Names,
    rater: str,
    value: str,
    form: str = "agreement",
    averaged: bool = False,
    confidence: float = 0.95,
    null: float = 0.0,
    cluster: str | None = None,
    complete: bool = False,
    mean_of_trials: bool = False,
    raters: Sequence[str] | None = None,
    interval: str = "formula",
    rng: np.random.Generator | None = None,
) -> IccAnswer:
    """Intraclass correlation of complete ratings.

    Args:
        frame: one row a rating; it is not changed.
        target, rater, value: columns; `target` may be several columns that name a limb together.
        form: "agreement" (raters' differences count), "consistency" (constant ones do not), "one-way" (who rated is
            unknown or differs between targets).
        averaged: reliability of the mean of all ratings of a target instead of one.
        confidence: level of the interval.
        null: correlation under the tested hypothesis.
        cluster: column of the person, where targets are limbs: interval and test then have the degrees of freedom of
            persons, so that nobody counts twice.
        complete: use complete targets only, and say how many were left out.
        mean_of_trials: average a rater's repeated trials of a target first.
        raters: the declared raters; another name is an error.
        interval: "formula" (F distribution), "bootstrap" (BCa) or "bootstrap-percentile" (over persons, 10,000
            resamples; it holds the raters
            fixed, so that it is too narrow for agreement with other raters).
        rng: source of chance for the bootstrap; a fixed seed is used when none is given.

    Raises:
        CallError, DataError, DesignError: each with a sentence that says what to do.
    """
    check_confidence(confidence)
    check_choice(interval, INTERVALS, "interval")
    named = named_form(form, averaged)
    ratings = read_ratings(frame, target=target, rater=rater, value=value, cluster=cluster, raters=raters)
    if form == "one-way":
        refuse_means(mean_of_trials)
        table = one_way(ratings, complete=complete)
    else:
        table = two_way(ratings, complete=complete, mean_of_trials=mean_of_trials)
    return icc_of_table(table, named, confidence=confidence, null=null, interval=interval, rng=rng)


def icc_forms(
    frame: pd.DataFrame,
    *,
    target: Names,
    rater: str,
    value: str,
    confidence: float = 0.95,
    complete: bool = False,
    mean_of_trials: bool = False,
) -> pd.DataFrame:
    """Every form side by side, to see what the choice of a form decides; `choose_form` says which one fits.

    Args:
        frame, target, rater, value, confidence, complete, mean_of_trials: as in `icc`; every rater measured every
            target.

    Returns:
        Columns name, model, form, averaged, value, low, high, f, df1, df2, p, reason (why a number is missing or must
        be read otherwise, else empty): ten rows (random and fixed raters share formulas and differ in meaning).

    Raises:
        CallError, DataError, DesignError: as in `icc`.
    """
    check_confidence(confidence)
    ratings = read_ratings(frame, target=target, rater=rater, value=value)
    ms = two_way_mean_squares(two_way(ratings, complete=complete, mean_of_trials=mean_of_trials).array)
    rows = []
    for form, raters in (("one-way", ("random",)), ("agreement", RATERS), ("consistency", RATERS)):
        for averaged in (False, True):
            got = numbers.icc(ms, form=form, averaged=averaged, confidence=confidence)
            values = [float(getattr(got, name)) for name in ("value", "low", "high", "f", "df1", "df2", "p")]
            for kind in raters:
                named = named_form(form, averaged, raters=kind)
                rows.append((named.name, named.model, form, averaged, *values, _reason(ms, named, values[0])))
    columns = ["name", "model", "form", "averaged", "value", "low", "high", "f", "df1", "df2", "p", "reason"]
    return pd.DataFrame(rows, columns=columns)


def icc_of_table(
    table: Complete,
    form: Form,
    *,
    confidence: float = 0.95,
    null: float = 0.0,
    interval: str = "formula",
    rng: np.random.Generator | None = None,
) -> IccAnswer:
    """The same for a complete array; `form` carries the names that the answer will use."""
    ms = two_way_mean_squares(table.array)
    if table.cluster is not None:
        ms = for_people(ms, table.people)
    got = numbers.icc(ms, form=form.form, averaged=form.averaged, confidence=confidence, null=null)
    low, high = float(got.low), float(got.high)
    how = "F distribution" if table.cluster is None else "F distribution, degrees of freedom of persons"
    reason = _reason(ms, form, float(got.value))
    if interval in METHODS:
        how = f"{METHOD_WORDS[interval]} over {counted(table.people, 'person', 'persons')}"
        low, high = float("nan"), float("nan")
        if table.people < 3:
            reason = " ".join(filter(None, [reason, TOO_FEW_PEOPLE]))
        elif np.isfinite(float(got.value)):
            low, high = _bootstrap_limits(table, form, confidence, rng or np.random.default_rng(0), METHODS[interval])
    return IccAnswer(
        value=float(got.value),
        low=low,
        high=high,
        f=float(got.f),
        df1=float(got.df1),
        df2=float(got.df2),
        p=float(got.p),
        null=null,
        confidence=confidence,
        form=form,
        targets=len(table.array),
        people=table.people,
        ratings_per_target=int(table.array.shape[1]),
        left_out=table.left_out,
        interval=how,
        reason=reason,
        cautions=_cautions(table, form, ms, low, float(got.value)),
    )


def table_cautions(table: Complete) -> list[str]:
    """What must be said about any number from this table: targets left out, limbs of one person."""
    said = []
    if table.left_out:
        whole = len(table.array) + len(table.left_out)
        said.append(
            f"{len(table.left_out)} of {counted(whole, 'target')} were incomplete and left out; "
            "if their gaps have to do with how hard they were to measure, the number is too good."
        )
    if table.cluster is not None:
        said.append(
            f"{counted(len(table.array), 'limb')} of {counted(table.people, 'person', 'persons')}: both limbs of a "
            "person are never counted as two people; estimates use every limb, intervals and tests count persons."
        )
    return said


def _bootstrap_limits(
    table: Complete, form: Form, confidence: float, rng: np.random.Generator, method: str
) -> tuple[float, float]:
    features = two_way_features(table.array)
    rows = features if table.cluster is None else clustered(features, table.cluster)

    def statistic(sums: FloatArray) -> FloatArray:
        return numbers.icc_value(mean_squares_of_sums(sums), form=form.form, averaged=form.averaged)[..., None]

    found = bootstrap(rows, statistic, rng=rng, confidence=confidence, method=method)
    return float(found.low[0]), float(found.high[0])


def _reason(ms: MeanSquares, form: Form, value: float) -> str:
    noise = float(ms.within if form.form == "one-way" else ms.error)
    if np.isnan(value):
        if float(ms.rows) == 0.0 and noise == 0.0:
            return "all ratings are the same: no spread between targets and none within, the correlation is 0/0."
        return "its denominator is not above 0: targets differ less than error alone would make them differ."
    if noise == 0.0 and value == 1.0:
        return (
            "the ratings agree to the last digit, so that the interval has no width; look whether raters copied, or "
            "whether readings are rounded more coarsely than the error."
        )
    if value < 0.0:
        return "the estimate is negative: targets differ less than error alone would make them differ; read it as 0."
    return ""


def _cautions(table: Complete, form: Form, ms: MeanSquares, low: float, value: float) -> tuple[str, ...]:
    said = table_cautions(table)
    if np.isfinite(low) and low <= 0.0 <= value:
        said.append("The interval includes 0: these data do not show that targets can be told apart at all.")
    if form.form == "agreement" and ms.k < 4:
        said.append(
            f"The raters' own spread is estimated from {ms.k} raters only: how other raters would agree is known "
            "poorly, and with true differences between raters the interval covers somewhat less than it says "
            "(about 92% instead of 95% at 50 targets)."
        )
    said.append(
        "A correlation depends on how different the measured people were; the error in degrees or centimetres does not."
    )
    return tuple(said)
