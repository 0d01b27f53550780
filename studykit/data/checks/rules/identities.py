"""Who is who: an id named twice, ids that look alike, rows repeated exactly."""

from __future__ import annotations

import re
from functools import lru_cache

import numpy as np
import pandas as pd

from studykit.data.checks.rules.given import Given
from studykit.data.findings import joined
from studykit.vocabulary import ERROR, PARTICIPANTS, RATERS

ID_COLUMN = {PARTICIPANTS: "participant_id", RATERS: "rater_id"}
MOST_LISTED = 5
LEADING_ZEROS = re.compile(r"(?<!\d)0+(?=\d)")


@lru_cache(maxsize=200_000)
def alike(identity: str) -> str:
    """What stays of an id when case, spaces and leading zeros are taken away: "P 01", "p1" and "P001" are alike."""
    return LEADING_ZEROS.sub("", "".join(identity.split()).casefold())


def repeats(rows: pd.DataFrame, key: list[str]) -> tuple[np.ndarray, np.ndarray]:
    """Positions of rows that share a key.

    No row is chosen in silence: where rows with one key differ, none of them can be used; where they are the same in
    every cell, nothing is chosen by keeping the first, and only the copies are set aside.

    Args:
        rows: rows whose key is complete; the index is the position.

    Returns:
        (copies, conflicting): copies of an earlier row whose group says one thing only; all rows of the other groups.
    """
    shared = rows[rows.duplicated(key, keep=False)]
    if shared.empty:
        return np.array([], dtype=np.int64), np.array([], dtype=np.int64)
    group = shared.groupby(key, sort=False, dropna=False).ngroup()
    distinct = shared.drop_duplicates()
    versions = group.loc[distinct.index].value_counts()
    agrees = group.map(versions).to_numpy() == 1
    later = shared.duplicated(keep="first").to_numpy()
    index = shared.index.to_numpy(dtype=np.int64)
    return index[agrees & later], index[~agrees]


def repeated_rows(given: Given, table: str, key: list[str], *, column: str, rule: str, noun: str) -> pd.DataFrame:
    """Rows of a table that share a key, as findings: copies under "row_repeated", the others under `rule`."""
    rows = given.tables[table]
    copies, conflicting = repeats(rows[rows[key[:1]].notna().all(axis=1)], key)
    names = given.written(table, column, conflicting)
    return joined(
        [
            copies_found(given, table, copies, column=column),
            given.report(
                table,
                conflicting,
                column=column,
                rule=rule,
                severity=ERROR,
                message=[f"{noun} {name} stands in more than one row, and the rows differ." for name in names],
                what_to_do="Find out which row is right and delete the others; until then none of them is used.",
            ),
        ]
    )


def copies_found(given: Given, table: str, copies: np.ndarray, *, column: str) -> pd.DataFrame:
    """Findings for rows that say again what an earlier row says."""
    return given.report(
        table,
        copies,
        column=column,
        rule="row_repeated",
        severity=ERROR,
        message="This row repeats an earlier row in every cell; the earlier one is used.",
        what_to_do="Delete the copy, or correct what should differ.",
    )


def duplicate_ids(given: Given, table: str) -> pd.DataFrame:
    """A participant or a rater listed twice."""
    column = ID_COLUMN[table]
    rule = "duplicate_participant" if table == PARTICIPANTS else "duplicate_rater"
    noun = "Participant" if table == PARTICIPANTS else "Rater"
    return repeated_rows(given, table, [column], column=column, rule=rule, noun=noun)


def similar_ids(given: Given, table: str) -> pd.DataFrame:
    """Ids of one table that differ only by case, spaces or leading zeros: one person or two cannot be told."""
    column = ID_COLUMN[table]
    ids = given.tables[table][column].dropna()
    plain = ids.map(alike)
    shared = ids.groupby(plain, sort=False).transform("nunique") > 1
    positions = ids.index.to_numpy()[shared.to_numpy(dtype=bool)]
    suspects = ids.loc[positions]
    others = {key: part.unique() for key, part in suspects.groupby(plain.loc[positions], sort=False)}
    messages = [
        f"{name!r} and {_listed(others[alike(name)], name)} differ only by case, spaces or leading zeros."
        for name in suspects
    ]
    return given.report(
        table,
        positions,
        column=column,
        rule="ids_look_alike",
        severity=ERROR,
        message=messages,
        what_to_do="Say whether these are one person or several: write one id the same way everywhere, or rename one.",
    )


def _listed(names: np.ndarray, without: str) -> str:
    others = [repr(str(name)) for name in names[: MOST_LISTED + 1] if name != without][:MOST_LISTED]
    more = len(names) - 1 - len(others)
    return ", ".join(others) + (f" and {more} more" if more > 0 else "")
