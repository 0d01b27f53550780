"""How far apart were two readings of the same limb at one visit, by two therapists or by one who read it twice?"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import combinations
from typing import Final

import numpy as np
import pandas as pd

from studykit.audit import wording
from studykit.audit.planned import ONE_SIDE
from studykit.change import MdcBeside
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import counted, estimate, level
from studykit.numerics.double_readings import PairError, pair_error
from studykit.pictures.double_readings import double_readings_picture
from studykit.pictures.theme import Drawing
from studykit.result import Result
from studykit.table import Column, Table
from studykit.vocabulary import MEASUREMENTS

TWO, ONE = "two therapists", "one therapist twice"
KINDS: Final = {TWO: "two_therapists", ONE: "one_therapist_twice"}
"""Who read twice, in words -> in keys of numbers."""
FEWEST_PEOPLE: Final = 10
"""People from whom on an error is given: common practice, no source. With ten the upper limit of the SEM is about twice
the lower one."""
PAIR_COLUMNS: Final = ("measure", "kind", "participant_id", "visit", "side", "first", "second", "mean", "difference")


@dataclass(frozen=True, kw_only=True)
class DoubleReadings(Result):
    """Agreement of two readings of one limb at one visit.

    Attributes:
        pairs: one row a pair: `PAIR_COLUMNS`; readings are means of the trials; the difference is that of the
            therapist whose code comes first, less the other's (or the first set of trials less the second).
        errors: (measure, kind) -> error of one reading, where enough people were read twice.
        too_few: (measure, kind) -> people read twice, where they are too few; below `smallest` only that is said.
        names, units: measure -> name, unit.
        primary: key of the primary measure; mdc: its MDC as it stands beside change, or None.
        fewest: people from whom on an error is given.
        notes: sentences below the table.
    """

    pairs: pd.DataFrame = field(repr=False)
    errors: dict[tuple[str, str], PairError]
    too_few: dict[tuple[str, str], int]
    smallest: int
    names: dict[str, str]
    units: dict[str, str]
    primary: str
    mdc: MdcBeside | None
    confidence: float
    notes: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row a measure and kind of pair: pairs, people, SEM and what 95 % of the differences lie below."""
        lines = [
            {
                "measure": measure,
                "kind": kind,
                "unit": self.units[measure],
                "pairs": error.pairs,
                "people": error.people,
                **{name: getattr(error, name) for name in _AMOUNTS},
            }
            for (measure, kind), error in self.errors.items()
        ]
        return pd.DataFrame(lines, columns=["measure", "kind", "unit", "pairs", "people", *_AMOUNTS])

    def numbers(self) -> dict[str, float]:
        """`<measure>.<kind>.pairs`, `.people`, `.sem`, `.apart` with `_low` and `_high`; `.people` where too few."""
        named: dict[str, float] = {}
        for (measure, kind), error in self.errors.items():
            start = f"{measure}.{KINDS[kind]}"
            named |= {f"{start}.pairs": float(error.pairs), f"{start}.people": float(error.people)}
            named |= {f"{start}.{name}": float(getattr(error, name)) for name in _AMOUNTS}
        named |= {f"{measure}.{KINDS[kind]}.people": float(n) for (measure, kind), n in self._shown_few()}
        if self.mdc is not None:
            named["mdc"] = self.mdc.value
        return named

    def table(self) -> Table:
        """One row a measure and kind of pair."""
        rows = []
        for (measure, kind), error in self.errors.items():
            unit = self.units[measure]
            rows.append(
                (
                    f"{self.names[measure]}, {kind}",
                    f"{error.pairs} of {counted(error.people, 'person', 'people')}",
                    estimate(error.sem, error.sem_low, error.sem_high, unit=unit),
                    estimate(error.apart, error.apart_low, error.apart_high, unit=unit),
                )
            )
        for (measure, kind), people in self.too_few.items():
            rows.append(
                (f"{self.names[measure]}, {kind}", wording.too_few_words(people, self.smallest), "too few", "too few")
            )
        interval = level(self.confidence)
        columns = (
            Column("Measure and who read twice", "left"),
            Column("Pairs"),
            Column(f"SEM, {interval}"),
            Column(f"95 of 100 pairs lie less apart than, {interval}"),
        )
        return Table("audit_double_readings", "How far apart are two readings?", columns, tuple(rows), self.notes)

    def _shown_few(self) -> list[tuple[tuple[str, str], int]]:
        return [(key, people) for key, people in self.too_few.items() if people >= self.smallest]

    def figure(self) -> Drawing | None:
        """Size of the difference of each pair of the primary measure (or of the first that has enough)."""
        shown = next((key for key in self.errors if key[0] == self.primary), next(iter(self.errors), None))
        if shown is None:
            return None
        own = self.pairs[(self.pairs["measure"] == shown[0]) & (self.pairs["kind"] == shown[1])]
        error = self.errors[shown]
        return double_readings_picture(
            own,
            apart=(error.apart, error.apart_low, error.apart_high),
            measure=self.names[shown[0]],
            unit=self.units[shown[0]],
            who=shown[1],
            confidence=self.confidence,
        )


