"""Errors that keep a row out, followed to the end: a participant set aside takes the rows that lean on it along."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from studykit.data.findings import POSITION, joined
from studykit.data.gathered import Gathered
from studykit.data.rules import ERROR_RULES, TABLES_NOBODY_LEANS_ON, TABLES_OTHERS_LEAN_ON, Given
from studykit.data.schema_findings import schema_findings
from studykit.data.schemas import CELL_MISSING
from studykit.protocol import Protocol
from studykit.vocabulary import COLUMNS, ERROR


def row_errors(gathered: Gathered, protocol: Protocol) -> pd.DataFrame:
    """Every error about a row, those of the import included.

    A rule sees all rows of its own table and, of the other tables, those that no error has set aside so far. The small
    tables are gone through until nothing is added: errors are only ever added, so this ends. The tables on which no
    other leans follow once.
    """
    whole = {table: gathered.tables[table].reset_index(drop=True) for table in COLUMNS}
    errors = {table: _of_one_table(gathered, protocol, table) for table in COLUMNS}
    alive = {table: _left(whole[table], errors[table]) for table in COLUMNS}

    def ask(table: str) -> None:
        if whole[table].empty:
            return
        given = Given(protocol, gathered, {**alive, table: whole[table]})
        asked = [rule(given) for rule in ERROR_RULES[table]]
        errors[table] = _once(joined([errors[table], *asked]))
        alive[table] = _left(whole[table], errors[table])

    changed = True
    while changed:
        before = {table: len(alive[table]) for table in TABLES_OTHERS_LEAN_ON}
        for table in TABLES_OTHERS_LEAN_ON:
            ask(table)
        changed = before != {table: len(alive[table]) for table in TABLES_OTHERS_LEAN_ON}
    for table in TABLES_NOBODY_LEANS_ON:
        ask(table)
    return joined([errors[table] for table in COLUMNS])


def without_errors(gathered: Gathered, errors: pd.DataFrame) -> Mapping[str, pd.DataFrame]:
    """The rows of every table about which there is no error; the index stays the position in the gathered table."""
    by_table = dict(list(errors.groupby("table", sort=False)))
    return {
        table: _left(gathered.tables[table].reset_index(drop=True), by_table.get(table, errors.iloc[:0]))
        for table in COLUMNS
    }


def _of_one_table(gathered: Gathered, protocol: Protocol, table: str) -> pd.DataFrame:
    """Errors of the import and of the schema; a cell that the import refused is not reported again as empty."""
    read = gathered.findings
    read = read[(read["table"] == table) & (read["severity"] == ERROR) & (read[POSITION] >= 0)]
    checked = schema_findings(Given(protocol, gathered, {}), table)
    refused = set(zip(read[POSITION], read["column"], strict=True))
    again = [pair in refused for pair in zip(checked[POSITION], checked["column"], strict=True)]
    again_empty = np.array(again, dtype=bool) & checked["rule"].isin([CELL_MISSING, "side_missing"])
    return joined([read, checked[~again_empty]])


def _left(frame: pd.DataFrame, errors: pd.DataFrame) -> pd.DataFrame:
    keep = np.ones(len(frame), dtype=bool)
    keep[errors[POSITION].to_numpy(dtype=np.int64)] = False
    return frame if keep.all() else frame[keep]


def _once(errors: pd.DataFrame) -> pd.DataFrame:
    return errors.drop_duplicates([POSITION, "column", "rule"], ignore_index=True)
