"""Protocol and tables of a seal -> every number again, by the very steps of a report."""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from studykit.answers import answer
from studykit.archive.names import PROTOCOL, TABLES
from studykit.archive.tables import with_dates
from studykit.data import check_study
from studykit.data.sharing.shareable import STUDY_DAYS
from studykit.data.study import Study
from studykit.errors import DataError
from studykit.report.numbers import results_document

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Recomputed:
    """A study read from a seal, and its results document."""

    study: Study
    results: dict[str, Any]


def write_study_folder(payload: Mapping[str, bytes], dates: str, folder: Path) -> None:
    """Write study.toml and data/ into an empty folder, under names of the kit alone.

    Raises:
        DataError: a table is no text, or its study days cannot be read.
    """
    (folder / "data").mkdir(parents=True)
    (folder / "study.toml").write_bytes(payload[PROTOCOL])
    for path, table in TABLES.items():
        if path in payload:
            content = _dated(path, payload[path]) if dates == STUDY_DAYS else payload[path]
            (folder / "data" / f"{table}.csv").write_bytes(content)


def recompute(folder: Path, *, progress: Progress | None = None) -> Recomputed:
    """Check a study folder that came out of a seal and compute every answer.

    Raises:
        ProtocolError: study.toml cannot be used.
        DataError: a row cannot be used; a seal holds checked rows only.
    """
    checked = check_study(folder, progress=progress)
    aside = {table: count for table, count in checked.rows_set_aside.items() if count}
    if aside or checked.study is None:
        table, count = next(iter(aside.items()), ("measurements", 0))
        told = checked.findings["rule"].iloc[0] if len(checked.findings) else "unreadable"
        raise DataError(
            f"The tables cannot be used as they are: {count} rows of {table} break a rule (first rule: "
            f"{str(told).replace('_', ' ')}), and a seal holds checked rows only."
        )
    return Recomputed(checked.study, results_document(checked, answer(checked.study, progress=progress)))


def _dated(path: str, content: bytes) -> bytes:
    try:
        return with_dates(content.decode()).encode()
    except (csv.Error, ValueError, OverflowError) as trouble:
        raise DataError(f"{path} in the seal cannot be read as a table of text ({type(trouble).__name__}).") from None