_AMOUNTS: Final = ("sem", "sem_low", "sem_high", "apart", "apart_low", "apart_high")


def double_readings_of_study(study: Study, *, mdc: MdcBeside | None = None) -> DoubleReadings:
    """Pair the readings that two therapists, or one therapist twice, took of the same limb at the same visit.

    A therapist has read a limb twice where the numbers of the trials go on for another full set: 4 to 6 where three
    trials are planned.

    Raises:
        DesignError: no limb was read twice at a visit.
    """
    protocol = study.protocol
    pairs = _pairs(study)
    if pairs.empty:
        raise DesignError(
            "No limb was read by two therapists, or twice by one, at the same visit, so the audit cannot say how far "
            "apart two readings lie. Let a second therapist read every tenth visit."
        )
    errors: dict[tuple[str, str], PairError] = {}
    too_few: dict[tuple[str, str], int] = {}
    smallest = protocol.privacy.smallest_group
    fewest = max(FEWEST_PEOPLE, smallest)
    for measure in protocol.measures:
        for kind in KINDS:
            own = pairs[(pairs["measure"] == measure) & (pairs["kind"] == kind)]
            people = int(own["participant_id"].nunique())
            if people >= fewest:
                errors[measure, kind] = pair_error(
                    own["difference"], own["participant_id"], confidence=protocol.study.confidence
                )
            elif people:
                too_few[measure, kind] = people
    names = {key: measure.name for key, measure in protocol.measures.items()}
    units = {key: str(measure.unit) for key, measure in protocol.measures.items()}
    primary, confidence = protocol.study.primary_measure, protocol.study.confidence
    return DoubleReadings(
        key="audit.double_readings",
        title="Double readings",
        headline=wording.doubles_headline(errors, too_few, names, units, fewest, smallest, confidence),
        cautions=wording.doubles_cautions(mdc, units[primary]),
        methods=wording.doubles_methods(),
        provenance=study.provenance(),
        pairs=pairs,
        errors=errors,
        too_few=too_few,
        smallest=smallest,
        names=names,
        units=units,
        primary=primary,
        mdc=mdc,
        confidence=confidence,
        notes=wording.doubles_notes(fewest, mdc, names[primary], units[primary]),
    )


def _pairs(study: Study) -> pd.DataFrame:
    """Every pair of readings of one limb at one visit; graded measures have no difference and are left out."""
    rows = study.table(MEASUREMENTS)
    scales = {key for key, measure in study.protocol.measures.items() if not measure.graded}
    rows = rows[rows["value"].notna() & rows["measure"].isin(scales)]
    rows = rows.assign(side=rows["side"].fillna(ONE_SIDE), visit=rows["visit"].astype("str").fillna(""))
    planned = rows["measure"].map({key: m.trials_per_visit for key, m in study.protocol.measures.items()})
    rows = rows.assign(set_of=((rows["trial"].astype("int64") - 1) // planned).astype("int64"))
    sets = rows.groupby(["measure", "participant_id", "visit", "side", "rater_id", "set_of"], sort=True)["value"]
    means = sets.mean().rename("value").reset_index()
    lines = [*_by_two(means), *_by_one(means)]
    return pd.DataFrame(lines, columns=list(PAIR_COLUMNS))


def _by_two(means: pd.DataFrame) -> Iterator[tuple[object, ...]]:
    """The first sets of every two therapists."""
    limb = ["measure", "participant_id", "visit", "side"]
    first = means[means["set_of"] == 0]
    first = first[first.groupby(limb)["value"].transform("size") > 1]
    for key, own in first.groupby(limb, sort=True):
        for one, other in combinations(own.itertuples(), 2):
            yield _pair(key, TWO, (one.rater_id, other.rater_id), one.value, other.value)


def _by_one(means: pd.DataFrame) -> Iterator[tuple[object, ...]]:
    """The first and the second set of one therapist."""
    reader = ["measure", "participant_id", "visit", "side", "rater_id"]
    again = means[means.groupby(reader)["set_of"].transform("max") > 0]
    for key, own in again.groupby(reader, sort=True):
        at = own.set_index("set_of")["value"]
        if 0 in at.index and 1 in at.index:
            yield _pair(key[:4], ONE, (key[4], key[4]), at[0], at[1])


def _pair(key: tuple[str, ...], kind: str, who: tuple[str, str], one: float, other: float) -> tuple[object, ...]:
    measure, participant, visit, side = key
    return (measure, kind, participant, visit, side, *who, float(np.mean([one, other])), float(one - other))
