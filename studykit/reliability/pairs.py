"""Pairs of values of two raters on one target, however often each of them measured it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from studykit.errors import CallError, DesignError
from studykit.formatting import counted, listed
from studykit.numerics.intervals import FloatArray
from studykit.reliability.labels import Codes
from studykit.reliability.ratings import Ratings


@dataclass(frozen=True, slots=True)
class Pairs:
    """Two values each, and whose they are.

    Attributes:
        first, second: shape (pairs,), in the unit of the measure.
        target: shape (pairs,), codes into the targets of the ratings.
        person: shape (pairs,), codes of persons from 0 without gaps.
    """

    first: FloatArray
    second: FloatArray
    target: Codes
    person: Codes

    @property
    def people(self) -> int:
        return int(self.person.max()) + 1

    @property
    def targets(self) -> int:
        return len(np.unique(self.target))


def two_raters(frame: pd.DataFrame, rater: str, value: str, pair: tuple[str, str] | None) -> tuple[str, str]:
    """The two raters in the order of the difference.

    Raises:
        CallError: a column or a rater that is not there. DesignError: not exactly two raters and no `pair`.
    """
    for column in (rater, value):
        if column not in frame.columns:
            there = listed([str(name) for name in frame.columns], 12)
            raise CallError(f"There is no column {column!r}; the columns are {there}.")
    names = [str(name) for name in pd.unique(frame.loc[frame[value].notna(), rater].dropna().astype(str))]
    if pair is not None:
        if pair[0] == pair[1] or not set(pair) <= set(names):
            raise CallError(f"pair is {pair!r}; the raters with values are {listed(names, 12)}.")
        return pair
    if len(names) != 2:
        raise DesignError(
            f"There {'is' if len(names) == 1 else 'are'} {counted(len(names), 'rater')} ({listed(names)}); limits of "
            "agreement compare two. Name them with pair=(first, second)."
        )
    return names[0], names[1]


def refuse_repeats(ratings: Ratings) -> None:
    """Refuse several values of one rater on one target.

    Raises:
        DesignError: there are such values; the sentence says what to state.
    """
    several = ratings.counts > 1
    if several.any():
        first = int(np.argwhere(several)[0][0])
        raise DesignError(
            f"{counted(int(several.any(axis=1).sum()), 'target')} measured more than once by one rater (first: "
            f'{ratings.targets[first]}). Say what the repeats are: repeated="linked", "unlinked" or "mean".'
        )


def measured_by_both(ratings: Ratings, complete: bool) -> tuple[Codes, tuple[str, ...]]:
    """Codes of the targets that both raters measured, and labels of the others.

    Raises:
        DesignError: gaps without `complete`, or fewer than two targets left.
    """
    both = np.all(ratings.counts > 0, axis=1)
    left_out = tuple(name for name, whole in zip(ratings.targets, both, strict=True) if not whole)
    if left_out and not complete:
        raise DesignError(
            f"{len(left_out)} of {counted(len(both), 'target')} were not measured by both raters "
            f"(first: {left_out[0]}). Use complete=True for targets measured by both."
        )
    if int(both.sum()) < 2:
        raise DesignError(f"{counted(int(both.sum()), 'target')} measured by both raters: limits need at least 2.")
    return np.flatnonzero(both), left_out


def mean_pairs(ratings: Ratings, kept: Codes) -> Pairs:
    """One pair a target: the means of each rater's values (single values where there is one)."""
    cell = ratings.target * 2 + ratings.rater
    sums = np.bincount(cell, weights=ratings.values, minlength=2 * len(ratings.targets)).reshape(-1, 2)
    mean = sums[kept] / ratings.counts[kept]
    return Pairs(mean[:, 0], mean[:, 1], kept, _people(ratings, kept))


def linked_pairs(ratings: Ratings, kept: Codes) -> Pairs:
    """Pairs of values that share target and trial; a value whose partner is missing makes no pair.

    Raises:
        DesignError: one rater has two values of the same target and trial.
    """
    trial = np.zeros_like(ratings.target) if ratings.trial is None else ratings.trial
    key = ratings.target * (int(trial.max()) + 1) + trial
    sides = [pd.Series(np.flatnonzero(ratings.rater == side), index=key[ratings.rater == side]) for side in (0, 1)]
    for side in sides:
        if side.index.has_duplicates:
            double = ratings.targets[ratings.target[side[side.index.duplicated()].iloc[0]]]
            raise DesignError(f"A rater has two values of one trial (first: target {double}). Number trials apart.")
    shared = sides[0].index.intersection(sides[1].index)
    one, two = (side.loc[shared].to_numpy(np.intp) for side in sides)
    inside = np.isin(ratings.target[one], kept)
    one, two = one[inside], two[inside]
    target = ratings.target[one]
    return Pairs(ratings.values[one], ratings.values[two], target, _people(ratings, target))


def _people(ratings: Ratings, target: Codes) -> Codes:
    owner = target if ratings.cluster is None else ratings.cluster[target]
    return np.asarray(np.unique(owner, return_inverse=True)[1], dtype=np.intp)
