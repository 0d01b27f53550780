"""From a plain frame of ratings to arrays: who rated whom how often, and what to do about gaps.

A frame has one row a rating: a target (a person, or a limb: several columns may name it together), a rater, a value,
and a trial where a rater measured a target more than once. Nothing is averaged, dropped or guessed in silence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from studykit.errors import CallError, DataError, DesignError
from studykit.formatting import counted, listed
from studykit.numerics.intervals import FloatArray
from studykit.reliability.labels import Codes, labels_of, value_in_words

Names = str | Sequence[str]


@dataclass(frozen=True, slots=True)
class Ratings:
    """Ratings as arrays of equal length, with the labels behind the codes.

    Attributes:
        values: shape (N,), in the unit of the measure (or category codes).
        target, rater: shape (N,), codes into `targets` and `raters`, in order of first appearance.
        cluster: shape (targets,), code of the person each target belongs to; None where targets are persons.
        trial: shape (N,), codes of the named trials; None where no trial column was named.
        missing: rows that held no value and were left out.
    """

    values: FloatArray
    target: Codes
    rater: Codes
    targets: Sequence[str]
    raters: tuple[str, ...]
    cluster: Codes | None
    trial: Codes | None
    missing: int

    @property
    def counts(self) -> NDArray[np.int64]:
        """How many values each rater gave each target, shape (targets, raters)."""
        cells = np.bincount(self.cells, minlength=len(self.targets) * len(self.raters))
        return cells.reshape(len(self.targets), len(self.raters)).astype(np.int64, copy=False)

    @property
    def cells(self) -> Codes:
        """Place of each value in the table of targets by raters, row by row."""
        return self.target * len(self.raters) + self.rater


@dataclass(frozen=True, slots=True)
class Complete:
    """A complete array of ratings and where it came from.

    Attributes:
        array: shape (n, k), or (n, raters, trials).
        kept: codes of the targets in it, into `Ratings.targets`.
        left_out: labels of targets that were left out because they were incomplete.
        cluster: shape (n,), codes of persons from 0 without gaps; None where targets are persons.
    """

    array: FloatArray
    kept: Codes
    left_out: tuple[str, ...]
    cluster: Codes | None

    @property
    def people(self) -> int:
        """Persons behind the targets."""
        return len(self.array) if self.cluster is None else int(self.cluster.max()) + 1


def read_ratings(
    frame: pd.DataFrame,
    *,
    target: Names,
    rater: str,
    value: str,
    cluster: str | None = None,
    trial: str | None = None,
    raters: Sequence[str] | None = None,
) -> Ratings:
    """Ratings of a frame with one row a rating.

    Args:
        frame: the ratings; it is not changed.
        target: column, or columns together, that name what was measured.
        rater: column that names who measured (a rater, a session, an instrument).
        value: column of numbers; empty cells are left out and counted.
        cluster: column that names the person, where targets are limbs.
        trial: column that numbers repeated values of a rater; needed only where values are paired by it.
        raters: the raters that are expected; any other is an error. Their order becomes the order of columns.

    Raises:
        CallError: a column that is not there. DataError: no value, text among the values, an unnamed target or rater,
        an unexpected rater, or a target that belongs to two persons.
    """
    named = [target] if isinstance(target, str) else list(target)
    labels = [*named, rater, *([cluster] if cluster else []), *([trial] if trial else [])]
    for column in [*labels, value]:
        if column not in frame.columns:
            raise CallError(
                f"There is no column {column!r}; the columns are {listed([str(c) for c in frame.columns], 12)}."
            )
    numbers = _numbers(frame[value], value)
    present = numbers.notna().to_numpy()
    if not present.any():
        raise DataError(f"Column {value!r} holds no value. Give at least two ratings of two targets.")
    rows = frame if present.all() else frame.loc[present]
    for column in labels:
        empty = int(rows[column].isna().sum())
        if empty:
            raise DataError(f"{counted(empty, 'rating')} with a value have no {column!r}. Name it or remove the rows.")
    codes, names = labels_of(rows, named)
    rater_codes, rater_names = _rater_codes(rows, raters, rater)
    return Ratings(
        values=numbers.to_numpy(float) if rows is frame else numbers.to_numpy(float)[present],
        target=codes,
        rater=rater_codes,
        targets=names,
        raters=rater_names,
        cluster=None if cluster is None else _cluster_codes(rows, codes, names, cluster),
        trial=None if trial is None else pd.factorize(rows[trial])[0],
        missing=int((~present).sum()),
    )


def two_way(ratings: Ratings, *, complete: bool = False, mean_of_trials: bool = False) -> Complete:
    """The n x k array of targets by raters, one value (or the mean of a rater's trials) in each cell.

    Raises:
        DesignError: one rater, one target, repeated ratings without `mean_of_trials`, or incomplete targets without
        `complete`.
    """
    counts = ratings.counts
    _need_two_raters(ratings)
    n, k = len(ratings.targets), len(ratings.raters)
    if n > 1 and len(ratings.values) == n * k and int(counts.min()) == 1:
        array = np.empty(n * k)
        array[ratings.cells] = ratings.values
        return Complete(array.reshape(n, k), np.arange(n), (), _clusters_of(ratings, np.arange(n)))
    repeated = counts > 1
    if repeated.any() and not mean_of_trials:
        first = np.argwhere(repeated)[0]
        raise DesignError(
            f"{counted(int(repeated.any(axis=1).sum()), 'target')} measured more than once by one rater "
            f"(first: {ratings.targets[first[0]]} by {ratings.raters[first[1]]}). Use mean_of_trials=True, "
            "or the analysis of raters and trials together."
        )
    if int(counts.astype(bool).sum(axis=1).max()) < 2:
        raise DesignError(
            "No target was measured by two raters: raters are nested in targets, and the rater's part of the error "
            'cannot be told from the rest. Use form="one-way" with repeated ratings, or let raters share targets.'
        )
    kept, left_out = _complete_targets(ratings, np.all(counts > 0, axis=1), complete, "measured by every rater")
    sums = np.bincount(ratings.cells, weights=ratings.values, minlength=n * k).reshape(n, k)
    return Complete(sums[kept] / counts[kept], kept, left_out, _clusters_of(ratings, kept))


def refuse_means(mean_of_trials: bool) -> None:
    """The one-way form counts every rating of a target alike: there are no trials of a rater to average.

    Raises:
        CallError: `mean_of_trials` was asked for.
    """
    if mean_of_trials:
        raise CallError('mean_of_trials does not go with form="one-way", which counts every rating of a target alike.')


def one_way(ratings: Ratings, *, complete: bool = False) -> Complete:
    """The n x k array of targets by their ratings, whoever gave them, in the order of the rows.

    Raises:
        DesignError: no target was rated twice, one target, or unequal numbers of ratings without `complete`.
    """
    per_target = ratings.counts.sum(axis=1)
    k = int(per_target.max())
    if k < 2:
        raise DesignError("No target was rated twice: there is nothing to compare. Repeat the measurement.")
    kept, left_out = _complete_targets(ratings, np.equal(per_target, k), complete, f"rated {k} times")
    order = np.argsort(ratings.target, kind="stable")
    chosen = order[np.isin(ratings.target[order], kept)]
    return Complete(ratings.values[chosen].reshape(-1, k), kept, left_out, _clusters_of(ratings, kept))


def crossed(ratings: Ratings, *, complete: bool = False) -> Complete:
    """The n x raters x trials array of a concurrent design; trials in the order of the rows.

    Raises:
        DesignError: one rater, a rater who measured nobody twice, or incomplete targets without `complete`.
    """
    counts = ratings.counts
    _need_two_raters(ratings)
    most = counts.max(axis=0)
    if int(most.min()) < 2:
        single = [name for name, count in zip(ratings.raters, most, strict=True) if count < 2]
        raise DesignError(
            f"{listed(single)} measured nobody twice: agreement of a rater with himself needs repeated trials. "
            "Leave that rater out, or ask only how well raters agree with each other."
        )
    m = int(most.max())
    kept, left_out = _complete_targets(
        ratings, (counts == m).all(axis=1), complete, f"measured {m} times by every rater"
    )
    order = np.lexsort((np.arange(len(ratings.values)), ratings.rater, ratings.target))
    chosen = order[np.isin(ratings.target[order], kept)]
    array = ratings.values[chosen].reshape(-1, len(ratings.raters), m)
    return Complete(array, kept, left_out, _clusters_of(ratings, kept))


def _numbers(column: pd.Series, name: str) -> pd.Series:
    """The column as floats; text, booleans and infinities are refused with the first place."""
    if pd.api.types.is_bool_dtype(column.dtype):
        raise DataError(f"Column {name!r} holds yes/no values, not measurements.")
    if pd.api.types.is_datetime64_any_dtype(column.dtype) or pd.api.types.is_timedelta64_dtype(column.dtype):
        raise DataError(f"Column {name!r} holds dates or times, not measurements.")
    if column.dtype == np.float64 and not np.isinf(column.to_numpy()).any():
        return column
    numbers = pd.to_numeric(column, errors="coerce").astype(float)
    bad = (numbers.isna() & column.notna()) | np.isinf(numbers)
    if column.dtype == object:
        bad |= column.map(lambda v: isinstance(v, bool))
    if bad.any():
        position = int(np.flatnonzero(bad.to_numpy())[0])
        raise DataError(
            f"{counted(int(bad.sum()), 'value')} in column {name!r} cannot be read as a number "
            f"(first in row {position + 1}: {value_in_words(column.iloc[position])}). Correct or remove it."
        )
    return numbers


def _rater_codes(rows: pd.DataFrame, expected: Sequence[str] | None, column: str) -> tuple[Codes, tuple[str, ...]]:
    codes, labels = labels_of(rows, [column])
    found = tuple(labels)
    if expected is None:
        return codes, found
    wanted = [str(name) for name in expected]
    strangers = [name for name in found if name not in wanted]
    if strangers:
        raise DataError(
            f"{counted(len(strangers), 'rater')} in column {column!r} not among the declared {len(wanted)} "
            f"(first: {strangers[0]}). Declare them or correct the name."
        )
    used = [name for name in wanted if name in found]
    place = np.array([used.index(name) for name in found], dtype=np.intp)
    return place[codes], tuple(used)


def _cluster_codes(rows: pd.DataFrame, codes: Codes, names: Sequence[str], column: str) -> Codes:
    """One person code a target; a target of two persons is refused."""
    person_codes, _ = labels_of(rows, [column])
    first = np.full(len(names), -1, dtype=np.intp)
    first[codes[::-1]] = person_codes[::-1]
    wrong = np.flatnonzero(first[codes] != person_codes)
    if wrong.size:
        label = names[codes[wrong[0]]]
        raise DataError(
            f"Target {label!r} belongs to more than one {column!r}. Name limbs so that each has one person."
        )
    return first


def _need_two_raters(ratings: Ratings) -> None:
    if len(ratings.raters) < 2:
        raise DesignError(
            f"There is one rater ({ratings.raters[0]}): agreement between raters needs two. "
            "For repeated trials of one rater give the trial as the rater."
        )


def _complete_targets(
    ratings: Ratings, full: NDArray[np.bool_], complete: bool, meaning: str
) -> tuple[Codes, tuple[str, ...]]:
    """Codes of complete targets and labels of the others; refuses gaps unless `complete` is asked for."""
    total, gaps = len(full), int((~full).sum())
    left_out = tuple(ratings.targets[int(code)] for code in np.flatnonzero(~full))
    if gaps and not complete:
        raise DesignError(
            f"{gaps} of {counted(total, 'target')} were not {meaning} (first: {left_out[0]}). "
            "Use complete=True for complete targets only, or `incomplete` for an estimate from every rating."
        )
    if total - gaps < 2:
        raise DesignError(
            f"{counted(total - gaps, 'target')} {'was' if total - gaps == 1 else 'were'} {meaning}: "
            "spread between targets needs at least 2."
        )
    return np.flatnonzero(full), left_out


def _clusters_of(ratings: Ratings, kept: Codes) -> Codes | None:
    if ratings.cluster is None:
        return None
    codes, people = np.unique(ratings.cluster[kept], return_inverse=True)
    return None if len(codes) == len(kept) else np.asarray(people, dtype=np.intp)
