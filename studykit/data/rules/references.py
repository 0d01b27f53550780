"""Rows that name somebody or something that another table or the protocol does not know."""

from __future__ import annotations

from difflib import get_close_matches

import numpy as np
import pandas as pd

from studykit.data.findings import joined
from studykit.data.rules.given import Given
from studykit.data.rules.identities import alike
from studykit.vocabulary import ERROR, FLOW, MEASUREMENTS, PARTICIPANTS, RATERS

STAGES_OF_PARTICIPANTS = ("randomised", "received", "lost", "analysed")
"""Stages that only a participant can reach; people who were assessed or excluded may stand in the flow table alone."""


def unknown_participant(given: Given, table: str) -> pd.DataFrame:
    """A row about somebody who is not in the participants table, or whose row there was set aside."""
    if not given.has(PARTICIPANTS):
        return joined([])
    rows = given.tables[table]
    names = rows["participant_id"]
    if table == FLOW:
        names = names[rows["stage"].isin(STAGES_OF_PARTICIPANTS)]
    return _unknown(given, table, names, PARTICIPANTS, "participant")


def unknown_rater(given: Given) -> pd.DataFrame:
    """A reading by a rater who is in neither the raters table nor, when there is no such table, the protocol."""
    names = given.tables[MEASUREMENTS]["rater_id"]
    if given.has(RATERS):
        return _unknown(given, MEASUREMENTS, names, RATERS, "rater")
    if not given.protocol.raters:
        return joined([])
    known = pd.Series(given.protocol.raters, dtype="str")
    return _report(given, MEASUREMENTS, _positions_outside(names, known), "rater", known, "the protocol")


def _unknown(given: Given, table: str, names: pd.Series, home: str, noun: str) -> pd.DataFrame:
    column = f"{noun}_id"
    alive, whole = given.tables[home][column].dropna(), given.gathered.tables[home][column].dropna()
    positions = _positions_outside(names, alive)
    orphan = names.loc[positions].isin(whole).to_numpy(dtype=bool)
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


def _positions_outside(names: pd.Series, known: pd.Series) -> np.ndarray:
    codes, uniques = pd.factorize(names)
    outside = np.append(~pd.Index(uniques).isin(known), False)
    return np.asarray(names.index.to_numpy(dtype=np.int64)[outside[codes]])


def _report(given: Given, table: str, positions: np.ndarray, noun: str, known: pd.Series, where: str) -> pd.DataFrame:
    names = given.tables[table][f"{noun}_id"].loc[positions]
    hints = {name: _hint(name, known) for name in names.unique()}
    return given.report(
        table,
        positions,
        column=f"{noun}_id",
        rule=f"unknown_{noun}",
        severity=ERROR,
        message=[f"{noun.capitalize()} {name!r} is not in {where}{hints[name]}" for name in names],
        what_to_do=f"Correct the {noun}'s id here, or add the {noun} to {where}.",
    )


def _hint(name: str, known: pd.Series) -> str:
    """ "; did you mean ...?" for an id that is close to a known one."""
    same = [str(other) for other in known if alike(str(other)) == alike(name)]
    close = same or get_close_matches(name, [str(other) for other in known.head(1000)], n=1, cutoff=0.75)
    return f"; did you mean {close[0]!r}?" if close else "."
