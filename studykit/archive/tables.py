"""Tables of a study as .csv that read back to the very same values, and their description as a Frictionless package."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from datetime import timedelta
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from studykit.archive.names import TABLES
from studykit.data.checks.schemas import column_types
from studykit.data.checks.setting_aside import harmless_cell
from studykit.data.sharing.shareable import DAY_ZERO, STUDY_DAYS
from studykit.data.study import Study
from studykit.entry.columns import about, columns_of
from studykit.errors import DataError
from studykit.protocol.cells import allowed_range, allowed_words, needed_columns
from studykit.vocabulary import DATE_COLUMNS, DIARY, MEASUREMENTS, PARTICIPANTS, RATERS, REQUIRED

UNITS = {"cm": "cm", "kg": "kg", "s": "s", "years": "years"}
TABLES_OF_PEOPLE = (MEASUREMENTS, DIARY)
"""Tables whose every row belongs to somebody in participants, which the check has seen to."""


def csv_tables(study: Study, dates: str) -> dict[str, bytes]:
    """Path in the payload -> .csv of each table that has rows; columns that hold nothing are left out.

    Raises:
        DataError: a cell of text begins like a formula.
    """
    frames = {path: study.tables[table] for path, table in TABLES.items()}
    return {path: _csv(frame, TABLES[path], dates) for path, frame in frames.items() if len(frame)}


def written_columns(frame: pd.DataFrame, table: str) -> list[str]:
    """Columns that are written: those that hold something, and those without which the table cannot be read."""
    return [str(name) for name in frame.columns if name in REQUIRED[table] or frame[name].notna().any()]


def heading(column: str, dates: str) -> str:
    """The heading of a column: `measured_on` holds dates, `measured_day` holds study days."""
    return column.removesuffix("_on") + "_day" if dates == STUDY_DAYS and column in DATE_COLUMNS else column


def _csv(frame: pd.DataFrame, table: str, dates: str) -> bytes:
    columns = written_columns(frame, table)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([heading(column, dates) for column in columns])
    writer.writerows(zip(*(_cells(frame[column], f"{table}.{column}", dates) for column in columns), strict=True))
    return text.getvalue().encode()


def _cells(column: pd.Series, place: str, dates: str) -> list[str]:
    kept = column.notna().to_numpy()
    values = column.to_numpy(dtype=object)
    if column.dtype.kind == "M":
        zero = pd.Timestamp(DAY_ZERO)
        days = (column - zero).dt.days.to_numpy() if dates == STUDY_DAYS else column.dt.strftime("%Y-%m-%d").to_numpy()
        return [_whole(day) if known else "" for day, known in zip(days, kept, strict=True)]
    if column.dtype == "boolean":
        return [("yes" if value else "no") if known else "" for value, known in zip(values, kept, strict=True)]
    if column.dtype == "Int64":
        return [str(int(value)) if known else "" for value, known in zip(values, kept, strict=True)]
    if column.dtype == "float64":
        return [plain_number(float(value)) if known else "" for value, known in zip(values, kept, strict=True)]
    words = [str(value) if known else "" for value, known in zip(values, kept, strict=True)]
    formulas = sum(harmless_cell(word) != word for word in words)
    if formulas:
        raise DataError(
            f"{formulas} cells of {place} begin like a formula (= + - @), which a spreadsheet program would run. "
            "Write them in another way, give them codes under [intake], or leave the column out of the seal."
        )
    return words


def _whole(day: object) -> str:
    return str(int(day)) if isinstance(day, (float, int, np.integer, np.floating)) else str(day)


def plain_number(value: float) -> str:
    """The shortest digits that read back to the same number, without an exponent and without ".0"."""
    text = repr(value)
    if "e" in text:
        text = format(Decimal(text), "f")
    return text.removesuffix(".0")


def with_dates(text: str) -> str:
    """A table with study days as the table with dates that the kit reads; the first line holds the headings.

    Raises:
        DataError: a study day is no whole number of a size that a study can have.
    """
    rows = list(csv.reader(io.StringIO(text)))
    back = {heading(column, STUDY_DAYS): column for column in DATE_COLUMNS}
    places = [place for place, name in enumerate(rows[0] if rows else []) if name in back]
    for row in rows[1:]:
        for place in places:
            if place < len(row) and row[place]:
                row[place] = _date_of(row[place])
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(
        [[back.get(name, name) for name in rows[0]], *rows[1:]] if rows else []
    )
    return out.getvalue()


def _date_of(day: str) -> str:
    plain = day.removeprefix("-")
    if not (plain.isascii() and plain.isdigit() and len(plain) <= 5 and int(plain) < 36_000):
        raise DataError(f"A study day is written as {day[:20]!r}; it must be a whole number of days.")
    return (DAY_ZERO + timedelta(days=int(day))).isoformat()


def data_package(study: Study, files: Mapping[str, bytes], hashes: Mapping[str, str], dates: str) -> dict[str, Any]:
    """Content of datapackage.json: a Tabular Data Package (Frictionless, version 1) with a schema for each table."""
    return {
        "profile": "tabular-data-package",
        "name": "study-seal",
        "title": study.protocol.study.title,
        "description": study.protocol.study.question,
        "resources": [_resource(study, TABLES[path], path, files, hashes, dates) for path in files],
    }


def _resource(
    study: Study, table: str, path: str, files: Mapping[str, bytes], hashes: Mapping[str, str], dates: str
) -> dict[str, Any]:
    columns = written_columns(study.tables[table], table)
    schema: dict[str, Any] = {
        "fields": [_field(study, table, column, dates) for column in columns],
        "missingValues": [""],
    }
    if table in (PARTICIPANTS, RATERS):
        schema["primaryKey"] = columns[0]
    if table in TABLES_OF_PEOPLE and len(study.tables[PARTICIPANTS]):
        whom = {"resource": PARTICIPANTS, "fields": "participant_id"}
        schema["foreignKeys"] = [{"fields": "participant_id", "reference": whom}]
    return {
        "name": table,
        "title": about(table),
        "path": path,
        "profile": "tabular-data-resource",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "dialect": {"delimiter": ",", "lineTerminator": "\n", "quoteChar": '"', "doubleQuote": True, "header": True},
        "bytes": len(files[path]),
        "hash": f"sha256:{hashes[path]}",
        "schema": schema,
    }


def _field(study: Study, table: str, column: str, dates: str) -> dict[str, Any]:
    covariate = study.protocol.covariates.get(column)
    meanings = {one.name: one.meaning for one in columns_of(table, study.protocol)}
    words_about = meanings.get(column, "") if covariate is None else covariate.label
    unit = covariate.unit if covariate is not None else UNITS.get(column.rpartition("_")[2], "")
    kind = column_types(table, study.protocol)[column]
    field: dict[str, Any] = {"name": heading(column, dates), "type": _type(kind, column, dates)}
    if field["type"] == "boolean":
        field |= {"trueValues": ["yes"], "falseValues": ["no"]}
    if column in DATE_COLUMNS and dates == STUDY_DAYS:
        words_about += " (study day: days since the enrolment of this person)"
    field["description"] = words_about
    if unit:
        field["unit"] = unit
    constraints: dict[str, Any] = {"required": True} if column in needed_columns(table, study.protocol) else {}
    words = allowed_words(table, column, study.protocol)
    if words is not None:
        constraints["enum"] = list(words[0])
    bounds = allowed_range(table, column, study.protocol)
    if bounds is not None and np.isfinite([bounds.low, bounds.high]).all():
        constraints |= {"minimum": bounds.low, "maximum": bounds.high}
    return field | ({"constraints": constraints} if constraints else {})


def _type(kind: str, column: str, dates: str) -> str:
    if column in DATE_COLUMNS:
        return "integer" if dates == STUDY_DAYS else "date"
    return {"boolean": "boolean", "Int64": "integer", "float64": "number"}.get(kind, "string")
