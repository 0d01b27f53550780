"""Errors that keep a row out, followed to the end: a participant set aside takes the rows that lean on it along."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from studykit.data.checks.rules import ERROR_RULES, TABLES_NOBODY_LEANS_ON, TABLES_OTHERS_LEAN_ON, CodedColumns, Given
from studykit.data.checks.schema_findings import schema_findings
from studykit.data.checks.schemas import CELL_MISSING
from studykit.data.findings import POSITION, joined
from studykit.data.intake.gathered import Gathered
from studykit.protocol import Protocol
from studykit.vocabulary import COLUMNS, ERROR

Tables = Mapping[str, pd.DataFrame]


def row_errors(gathered: Gathered, protocol: Protocol, coded: CodedColumns) -> tuple[pd.DataFrame, Tables]:
    """Every error about a row, those of the import included, and the rows about which there is none.

    A rule sees all rows of its own table and, of the other tables, those that no error has set aside so far. The small
    tables are gone through until nothing is added: errors are only ever added, so this ends. The tables on which no
    other leans follow once.

    Returns:
        findings with their positions; table name -> rows without an error, the index being the position.
    """
    whole = {table: gathered.tables[table].reset_index(drop=True) for table in COLUMNS}
    at_hand = Given(protocol, gathered, whole, coded)
    errors = {table: _of_one_table(at_hand, table) for table in COLUMNS}
    alive = {table: _left(whole[table], errors[table]) for table in TABLES_OTHERS_LEAN_ON}

    def ask(table: str) -> None:
        if whole[table].empty:
            return
        given = Given(protocol, gathered, {**alive, table: whole[table]}, coded)
        asked = [rule(given) for rule in ERROR_RULES[table]]
        errors[table] = _once(joined([errors[table], *asked]))

    changed = True
    while changed:
        before = {table: len(alive[table]) for table in TABLES_OTHERS_LEAN_ON}
        for table in TABLES_OTHERS_LEAN_ON:
            ask(table)
            alive[table] = _left(whole[table], errors[table])
        changed = before != {table: len(alive[table]) for table in TABLES_OTHERS_LEAN_ON}
    for table in TABLES_NOBODY_LEANS_ON:
        ask(table)
    used = {table: _left(whole[table], errors[table]) for table in COLUMNS}
    return joined([errors[table] for table in COLUMNS]), used


def _of_one_table(given: Given, table: str) -> pd.DataFrame:
    """Errors of the import and of the schema; a cell that the import refused is not reported again as empty."""
    read = given.gathered.findings
    read = read[(read["table"] == table) & (read["severity"] == ERROR) & (read[POSITION] >= 0)]
    checked = schema_findings(given, table)
    if read.empty:
        return checked
    refused = set(_cells(read))
    again = [pair in refused for pair in _cells(checked)]
    again_empty = np.array(again, dtype=bool) & checked["rule"].isin([CELL_MISSING, "side_missing"])
    return joined([read, checked[~again_empty]])


def _cells(lines: pd.DataFrame) -> list[tuple[int, str]]:
    return list(zip(lines[POSITION].tolist(), lines["column"].to_numpy(dtype=object), strict=True))


def _left(frame: pd.DataFrame, errors: pd.DataFrame) -> pd.DataFrame:
    keep = np.ones(len(frame), dtype=bool)
    keep[errors[POSITION].to_numpy(dtype=np.int64)] = False
    return frame if keep.all() else frame[keep]


def _once(errors: pd.DataFrame) -> pd.DataFrame:
    return errors.drop_duplicates([POSITION, "column", "rule"], ignore_index=True)
