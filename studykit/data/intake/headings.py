"""Which column of a sheet is which column of the table: by its own name or as declared, never by resemblance."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from difflib import get_close_matches
from functools import partial

import pandas as pd

from studykit.data.findings import found_in_file
from studykit.data.reading.sheet import Sheet, column_letter
from studykit.protocol.intake_model import TableIntake, WideColumn
from studykit.vocabulary import ERROR, REQUIRED, SUSPICION

WIDE_COLUMNS = ("measure", "side", "trial", "rater_id", "visit")
"""What one column of readings may say about all its readings, beside their date."""
_DECLARE = "Correct the heading, or declare it under headings (to read it) or ignore (to leave it out)."


@dataclass(frozen=True, slots=True)
class Reading:
    """One column of readings: its number in the sheet, what is declared for it, and the column that holds its date."""

    number: int
    declared: WideColumn | None = None
    date_number: int | None = None


@dataclass(frozen=True, slots=True)
class Matched:
    """Where the columns of a table are.

    Attributes:
        columns: column of the table -> number of the column in the sheet.
        fixed: column of the table -> the word that holds for every row.
        readings: columns of readings; none for a table without the column "value".
        wide: True when the sheet is declared wide.
        claimed: numbers of all columns that are read or ignored on purpose.
        findings: what is wrong with the headings.
    """

    columns: dict[str, int]
    fixed: dict[str, str]
    readings: tuple[Reading, ...]
    wide: bool
    claimed: frozenset[int]
    findings: list[pd.DataFrame]


def match_headings(table: str, sheet: Sheet, declared: TableIntake, columns: tuple[str, ...]) -> Matched:
    """Find every column of a table in a sheet, and say which required ones are missing."""
    numbers = _numbers(sheet)
    report = partial(found_in_file, table=table, file=sheet.file, sheet=sheet.sheet, severity=ERROR)
    findings = list(_undeclarable(declared, columns, report))
    places: dict[str, list[int]] = {}
    for heading, number in numbers.items():
        column = declared.headings.get(heading, heading)
        if column in columns and heading not in declared.ignore:
            places.setdefault(column, []).append(number)
    findings += _absent(declared, numbers, report)
    readings, wide_findings = _readings(declared, numbers, report)
    findings += wide_findings
    columns_at = {column: at[0] for column, at in places.items()}
    findings += _given_twice(places, columns_at, declared, sheet, report)
    wide = bool(declared.wide)
    if not wide and "value" in columns_at:
        readings = [Reading(columns_at["value"])]
    claimed = {
        *columns_at.values(),
        *(reading.number for reading in readings),
        *(reading.date_number for reading in readings if reading.date_number is not None),
        *(number for heading, number in numbers.items() if heading in declared.ignore),
    }
    fixed = {column: word for column, word in declared.fixed.items() if column in columns and column not in columns_at}
    matched = Matched(columns_at, fixed, tuple(readings), wide, frozenset(claimed), findings)
    findings += _repeated(sheet, matched, report)
    findings += _missing(table, sheet, matched, columns, report)
    return matched


def unread_columns(
    table: str, sheet: Sheet, *, claimed: frozenset[int], missing: list[str], absent: list[str]
) -> list[pd.DataFrame]:
    """Columns that hold something and that no table reads.

    Args:
        claimed: numbers of the columns that a table reads or the protocol ignores.
        missing: required columns that are not there; a heading that resembles one was named with it already.
        absent: other columns that are not there. A heading that is nearly one of them is an error, because a misspelt
            name would switch off that column's checks; any other is a suspicion.
    """
    findings = []
    for number, heading in enumerate(sheet.headings):
        filled = sheet.cells[number] != ""
        if number in claimed or not (heading or filled.any()) or (heading and _meant(heading, missing)):
            continue
        place = f"column {sheet.address(number) or number + 1}"
        if not heading:
            message = f"{place} has no heading, but {int(filled.sum())} cells are filled (first: row "
            message += f"{sheet.rows[int(filled.to_numpy().argmax())]})"
            severity, rule, hint = SUSPICION, "no_heading", ""
        else:
            hint = _meant(heading, absent)
            message = f"{place}, {heading!r}, is no column of {table} and is not read{hint}"
            severity, rule = (ERROR, "misspelt_heading") if hint else (SUSPICION, "unknown_heading")
        findings.append(
            found_in_file(
                table=table,
                file=sheet.file,
                sheet=sheet.sheet,
                column=heading,
                rule=rule,
                severity=severity,
                message=message,
                what_to_do=_DECLARE,
            )
        )
    return findings


def _numbers(sheet: Sheet) -> dict[str, int]:
    """Heading -> number of the first column that bears it."""
    numbers: dict[str, int] = {}
    for number, heading in enumerate(sheet.headings):
        if heading:
            numbers.setdefault(heading, number)
    return numbers


def _undeclarable(
    declared: TableIntake, columns: tuple[str, ...], report: partial[pd.DataFrame]
) -> Iterator[pd.DataFrame]:
    """Names in the declaration that are no columns of the table."""
    named = {
        "headings": list(declared.headings.values()),
        "fixed": list(declared.fixed),
        "units": [name for name in declared.units if name not in {wide.heading for wide in declared.wide}],
        "codes": list(declared.codes),
    }
    for part, names in named.items():
        for name in names:
            if name not in columns:
                yield report(
                    column=name,
                    rule="unknown_column_declared",
                    message=f"{part} in the protocol names {name!r}, no column of this table{_meant(name, columns)}",
                    what_to_do="Correct the name in study.toml.",
                )


def _absent(declared: TableIntake, numbers: dict[str, int], report: partial[pd.DataFrame]) -> Iterator[pd.DataFrame]:
    wanted = {*declared.headings, *(one.heading for one in declared.wide)}
    wanted |= {one.measured_on for one in declared.wide if one.measured_on is not None}
    for heading in sorted(wanted - set(numbers)):
        free = [name for name in numbers if name not in wanted]
        yield report(
            column=heading,
            rule="declared_heading_missing",
            message=f"the protocol declares the heading {heading!r}, but the sheet has none{_meant(heading, free)}",
            what_to_do="Correct the heading in the sheet or in study.toml.",
        )


def _readings(
    declared: TableIntake, numbers: dict[str, int], report: partial[pd.DataFrame]
) -> tuple[list[Reading], list[pd.DataFrame]]:
    """The declared columns of readings that the sheet has."""
    findings = []
    readings = []
    for heading, count in Counter(one.heading for one in declared.wide).items():
        if count > 1:
            findings.append(
                report(
                    column=heading,
                    rule="wide_heading_declared_twice",
                    message=f"wide declares the heading {heading!r} {count} times; the first entry holds",
                    what_to_do="Keep one entry for each heading in study.toml.",
                )
            )
    for one in {one.heading: one for one in reversed(declared.wide)}.values():
        if one.heading in numbers:
            dated = numbers.get(one.measured_on) if one.measured_on is not None else None
            readings.append(Reading(numbers[one.heading], one, dated))
    return sorted(readings, key=lambda reading: reading.number), findings


def _given_twice(
    places: dict[str, list[int]],
    columns_at: dict[str, int],
    declared: TableIntake,
    sheet: Sheet,
    report: partial[pd.DataFrame],
) -> Iterator[pd.DataFrame]:
    """A column that is given by two headings, or by a heading and by the declaration."""
    what = "Keep one of the two: correct the sheet or study.toml."
    for column, at in places.items():
        if len(at) > 1:
            names = " and ".join(repr(sheet.headings[number]) for number in at)
            yield report(
                column=sheet.headings[at[1]],
                rule="column_given_twice",
                message=f"the headings {names} both stand for {column}; the first is read",
                what_to_do=what,
            )
    by_wide = {name for name in WIDE_COLUMNS for one in declared.wide if getattr(one, name) is not None}
    by_wide |= {"measured_on"} if any(one.measured_on is not None for one in declared.wide) else set()
    by_wide |= {"value"} if declared.wide else set()
    dates = {one.measured_on for one in declared.wide}
    for column in (*declared.fixed, *sorted(by_wide)):
        if column in columns_at and not (column == "measured_on" and sheet.headings[columns_at[column]] in dates):
            source = "fixed" if column in declared.fixed else "wide"
            yield report(
                column=sheet.headings[columns_at[column]],
                rule="column_given_twice",
                message=f"{column} is given by this heading and by {source} in the protocol",
                what_to_do=what,
            )


def _repeated(sheet: Sheet, matched: Matched, report: partial[pd.DataFrame]) -> Iterator[pd.DataFrame]:
    for heading, count in Counter(sheet.headings).items():
        at = [number for number, name in enumerate(sheet.headings) if name == heading]
        if heading and count > 1 and at[0] in matched.claimed:
            columns = ", ".join(column_letter(number) if sheet.sheet else str(number + 1) for number in at)
            yield report(
                column=heading,
                rule="heading_repeated",
                message=f"the heading {heading!r} stands {count} times (columns {columns}); only the first is read",
                what_to_do="Give each column a heading of its own.",
            )


def _missing(
    table: str, sheet: Sheet, matched: Matched, columns: tuple[str, ...], report: partial[pd.DataFrame]
) -> Iterator[pd.DataFrame]:
    free = [name for number, name in enumerate(sheet.headings) if name and number not in matched.claimed]
    for column in REQUIRED[table]:
        if column in matched.columns or column in matched.fixed or column not in columns:
            continue
        if matched.wide and column == "value" and matched.readings:
            continue
        if (
            column in WIDE_COLUMNS
            and matched.readings
            and all(one.declared is not None and getattr(one.declared, column) is not None for one in matched.readings)
        ):
            continue
        yield report(
            column=column,
            rule="missing_column",
            message=f"the required column {column!r} is not there{_meant(column, free)}",
            what_to_do="Add the column, or declare the heading under which it stands.",
        )


def _meant(word: str, known: list[str] | tuple[str, ...]) -> str:
    """ "; did you mean ...?" when a known word differs only in capitals and joints, or in a letter or two."""
    for name in known:
        if _plain(name) == _plain(word):
            return f"; did you mean {name!r}?"
    close = get_close_matches(word, known, n=1, cutoff=0.8)
    return f"; did you mean {close[0]!r}?" if close else ""


def _plain(word: str) -> str:
    return "".join(letter for letter in word.casefold() if letter.isalnum())
