"""Reporting items by number, in our own words, each answered from the study or "to be written"."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from importlib import resources
from typing import Final

from studykit.errors import DataError
from studykit.formatting import counted
from studykit.report.facts import SUBJECTS, Facts
from studykit.table import Column, Table

TO_BE_WRITTEN: Final = "to be written"
ORDER: Final = ("consort", "strobe", "grras", "tidier", "sampl")
ANSWERED_ALREADY: Final = "reliability.reporting_items"
"""Answer of a reliability study that is this table of GRRAS already."""


@dataclass(frozen=True, slots=True)
class Item:
    """One item: its number, what it asks, and the subjects that answer it."""

    number: str
    asked: str
    subjects: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Guideline:
    """One guideline with its items and the designs that it is for."""

    key: str
    name: str
    source: str
    designs: tuple[str, ...]
    items: tuple[Item, ...]


def guideline(key: str) -> Guideline:
    """One of `ORDER`.

    Raises:
        DataError: an item asks for a subject that nobody answers.
    """
    source = resources.files("studykit.report").joinpath("guidelines", f"{key}.toml").read_text(encoding="utf-8")
    read = tomllib.loads(source)
    items = tuple(Item(one["number"], one["asked"], tuple(one.get("from", ()))) for one in read["item"])
    for item in items:
        unknown = [subject for subject in item.subjects if subject not in SUBJECTS]
        if unknown:
            raise DataError(f"Item {item.number} of {key} asks for {unknown[0]!r}, which is no subject.")
    return Guideline(read["key"], read["name"], read["source"], tuple(read["designs"]), items)


def guideline_tables(facts: Facts) -> list[Table]:
    """The tables of all guidelines that are meant for this design and that the study has something to say to."""
    design = facts.study.protocol.study.design
    wanted = [one for one in map(guideline, ORDER) if design in one.designs]
    return [_table(one, facts) for one in wanted if _applies(one, facts)]


def _applies(one: Guideline, facts: Facts) -> bool:
    if one.key != "grras":
        return True
    return ANSWERED_ALREADY not in facts.results and f"reliability.{facts.primary}" in facts.results


def _table(one: Guideline, facts: Facts) -> Table:
    rows = tuple((item.number, item.asked, _answer(item, facts)) for item in one.items)
    missing = sum(answer == TO_BE_WRITTEN for _, _, answer in rows)
    notes = (
        f"{len(rows) - missing} of {counted(len(rows), 'item')} have an answer from the study; that there is an answer "
        "does not say that it is enough.",
        f"Items by number, in our own words. {one.source}",
    )
    columns = (Column("Item", "left"), Column("What is asked", "left"), Column("Answer", "left"))
    return Table(f"guideline_{one.key}", one.name, columns, rows, notes)


def _answer(item: Item, facts: Facts) -> str:
    said = [text for text in (facts.about(subject) for subject in item.subjects) if text]
    return " ".join(dict.fromkeys(said)) if said else TO_BE_WRITTEN
