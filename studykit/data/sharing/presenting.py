"""A study as it is shown in a report: what looks like a name, a birth date or a record number is not repeated there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import pandas as pd

from studykit.data.sharing.privacy import IDENTIFIERS, identifying_cells
from studykit.data.study import Study
from studykit.vocabulary import COLUMNS

NOUNS = {"participant_id": "participant", "rater_id": "rater"}


@dataclass(frozen=True)
class PresentableStudy(Study):
    """A study in which some words were replaced by labels; its hash stays that of the rows that were read.

    Attributes:
        read_sha256: hash of the rows as they were read.
        legend: column -> {word as it was read -> label}.
    """

    read_sha256: str = ""
    legend: Mapping[str, Mapping[str, str]] = field(default_factory=dict, repr=False)

    @cached_property
    def data_sha256(self) -> str:
        """Hash of the rows that the numbers come from, as they were read."""
        return self.read_sha256


def presentable(study: Study) -> Study:
    """The same study with a label in place of every code or word that looks like something that identifies a person.

    Codes become "participant 1", "rater 2"; other words "not shown 1". Different words get different labels and one
    word gets one label in all tables, so that groups stay what they are. A study without them comes back as it is.
    """
    seen = {
        (table, str(column)): identifying_cells(study, table, str(column))
        for table in COLUMNS
        for column in study.tables[table]
    }
    if not any(cells.any() for cells in seen.values()):
        return study
    labels = _labels(study, seen)
    tables = {name: study.table(name) for name in COLUMNS}
    for frame in tables.values():
        for column in frame.columns:
            known = labels.get(str(column), {})
            if known:
                frame[column] = frame[column].map(lambda word, known=known: known.get(word, word)).astype("str")
    raters = tuple(labels.get("rater_id", {}).get(code, code) for code in study.protocol.raters)
    protocol = study.protocol.model_copy(update={"raters": raters})
    return PresentableStudy(
        protocol,
        tables,
        study.findings,
        study.rows_in,
        study.rows_set_aside,
        read_sha256=study.data_sha256,
        legend=labels,
    )


def _labels(study: Study, seen: dict[tuple[str, str], pd.Series]) -> dict[str, dict[str, str]]:
    """Column -> {word -> label}, numbered in the order of the words, which says nothing that the words did not say."""
    words: dict[str, set[str]] = {}
    for (table, column), cells in seen.items():
        words.setdefault(column, set()).update(study.tables[table][column][cells])
    return {
        column: {
            word: f"{NOUNS[column] if column in IDENTIFIERS else 'not shown'} {number}"
            for number, word in enumerate(sorted(found), start=1)
        }
        for column, found in words.items()
    }
