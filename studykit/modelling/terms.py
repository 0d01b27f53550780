"""What varies at random: `Varies`, and its translation into rows that share an effect.

A term's groups are the combinations of its columns: `Varies("participant_id")` lets every participant have a level of
their own, `Varies("participant_id", "side")` every limb of every participant, `Varies("rater_id")` every rater.
Combinations hide one mistake: a rater who sees many participants is not part of any of them. Labels alone cannot tell
a rater from a side of the body, so names decide: columns that are named for something shared (rater, assessor, device)
are refused inside a combination unless they also vary, or are fixed, on their own; sides of the body are refused alone;
for any other column whose labels recur a note says how they were read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studykit.errors import CallError, DataError, DesignError
from studykit.numerics.mixed.terms import RandomTerm

_SHARED_WORDS = (
    *("rater", "assessor", "observer", "examiner", "tester", "judge", "reader", "operator", "clinician", "therapist"),
    *("physiotherapist", "doctor", "nurse", "technician", "coder", "investigator", "device", "instrument"),
)
_BODY_WORDS = ("side", "limb", "leg", "knee", "hip", "ankle", "shoulder", "elbow", "wrist", "arm_side")


@dataclass(frozen=True, slots=True, init=False)
class Varies:
    """One random term.

    Attributes:
        columns: the columns whose combinations are the groups.
        slope: a column whose effect differs between groups too; None for a level only. A categorical column gives an
            effect per level.
        correlated: whether level and slope of a group may be correlated.
        intercept: whether the level varies; False with a slope gives a slope alone.
    """

    columns: tuple[str, ...]
    slope: str | None
    correlated: bool
    intercept: bool

    def __init__(
        self, *columns: str, slope: str | None = None, correlated: bool = True, intercept: bool = True
    ) -> None:
        """Name the columns whose combinations are the groups.

        Raises:
            CallError: no column, a name that is no text, or neither a level nor a slope.
        """
        if not columns or not all(isinstance(name, str) and name for name in columns):
            raise CallError("Varies needs the names of one or more columns, such as Varies('participant_id').")
        if len(set(columns)) < len(columns):
            raise CallError(f"Varies names a column twice: {', '.join(map(repr, columns))}.")
        if slope is None and not intercept:
            raise CallError("Varies with intercept=False needs a slope; otherwise nothing varies.")
        if slope is not None and slope in columns:
            raise CallError(f"Varies cannot have {slope!r} both as a group and as a slope.")
        object.__setattr__(self, "columns", tuple(columns))
        object.__setattr__(self, "slope", slope)
        object.__setattr__(self, "correlated", correlated)
        object.__setattr__(self, "intercept", intercept)

    @property
    def name(self) -> str:
        """Columns joined by colons, as in results."""
        return ":".join(self.columns)

    @property
    def used(self) -> tuple[str, ...]:
        """Every column that this term needs."""
        return self.columns if self.slope is None else (*self.columns, self.slope)


@dataclass(frozen=True, slots=True)
class Grouping:
    """A random term made from data.

    Attributes:
        varies: as the caller wrote it.
        codes: (n,) group of each row.
        labels: names of the groups in the order of the codes, values joined by colons.
        term: what the engine fits.
    """

    varies: Varies
    codes: np.ndarray
    labels: tuple[str, ...]
    term: RandomTerm


def groupings(frame: pd.DataFrame, random: Sequence[Varies], fixed: Sequence[str]) -> tuple[Grouping, ...]:
    """Make every random term, refusing those that this design cannot hold.

    Args:
        frame: complete rows.
        random: the terms.
        fixed: variables of the fixed effects.

    Raises:
        CallError: not a list of `Varies`.
        DesignError: one group; one row a group; a slope without spread; a shared column written as a part; two terms
            that split the rows alike.
        DataError: a slope that is no number.
    """
    if isinstance(random, Varies) or not all(isinstance(term, Varies) for term in random):
        raise CallError("`random` is a list of Varies(...), such as random=[Varies('participant_id')].")
    if not random:
        raise CallError("`random` is empty; name what varies, such as random=[Varies('participant_id')].")
    made: list[Grouping] = []
    for varies in random:
        codes, labels = _codes(frame, varies.columns)
        _check_groups(varies, labels, len(frame))
        _check_shared(frame, varies, random, fixed)
        columns, names = _columns(frame, varies, codes)
        term = RandomTerm(_engine_name(varies, made), codes, columns, varies.correlated, names)
        _check_different(varies, codes, len(labels), made)
        made.append(Grouping(varies, codes, labels, term))
    return tuple(made)


def reading_notes(frame: pd.DataFrame, random: Sequence[Varies], fixed: Sequence[str]) -> tuple[str, ...]:
    """A sentence for each column of a combination whose labels recur, which could have been meant as shared."""
    notes: dict[str, str] = {}
    own = {term.columns[0] for term in random if len(term.columns) == 1} | set(fixed)
    for term in random:
        for name in term.columns[1:]:
            others = [column for column in term.columns if column != name]
            if name in own or name in notes:
                continue
            recurring = _recurring(frame, name, others)
            if recurring:
                whole = " and ".join(map(repr, others))
                notes[name] = (
                    f"{term.name}: the labels of {name!r} recur in {recurring} groups of {whole} and are read as "
                    f"belonging to each; if {name!r} is one shared thing, add Varies({name!r})."
                )
    return tuple(notes.values())


def _codes(frame: pd.DataFrame, columns: tuple[str, ...]) -> tuple[np.ndarray, tuple[str, ...]]:
    grouped = frame.groupby(list(columns), observed=True, sort=True)
    codes = grouped.ngroup().to_numpy().astype(np.intp)
    keys = list(grouped.size().index)
    labels = tuple(":".join(map(str, key)) if isinstance(key, tuple) else str(key) for key in keys)
    return codes, labels


def _engine_name(varies: Varies, made: list[Grouping]) -> str:
    taken = sum(group.varies.name == varies.name for group in made)
    return varies.name if not taken else f"{varies.name} ({taken + 1})"


def _check_groups(varies: Varies, labels: tuple[str, ...], n_rows: int) -> None:
    call = f"Varies({', '.join(map(repr, varies.columns))})"
    if len(labels) == 1:
        raise DesignError(f"{call} has one group only ({labels[0]!r}); a variance between groups needs several.")
    if len(labels) == n_rows and varies.intercept:
        raise DesignError(
            f"{call} has one row in each of its {n_rows} groups, so that it cannot be told from the residual; "
            "leave it out, or give every measurement its own row."
        )


def _check_different(varies: Varies, codes: np.ndarray, n_groups: int, made: list[Grouping]) -> None:
    for other in made:
        if not (varies.intercept and other.varies.intercept) and varies.slope != other.varies.slope:
            continue
        pairs = len(pd.unique(codes * len(other.labels) + other.codes))
        if pairs == n_groups == len(other.labels):
            if varies.columns == other.varies.columns:
                raise DesignError(
                    f"Two random terms give each {varies.name!r} a level of its own; keep one of them, or write "
                    "intercept=False in the one with the slope."
                )
            raise DesignError(
                f"Varies({varies.name!r}) and Varies({other.varies.name!r}) split the rows in the same way; keep one."
            )


def _check_shared(frame: pd.DataFrame, varies: Varies, random: Sequence[Varies], fixed: Sequence[str]) -> None:
    """Refuse a shared thing written as a part of participants, and a part of the body written as shared."""
    own = {term.columns[0] for term in random if len(term.columns) == 1} | set(fixed)
    if len(varies.columns) == 1:
        name = varies.columns[0]
        others = [column for term in random for column in term.columns if column != name]
        if _is_one_of(name, _BODY_WORDS) and frame[name].nunique() <= 4:
            whole = others[0] if others else "participant_id"
            raise DesignError(
                f"Varies({name!r}) would give all participants one shared {frame[name].unique()[0]!r}: its labels are "
                f"used again in every participant. Write Varies({whole!r}, {name!r})."
            )
        return
    for name in varies.columns:
        others = [column for column in varies.columns if column != name]
        if name in own or not _is_one_of(name, _SHARED_WORDS):
            continue
        recurring = _recurring(frame, name, others)
        if recurring:
            call, whole = ", ".join(map(repr, varies.columns)), " and ".join(map(repr, others))
            raise DesignError(
                f"Varies({call}) reads {name!r} as a part of {whole}, but its labels recur in {recurring} of them: "
                f"{name!r} is crossed. Add Varies({name!r}) for what it brings to everybody, or put it into the fixed "
                "effects."
            )


def _is_one_of(name: str, words: tuple[str, ...]) -> bool:
    return any(part in words for part in name.lower().replace("-", "_").split("_"))


def _recurring(frame: pd.DataFrame, name: str, others: list[str]) -> int:
    """In how many groups of the other columns a label of `name` occurs that occurs in another group as well."""
    pairs = frame[[*others, name]].drop_duplicates()
    shared = pairs[name].duplicated(keep=False)
    return len(pairs.loc[shared, others].drop_duplicates())


def _columns(frame: pd.DataFrame, varies: Varies, codes: np.ndarray) -> tuple[np.ndarray, tuple[str, ...]]:
    ones = np.ones((len(frame), 1))
    if varies.slope is None:
        return ones, ("intercept",)
    values = frame[varies.slope]
    if pd.api.types.is_numeric_dtype(values.dtype) and not pd.api.types.is_bool_dtype(values.dtype):
        slope = values.to_numpy(dtype=float)[:, None]
        words: tuple[str, ...] = (varies.slope,)
        _check_slope(varies, slope[:, 0], codes)
    elif pd.api.types.is_datetime64_any_dtype(values.dtype):
        raise DataError(f"The slope {varies.slope!r} holds dates; give days or weeks as a number.")
    else:
        levels = _levels(values)
        if len(levels) < 2:
            raise DesignError(f"The slope {varies.slope!r} has one level only; leave the slope out.")
        kept = levels[1:] if varies.intercept else levels
        slope = np.column_stack([(values == level).to_numpy(dtype=float) for level in kept])
        words = tuple(f"{varies.slope}[{level}]" for level in kept)
    return (np.column_stack([ones, slope]), ("intercept", *words)) if varies.intercept else (slope, words)


def _levels(values: pd.Series) -> list[object]:
    if isinstance(values.dtype, pd.CategoricalDtype):
        return [level for level in values.cat.categories if (values == level).any()]
    return sorted(values.unique(), key=str)


def _check_slope(varies: Varies, values: np.ndarray, codes: np.ndarray) -> None:
    if np.ptp(values) == 0:
        raise DesignError(f"The slope {varies.slope!r} is {values[0]:g} in every row; leave the slope out.")
    spread = pd.Series(values).groupby(codes).agg(lambda group: group.max() - group.min())
    if not np.any(spread > 0):
        raise DesignError(
            f"The slope {varies.slope!r} does not change within any group of {varies.name!r}, so that no group has a "
            "slope of its own; leave the slope out."
        )
