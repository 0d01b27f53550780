"""Which code became which label or pseudonym: a list for those who look after the data, never shared."""

from __future__ import annotations

import csv
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from studykit.data.sharing.privacy import IDENTIFIERS
from studykit.data.sharing.shareable import pseudonym
from studykit.data.study import Study
from studykit.errors import CallError

COLUMNS: Final = ("column", "in_the_study", "shown_as")
Legend = Mapping[str, Mapping[str, str]]
"""Column -> {code or word in the study -> what stands in its place}."""


def pseudonyms_of(study: Study, key: bytes) -> Legend:
    """The pseudonym of every code of a participant and of a rater under a key."""
    codes: dict[str, set[str]] = {column: set() for column in IDENTIFIERS}
    codes["rater_id"].update(study.protocol.raters)
    for frame in study.tables.values():
        for column in IDENTIFIERS & set(frame.columns):
            codes[column].update(str(code) for code in frame[column].dropna())
    return {
        column: {code: pseudonym(code, kind=column, key=key) for code in sorted(found)}
        for column, found in sorted(codes.items())
    }


def check_place_of_legend(file: Path, folder: Path) -> None:
    """Refuse a place from which the legend could travel with the study, or where something would be lost.

    Raises:
        CallError: the file lies inside the study folder, exists already, or its folder does not exist.
    """
    if folder.resolve() in file.resolve().parents:
        raise CallError(
            f"The legend {file.name} lies inside the study folder. Whoever gets the folder would get the codes with "
            "it; write it elsewhere."
        )
    if file.exists():
        raise CallError(f"{file} exists already; a legend is never overwritten. Name a new file.")
    if not file.parent.is_dir():
        raise CallError(f"There is no folder {file.parent} to write {file.name} into.")


def write_legend(legend: Legend, file: Path) -> None:
    """Write a legend that only its owner can read: .csv with column, in_the_study, shown_as.

    Raises:
        CallError: the file cannot be written.
    """
    try:
        with open(file, "x", encoding="utf-8", newline="", opener=_private) as opened:
            writer = csv.writer(opened, lineterminator="\n")
            writer.writerow(COLUMNS)
            writer.writerows((column, word, label) for column, words in legend.items() for word, label in words.items())
    except OSError as trouble:
        raise CallError(f"{file} cannot be written ({trouble.strerror}).") from None


def _private(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)
