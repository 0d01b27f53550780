"""Every column of a study as a person meets it: heading with unit, meaning, allowed words or range, needed or not."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from studykit.protocol import Protocol
from studykit.protocol.cells import Bounds, Kind, allowed_range, allowed_words, kind_of, needed_columns, table_columns
from studykit.vocabulary import MEASUREMENTS, PARTICIPANTS

UNIT_WORDS = {"deg": "degrees", "grade": "grade"}


@dataclass(frozen=True, slots=True)
class EntryColumn:
    """One column of one table in this study.

    Attributes:
        table, name: where it belongs, as the kit calls it.
        heading: what a person calls it; `unit`: what its numbers count, "" where there is none.
        meaning: in a few words.
        kind: what sort of content it holds.
        words: allowed word -> what it stands for, empty when any word will do.
        bounds: the allowed range of a number, or None.
        needed: every row needs a cell here.
    """

    table: str
    name: str
    heading: str
    unit: str
    meaning: str
    kind: Kind
    words: dict[str, str]
    bounds: Bounds | None
    needed: bool

    @property
    def title(self) -> str:
        """Heading with the unit behind it, such as "Age (years)"."""
        return f"{self.heading} ({self.unit})" if self.unit else self.heading


def columns_of(table: str, protocol: Protocol) -> tuple[EntryColumn, ...]:
    """The columns of a table in this study, in order."""
    needed = needed_columns(table, protocol)
    return tuple(_column(table, name, protocol, needed=name in needed) for name in table_columns(table, protocol))


def about(table: str) -> str:
    """What one line of a table is."""
    return str(_explained()[table]["about"])


def visit_words(protocol: Protocol) -> dict[str, str]:
    """Key of a visit -> its label and week; the week alone where the label says no more."""
    weeks = {visit.key: (visit.label, f"week {visit.week:g}") for visit in protocol.visits}
    return {key: label if label.casefold() == week else f"{label}, {week}" for key, (label, week) in weeks.items()}


def _column(table: str, name: str, protocol: Protocol, *, needed: bool) -> EntryColumn:
    heading, unit, meaning = _said(table, name, protocol)
    return EntryColumn(
        table,
        name,
        heading,
        unit,
        meaning,
        kind_of(name, protocol),
        _words(table, name, protocol),
        _bounds(table, name, protocol),
        needed,
    )


def _said(table: str, name: str, protocol: Protocol) -> tuple[str, str, str]:
    """Heading, unit and meaning."""
    if table == PARTICIPANTS and name in protocol.covariates:
        covariate = protocol.covariates[name]
        return covariate.label, covariate.unit, "as declared in study.toml"
    said = _explained()[table]["columns"][name]
    unit = said.get("unit", "")
    if (table, name) == (MEASUREMENTS, "value"):
        units = list(dict.fromkeys(measure.unit for measure in protocol.measures.values()))
        unit = UNIT_WORDS.get(units[0], units[0]) if len(units) == 1 else "in the unit of the measure"
    return str(said["heading"]), str(unit), str(said["meaning"])


def _words(table: str, name: str, protocol: Protocol) -> dict[str, str]:
    if name == "rater_id" and protocol.raters:
        return dict.fromkeys(protocol.raters, "a rater named in study.toml")
    allowed = allowed_words(table, name, protocol)
    if allowed is None:
        return {}
    labels: dict[str, str] = {}
    if name == "arm":
        labels = {key: arm.label for key, arm in protocol.arms.items()}
    elif name == "visit":
        labels = visit_words(protocol)
    elif name == "measure":
        labels = {key: measure.name for key, measure in protocol.measures.items()}
    return {word: labels.get(word, "") for word in allowed[0]}


def _bounds(table: str, name: str, protocol: Protocol) -> Bounds | None:
    if (table, name) == (MEASUREMENTS, "value"):
        measures = protocol.measures.values()
        return Bounds(min(one.plausible_low for one in measures), max(one.plausible_high for one in measures))
    return allowed_range(table, name, protocol)


@cache
def _explained() -> dict[str, Any]:
    return tomllib.loads(resources.files("studykit.entry").joinpath("columns.toml").read_text(encoding="utf-8"))
