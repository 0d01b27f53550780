"""What keeps a whole study from being read: a table that is not there, a needed column that is empty throughout."""

from __future__ import annotations

import pandas as pd

from studykit.data.findings import POSITION, found_in_file, joined
from studykit.data.intake.gathered import Gathered
from studykit.protocol import Protocol
from studykit.protocol.cells import needed_columns
from studykit.vocabulary import COLUMNS, ERROR, MEASUREMENTS, PARTICIPANTS

FEWEST_ROWS = 2
"""One row with an empty cell is a mistake in that row, not a column that was left out."""


def file_findings(gathered: Gathered, protocol: Protocol) -> pd.DataFrame:
    """Every error about a file, a sheet or a whole column, those of the import included; any of them blocks a study."""
    read = gathered.findings
    read = read[(read[POSITION] < 0) & (read["severity"] == ERROR)]
    return joined([read, _tables_missing(gathered, protocol, read), _columns_empty(gathered, protocol, read)])


def _tables_missing(gathered: Gathered, protocol: Protocol, read: pd.DataFrame) -> pd.DataFrame:
    needed = [MEASUREMENTS] if protocol.study.design != "trial" else [PARTICIPANTS, MEASUREMENTS]
    return joined(
        [
            found_in_file(
                table=table,
                file="",
                rule="table_missing",
                severity=ERROR,
                message=f"The table {table} has no rows, and a study of design {protocol.study.design!r} needs it.",
                what_to_do=_how_to_bring(table, protocol),
            )
            for table in needed
            if gathered.tables[table].empty and not (read["table"] == table).any()
        ]
    )


def _how_to_bring(table: str, protocol: Protocol) -> str:
    if protocol.intake.workbook is not None:
        return f"Fill the sheet {table} of {protocol.intake.workbook}, or put {table}.csv into the folder data."
    return f"Put {table}.csv, or a workbook with a sheet {table}, into the folder data."


def _columns_empty(gathered: Gathered, protocol: Protocol, read: pd.DataFrame) -> pd.DataFrame:
    named = set(zip(read["table"], read["column"], strict=True))
    lines = []
    for table in COLUMNS:
        frame, texts, heading_of = gathered.tables[table], gathered.texts[table], gathered.headings[table]
        for column in _needed(table, protocol) if len(frame) >= FEWEST_ROWS else ():
            heading = heading_of.get(column, column)
            written = column in texts and (texts[column].fillna("") != "").any()
            if written or frame[column].notna().any() or (table, heading) in named:
                continue
            lines.append(
                found_in_file(
                    table=table,
                    file=str(gathered.places[table]["file"].iloc[0]),
                    sheet=str(gathered.places[table]["sheet"].iloc[0]),
                    column=heading,
                    rule="column_missing",
                    severity=ERROR,
                    message=f"The column {heading!r} of the table {table} is missing or empty throughout.",
                    what_to_do="Add the column, or declare under [intake] in study.toml how its heading is spelt.",
                )
            )
    return joined(lines)


def _needed(table: str, protocol: Protocol) -> tuple[str, ...]:
    needed = needed_columns(table, protocol)
    if table == MEASUREMENTS and all(measure.two_sided for measure in protocol.measures.values()):
        needed += ("side",)
    if table == PARTICIPANTS and protocol.study.design == "trial":
        needed += ("arm", "enrolled_on")
    return needed
