"""The names and numbers of a protocol that may still have mistakes in it.

Rules between parts (`consistency`) work on this outline, so that they are told in the same message as the mistakes
inside the parts. What is missing or of the wrong kind is None here: its own problem is told elsewhere.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from studykit.protocol.intake_model import TableIntake
from studykit.protocol.lines import Place
from studykit.protocol.measure import Measure
from studykit.protocol.model import Arm, ReliabilityPlan
from studykit.protocol.planning_model import PlanningPart

PartT = TypeVar("PartT", bound=BaseModel)
Content = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class PlannedVisit:
    """Key and week of a visit, each None when it cannot be read."""

    key: str | None
    week: float | None


@dataclass(frozen=True, slots=True)
class Outline:
    """What rules between parts need to know; parts that cannot be read are None.

    Attributes:
        written: measures as they stand in the file, before the catalogue completes them.
        has_reliability: whether the file has a [reliability] table, readable or not.
        columns_of_words: columns of the participants table that hold words, not numbers, as far as declared.
        analysis_columns: columns that [analysis] names as "covariates" and as "strata".
        course: how [analysis] lets the means run over the visits.
    """

    design: str | None
    primary_measure: str | None
    primary_visit: str | None
    trials_used: str | None
    arms: Mapping[str, Arm | None]
    visits: tuple[PlannedVisit, ...]
    raters: tuple[str, ...]
    measures: Mapping[str, Measure | None]
    written: Mapping[str, Content]
    reliability: ReliabilityPlan | None
    has_reliability: bool
    covariates: tuple[str, ...]
    columns_of_words: frozenset[str]
    analysis_columns: Mapping[str, tuple[str, ...]]
    course: str | None
    planning: PlanningPart | None
    intake: Mapping[str, TableIntake | None]

    @property
    def visit_keys(self) -> list[str]:
        """Keys of the visits that have a readable one."""
        return [visit.key for visit in self.visits if visit.key is not None]

    @property
    def every_visit_named(self) -> bool:
        """False while a visit's key cannot be read: then nobody can say that a visit is not planned."""
        return len(self.visit_keys) == len(self.visits)


def outline_of(content: Content, *, written: Mapping[str, Content]) -> Outline:
    """Read the outline from the content of a file whose measures the catalogue has completed."""
    study = _table(content, "study")
    return Outline(
        design=_text(study, "design"),
        primary_measure=_text(study, "primary_measure"),
        primary_visit=_text(study, "primary_visit"),
        trials_used=_text(study, "trials_used"),
        arms={key: _part(Arm, arm) for key, arm in _table(content, "arms").items()},
        visits=tuple(_visit(entry) for entry in _items(content, "visits")),
        raters=tuple(rater.strip() for rater in _items(content, "raters") if isinstance(rater, str)),
        measures={key: _part(Measure, entry) for key, entry in _table(content, "measures").items()},
        written=written,
        reliability=_part(ReliabilityPlan, content.get("reliability")),
        has_reliability="reliability" in content,
        covariates=tuple(_table(content, "covariates")),
        columns_of_words=frozenset({"sex", "site"})
        | {
            key
            for key, entry in _table(content, "covariates").items()
            if _table({"one": entry}, "one").get("kind") != "number"
        },
        analysis_columns={
            part: tuple(entry.strip() for entry in _items(_table(content, "analysis"), part) if isinstance(entry, str))
            for part in ("covariates", "strata")
        },
        course=_text(_table(content, "analysis"), "course"),
        planning=_part(PlanningPart, content.get("planning")),
        intake={
            key: _part(TableIntake, entry, without_mistakes=True)
            for key, entry in _table(_table(content, "intake"), "tables").items()
        },
    )


def _part(kind: type[PartT], entry: object, *, without_mistakes: bool = False) -> PartT | None:
    """A part as far as it can be read: without its unknown keys, or without every mistaken one; else None."""
    try:
        return kind.model_validate(entry, strict=True)
    except ValidationError as error:
        mistakes: list[Place] = [
            tuple(details["loc"])
            for details in error.errors(include_url=False)
            if without_mistakes or details["type"] == "extra_forbidden"
        ]
    try:
        return kind.model_validate(_without(entry, mistakes), strict=True)
    except ValidationError:
        return None


def _without(entry: object, places: list[Place]) -> object:
    """A copy of an entry that lacks some of its places."""
    inner: defaultdict[str | int, list[Place]] = defaultdict(list)
    for place in places:
        if place:
            inner[place[0]].append(place[1:])
    if isinstance(entry, dict):
        return {key: _without(value, inner[key]) for key, value in entry.items() if () not in inner[key]}
    if isinstance(entry, tuple):
        return tuple(_without(value, inner[position]) for position, value in enumerate(entry))
    return entry


def _table(content: Content, key: str) -> Content:
    entry = content.get(key)
    return entry if isinstance(entry, dict) else {}


def _items(content: Content, key: str) -> tuple[object, ...]:
    entry = content.get(key)
    return entry if isinstance(entry, tuple) else ()


def _text(content: Content, key: str) -> str | None:
    entry = content.get(key)
    return entry.strip() if isinstance(entry, str) else None


def _visit(entry: object) -> PlannedVisit:
    table: Content = entry if isinstance(entry, dict) else {}
    week = table.get("week")
    readable = isinstance(week, (int, float)) and not isinstance(week, bool) and 0 <= week <= 520
    return PlannedVisit(_text(table, "key"), float(week) if readable and week is not None else None)
