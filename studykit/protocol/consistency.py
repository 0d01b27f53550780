"""Rules between the parts of a protocol: a visit that is named must be planned, a trial needs a control, and so on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import pairwise

from studykit.protocol.model import Protocol


@dataclass(frozen=True, slots=True)
class PartProblem:
    """A problem between parts: `where` is the dotted place in study.toml, such as "study.primary_visit"."""

    where: str
    message: str


def problems_between_parts(protocol: Protocol) -> list[PartProblem]:
    """Every problem that no part can see alone, in the order of the file."""
    return [
        *_primary(protocol),
        *_arms(protocol),
        *_visits(protocol),
        *_raters(protocol),
        *_reliability(protocol),
        *_intake(protocol),
    ]


def meant(word: str, known: list[str]) -> str:
    """ "; did you mean ...?" for a word that is close to a known one, else the known ones."""
    close = get_close_matches(word, known, n=1, cutoff=0.6)
    if close:
        return f"; did you mean {close[0]!r}?"
    return f"; known are {', '.join(repr(name) for name in known)}" if known else ""


def _primary(protocol: Protocol) -> Iterator[PartProblem]:
    study = protocol.study
    if study.primary_measure not in protocol.measures:
        hint = meant(study.primary_measure, list(protocol.measures))
        yield PartProblem("study.primary_measure", f"{study.primary_measure!r} is not among the measures{hint}")
    visits = list(protocol.visit_keys)
    if study.primary_visit is not None and study.primary_visit not in visits:
        hint = meant(study.primary_visit, visits)
        yield PartProblem("study.primary_visit", f"{study.primary_visit!r} is not a planned visit{hint}")
    if study.design != "reliability":
        if study.primary_visit is None:
            yield PartProblem("study", f"a study of design {study.design!r} needs a primary_visit")
        elif visits and study.primary_visit == visits[0]:
            yield PartProblem("study.primary_visit", "the first visit is the baseline; change needs a later one")


def _arms(protocol: Protocol) -> Iterator[PartProblem]:
    controls = [key for key, arm in protocol.arms.items() if arm.control]
    if protocol.study.design == "trial":
        if len(protocol.arms) < 2:
            yield PartProblem("arms", f"a trial needs at least two arms; {len(protocol.arms)} declared")
        elif not controls:
            yield PartProblem("arms", "a trial needs one arm with control = true")
    if len(controls) > 1:
        yield PartProblem(f"arms.{controls[1]}.control", f"only one arm can be the control; {controls[0]!r} already is")
    last = max((visit.week for visit in protocol.visits), default=None)
    for key, arm in protocol.arms.items():
        if arm.dose is not None and last is not None and arm.dose.weeks > last:
            yield PartProblem(
                f"arms.{key}.dose.weeks",
                f"the dose runs for {arm.dose.weeks:g} weeks, but the last visit is in week {last:g}",
            )


def _visits(protocol: Protocol) -> Iterator[PartProblem]:
    visits = protocol.visits
    if not visits and protocol.study.design != "reliability":
        yield PartProblem("visits", f"a study of design {protocol.study.design!r} needs planned visits")
    for key, count in Counter(protocol.visit_keys).items():
        if count > 1:
            yield PartProblem("visits", f"visit {key!r} is planned {count} times")
    for position, (earlier, later) in enumerate(pairwise(visits), start=1):
        if later.week < earlier.week:
            yield PartProblem(
                f"visits.{position}.week",
                f"visit {later.key!r} (week {later.week:g}) stands after {earlier.key!r} (week {earlier.week:g})",
            )


def _raters(protocol: Protocol) -> Iterator[PartProblem]:
    for key, count in Counter(protocol.raters).items():
        if count > 1:
            yield PartProblem("raters", f"rater {key!r} is listed {count} times")


def _reliability(protocol: Protocol) -> Iterator[PartProblem]:
    plan = protocol.reliability
    if plan is None:
        if protocol.study.design == "reliability":
            yield PartProblem("reliability", "a study of design 'reliability' needs a [reliability] table")
        return
    if plan.visit is not None and plan.visit not in protocol.visit_keys:
        hint = meant(plan.visit, list(protocol.visit_keys))
        yield PartProblem("reliability.visit", f"{plan.visit!r} is not a planned visit{hint}")


def _intake(protocol: Protocol) -> Iterator[PartProblem]:
    for table, intake in protocol.intake.tables.items():
        if intake.wide and table != "measurements":
            yield PartProblem(f"intake.tables.{table}.wide", "only measurements can be declared wide")
        for position, column in enumerate(intake.wide):
            where = f"intake.tables.{table}.wide.{position}"
            if column.measure is not None and column.measure not in protocol.measures:
                hint = meant(column.measure, list(protocol.measures))
                yield PartProblem(f"{where}.measure", f"{column.measure!r} is not among the measures{hint}")
            if column.visit is not None and column.visit not in protocol.visit_keys:
                hint = meant(column.visit, list(protocol.visit_keys))
                yield PartProblem(f"{where}.visit", f"{column.visit!r} is not a planned visit{hint}")
