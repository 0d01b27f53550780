"""Rows that name somebody or something that another table or the protocol does not know."""

from __future__ import annotations

from difflib import get_close_matches

import numpy as np
import pandas as pd

from studykit.data.checks.rules.given import Given
from studykit.data.checks.rules.identities import alike
from studykit.data.findings import joined
from studykit.vocabulary import ERROR, FLOW, MEASUREMENTS, PARTICIPANTS, RATERS

STAGES_OF_PARTICIPANTS = ("randomised", "received", "lost", "analysed")
"""Stages that only a participant can reach; people who were assessed or excluded may stand in the flow table alone."""

MOST_COMPARED = 1000
MOST_HINTS = 100
"""At most so many unknown ids are compared letter by letter, each with at most so many known ones: a table full of
unknown ids has another fault than a slip of the pen, and would take hours."""


def unknown_participant(given: Given, table: str) -> pd.DataFrame:
    """A row about somebody who is not in the participants table, or whose row there was set aside."""
    if not given.filled(PARTICIPANTS):
        return joined([])
    return _unknown(given, table, PARTICIPANTS, "participant")


def unknown_rater(given: Given) -> pd.DataFrame:
    """A reading by a rater who is in neither the raters table nor, when there is no such table, the protocol."""
    if given.filled(RATERS):
        return _unknown(given, MEASUREMENTS, RATERS, "rater")
    if not given.protocol.raters:
        return joined([])
    known = pd.Series(given.protocol.raters, dtype="str")
    positions = _positions_outside(given, MEASUREMENTS, "rater_id", known)
    return _report(given, MEASUREMENTS, positions, "rater", known, "the protocol")


def _unknown(given: Given, table: str, home: str, noun: str) -> pd.DataFrame:
    column = f"{noun}_id"
    alive, whole = given.tables[home][column].dropna(), given.gathered.tables[home][column].dropna()
    positions = _positions_outside(given, table, column, alive)
    names = given.tables[table][column]
    if table == FLOW:
        positions = positions[given.tables[table]["stage"].loc[positions].isin(STAGES_OF_PARTICIPANTS)]
    once_there = set(whole.to_numpy(dtype=object))
    named = names.loc[positions].to_numpy(dtype=object)
    orphan = np.array([name in once_there for name in named], dtype=bool)
    return joined(
        [
            _report(given, table, positions[~orphan], noun, whole, f"the {home} table"),
            given.report(
                table,
                positions[orphan],
                column=column,
                rule=f"{noun}_set_aside",
                severity=ERROR,
                message=[
                    f"The row of {noun} {name} in the {home} table was set aside, so this row has no {noun}."
                    for name in names.loc[positions[orphan]]
                ],
                what_to_do=f"Correct the row of this {noun} in the {home} table; this row then comes back by itself.",
            ),
        ]
    )


def _positions_outside(given: Given, table: str, column: str, known: pd.Series) -> np.ndarray:
    codes, words = given.words(table, column)
    outside = np.append(~words.astype(object).isin(set(known.to_numpy(dtype=object))), False)
    return np.asarray(given.tables[table].index.to_numpy(dtype=np.int64)[outside[codes]])


def _report(given: Given, table: str, positions: np.ndarray, noun: str, known: pd.Series, where: str) -> pd.DataFrame:
    names = [str(name) for name in given.tables[table][f"{noun}_id"].loc[positions].to_numpy(dtype=object)]
    hints = _hints(list(dict.fromkeys(names)), [str(name) for name in known.to_numpy(dtype=object)])
    return given.report(
        table,
        positions,
        column=f"{noun}_id",
        rule=f"unknown_{noun}",
        severity=ERROR,
        message=[f"{noun.capitalize()} {name!r} is not in {where}{hints[name]}" for name in names],
        what_to_do=f"Correct the {noun}'s id here, or add the {noun} to {where}.",
    )


def _hints(unknown: list[str], known: list[str]) -> dict[str, str]:
    """ "; did you mean ...?" for each id that is close to a known one, else a full stop."""
    if not unknown:
        return {}
    by_plain = {alike(name): name for name in reversed(known)}
    hints: dict[str, str] = {}
    for name in unknown:
        same = by_plain.get(alike(name))
        close = [same] if same is not None else []
        if not close and len(hints) < MOST_HINTS:
            close = get_close_matches(name, known[:MOST_COMPARED], n=1, cutoff=0.75)
        hints[name] = f"; did you mean {close[0]!r}?" if close else "."
    return hints
