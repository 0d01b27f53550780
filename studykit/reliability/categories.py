"""Agreement on categories from a plain frame: positive or negative tests, graded findings, two raters or more."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from studykit.errors import CallError, DataError, DesignError, check_confidence
from studykit.formatting import counted, listed, percent
from studykit.numerics import agreement as several
from studykit.numerics import kappa as pairwise
from studykit.numerics.intervals import FloatArray, wilson_interval
from studykit.numerics.resampling import Statistic, bootstrap, clustered
from studykit.reliability.labels import Codes, value_in_words
from studykit.reliability.ratings import Names, Ratings, read_ratings

PERCENT = "percent agreement"
KAPPA = "kappa"
LINEAR = "kappa, linear weights"
QUADRATIC = "kappa, quadratic weights"
FLEISS = "Fleiss' kappa"
AC1 = "Gwet's AC1"
AC2_LINEAR = "Gwet's AC2, linear weights"
AC2_QUADRATIC = "Gwet's AC2, quadratic weights"


@dataclass(frozen=True, slots=True)
class Coefficient:
    """One statistic of agreement; `reason` says why it, or its interval, is missing or has no width."""

    name: str
    value: float
    low: float
    high: float
    reason: str


@dataclass(frozen=True, slots=True)
class CategoryAnswer:
    """Agreement of raters on categories.

    Attributes:
        coefficients: every statistic that fits the design, percent agreement first.
        levels: the categories, in order where they are grades.
        table: counts of first by second rater; None with more than two raters.
        largest_share, prevalence, bias: what distorts kappa (see `numerics.kappa.Distortion`); the last two are nan
            with more than two raters.
        targets, people, raters: what it was computed from.
        cautions: sentences to be read with the numbers.
    """

    coefficients: tuple[Coefficient, ...]
    levels: tuple[str, ...]
    table: pd.DataFrame | None
    largest_share: float
    prevalence: float
    bias: float
    targets: int
    people: int
    raters: tuple[str, ...]
    confidence: float
    cautions: tuple[str, ...]

    def coefficient(self, name: str) -> Coefficient:
        """One statistic by its name.

        Raises:
            CallError: this design has no such statistic; the sentence lists those it has.
        """
        for found in self.coefficients:
            if found.name == name:
                return found
        raise CallError(f"There is no {name!r} here; there are {listed([c.name for c in self.coefficients], 12)}.")


def agreement(
    frame: pd.DataFrame,
    *,
    target: Names,
    rater: str,
    value: str,
    levels: Sequence[object],
    ordered: bool,
    cluster: str | None = None,
    confidence: float = 0.95,
    raters: Sequence[str] | None = None,
    rng: np.random.Generator | None = None,
) -> CategoryAnswer:
    """Percent agreement, kappas and a coefficient that survives high prevalence.

    Args:
        frame: one row a rating; it is not changed. Targets rated by one rater only help the shares of categories.
        target, rater, value: columns.
        levels: the categories that `value` may hold, lowest grade first where they are in order.
        ordered: whether the categories are grades: then weighted statistics are given too.
        cluster: column of the person, where targets are limbs: intervals then come from resampling persons.
        confidence: level of the intervals.
        raters: the declared raters; another name is an error.
        rng: source of chance for the bootstrap of clustered targets; a fixed seed is used when none is given.

    Raises:
        CallError, DataError, DesignError: each with a sentence that says what to do.
    """
    check_confidence(confidence)
    names = [str(level) for level in levels]
    if len(set(names)) < 2 or len(set(names)) < len(names):
        raise DesignError(f"levels are {listed(names, 12)}; agreement beyond chance needs at least 2 different ones.")
    coded = _coded(frame, value, list(levels))
    ratings = read_ratings(coded, target=target, rater=rater, value=value, cluster=cluster, raters=raters)
    _check_once(ratings)
    codes = _code_table(ratings)
    counts = several.category_counts(codes, len(names))
    rated = counts.sum(axis=1) > 0
    person = _person_codes(ratings, rated)
    pair_person = None if person is None else _person_codes(ratings, np.all(codes >= 0, axis=1), always=True)
    two = len(ratings.raters) == 2
    both = np.all(codes >= 0, axis=1)
    pairs = (codes[both], pair_person) if two else None
    found = _coefficients(counts[rated], pairs, person, ordered, confidence, rng)
    cross = pairwise.cross_table(codes[both, 0], codes[both, 1], len(names)) if two else None
    bent = pairwise.distortion(cross) if cross is not None else None
    share = counts.sum(axis=0) / counts.sum()
    targets = int((counts.sum(axis=1) >= 2).sum())
    people = targets if person is None else int(person.max()) + 1
    return CategoryAnswer(
        coefficients=found,
        levels=tuple(names),
        table=None if cross is None else _labelled(cross, names, ratings.raters),
        largest_share=float(share.max()),
        prevalence=float("nan") if bent is None else bent.prevalence,
        bias=float("nan") if bent is None else bent.bias,
        targets=targets,
        people=people,
        raters=ratings.raters,
        confidence=confidence,
        cautions=_cautions(float(share.max()), targets, people, int(rated.sum()) - targets),
    )


def _coefficients(
    counts: FloatArray,
    pairs: tuple[Codes, Codes | None] | None,
    person: Codes | None,
    ordered: bool,
    confidence: float,
    rng: np.random.Generator | None,
) -> tuple[Coefficient, ...]:
    """Every statistic that fits; clustered targets get their intervals from resampling persons.

    `pairs` are the codes of two raters, with the persons behind them; None with more raters.
    """
    weights = ("none", "linear", "quadratic") if ordered and counts.shape[1] > 2 else ("none",)
    chance = rng or np.random.default_rng(0)
    found = [_several(PERCENT, "percent", counts, "none", person, confidence, chance)]
    codes = None if pairs is None else pairs[0]
    if codes is not None and person is None:
        agreed = int((codes[:, 0] == codes[:, 1]).sum())
        low, high = wilson_interval(agreed, len(codes), confidence)
        found = [Coefficient(PERCENT, agreed / len(codes), low, high, "")]
    if pairs is not None:
        for name, word in zip((KAPPA, LINEAR, QUADRATIC), weights, strict=False):
            found.append(_pairwise(name, pairs[0], counts.shape[1], word, pairs[1], confidence, chance))
    else:
        found.append(_several(FLEISS, "fleiss", counts, "none", person, confidence, chance))
    for name, word in zip((AC1, AC2_LINEAR, AC2_QUADRATIC), weights, strict=False):
        found.append(_several(name, "gwet", counts, word, person, confidence, chance))
    return tuple(found)


def _several(
    name: str,
    statistic: str,
    counts: FloatArray,
    weights: str,
    person: Codes | None,
    confidence: float,
    rng: np.random.Generator,
) -> Coefficient:
    got = several.agreement(counts, statistic=statistic, weights=weights, confidence=confidence)
    low, high = got.low, got.high
    if person is not None:
        features = clustered(several.agreement_features(counts, weights=weights), person)

        def of_sums(sums: FloatArray) -> FloatArray:
            return several.agreement_of_sums(sums, statistic=statistic, weights=weights)[..., None]

        low, high = _resampled(features, of_sums, confidence, rng)
    return Coefficient(name, got.value, low, high, _reason(got.value, low, high))


def _pairwise(
    name: str,
    codes: Codes,
    categories: int,
    weights: str,
    person: Codes | None,
    confidence: float,
    rng: np.random.Generator,
) -> Coefficient:
    got = pairwise.kappa(
        pairwise.cross_table(codes[:, 0], codes[:, 1], categories), weights=weights, confidence=confidence
    )
    low, high = float(got.low), float(got.high)
    if person is not None:
        cells = np.eye(categories * categories)[codes[:, 0] * categories + codes[:, 1]]

        def of_sums(sums: FloatArray) -> FloatArray:
            tables = sums.reshape(*sums.shape[:-1], categories, categories)
            return pairwise.kappa(tables, weights=weights).value[..., None]

        low, high = _resampled(clustered(cells, person), of_sums, confidence, rng)
    return Coefficient(name, float(got.value), low, high, _reason(float(got.value), low, high))


def _resampled(
    features: FloatArray, statistic: Statistic, confidence: float, rng: np.random.Generator
) -> tuple[float, float]:
    if len(features) < 3:
        return float("nan"), float("nan")
    found = bootstrap(features, statistic, rng=rng, confidence=confidence)
    return float(found.low[0]), float(found.high[0])


def _reason(value: float, low: float, high: float) -> str:
    if np.isnan(value):
        return "every rating fell in one category: agreement beyond chance is 0/0."
    if np.isnan(low):
        return "too few persons or too little spread to make an interval."
    if low == high:
        return "agreement was complete: the interval has no width, which is not the same as certainty."
    return ""


def _coded(frame: pd.DataFrame, value: str, levels: list[object]) -> pd.DataFrame:
    """A copy of the frame in which `value` holds the position of its level."""
    if value not in frame.columns:
        raise CallError(f"There is no column {value!r}; the columns are {listed([str(c) for c in frame.columns], 12)}.")
    position = {level: i for i, level in enumerate(levels)}
    coded = frame[value].map(position)
    strange = coded.isna() & frame[value].notna()
    if strange.any():
        first = int(np.flatnonzero(strange.to_numpy())[0])
        raise DataError(
            f"{counted(int(strange.sum()), 'value')} in column {value!r} not among the levels "
            f"(first in row {first + 1}: {value_in_words(frame[value].iloc[first])}). Add the level or correct the "
            "value."
        )
    return frame.assign(**{value: coded.astype(float)})


def _check_once(ratings: Ratings) -> None:
    if len(ratings.raters) < 2:
        raise DesignError(
            f"There is one rater ({ratings.raters[0]}): agreement needs two. "
            "For repeated looks of one rater give the trial as the rater."
        )
    several_times = ratings.counts > 1
    if several_times.any():
        first = np.argwhere(several_times)[0]
        raise DesignError(
            f"{counted(int(several_times.any(axis=1).sum()), 'target')} rated more than once by one rater "
            f"(first: {ratings.targets[first[0]]} by {ratings.raters[first[1]]}). Choose one of them."
        )


def _code_table(ratings: Ratings) -> Codes:
    """Codes, targets x raters; -1 where a rater did not rate."""
    table = np.full((len(ratings.targets), len(ratings.raters)), -1, dtype=np.intp)
    table[ratings.target, ratings.rater] = ratings.values.astype(np.intp)
    return table


def _person_codes(ratings: Ratings, chosen: NDArray[np.bool_], *, always: bool = False) -> Codes | None:
    """Persons of the chosen targets, coded from 0; None where every person has one target, unless `always`."""
    if ratings.cluster is None:
        return None
    names, codes = np.unique(ratings.cluster[chosen], return_inverse=True)
    return None if len(names) == len(codes) and not always else np.asarray(codes, dtype=np.intp)


def _labelled(cross: FloatArray, names: list[str], raters: tuple[str, ...]) -> pd.DataFrame:
    return pd.DataFrame(
        cross.astype(int), index=pd.Index(names, name=raters[0]), columns=pd.Index(names, name=raters[1])
    )


def _cautions(largest: float, targets: int, people: int, single: int) -> tuple[str, ...]:
    said = []
    if largest > 0.8:
        said.append(
            f"{percent(largest)} of all ratings fell in one category: at such prevalence kappa is low even where "
            "raters nearly always agree; read it beside percent agreement and Gwet's coefficient."
        )
    if people < targets:
        said.append(
            f"{counted(targets, 'limb')} of {counted(people, 'person', 'persons')}: persons were resampled whole, "
            "so that nobody counts as two people."
        )
    if single:
        said.append(f"{counted(single, 'target')} rated by one rater only: used for the shares of categories.")
    if targets < 30:
        said.append(f"Large-sample intervals over {targets} targets are approximate.")
    return tuple(said)
