"""Suspicions about the diary beside what was asked for: written twice, held ten times as long, nobody's technique."""

from __future__ import annotations

import difflib
from typing import Final

import numpy as np
import pandas as pd

from studykit.data.checks.rules.given import Given
from studykit.data.findings import joined
from studykit.formatting import listed
from studykit.vocabulary import DIARY, PARTICIPANTS, PRESCRIPTIONS, SUSPICION

SAME_PRACTICE: Final = ["participant_id", "done_on", "technique", "side", "hold_s", "repetitions"]
LONGER_BY: Final = 10.0
"""A hold so many times the longest or the shortest that was asked for is a slip (minutes for seconds is 60 times)."""
_WANTED: Final = ["technique", "hold_s", "sessions_per_day"]


def diary_suspicions(given: Given) -> pd.DataFrame:
    """Every suspicion about a diary row."""
    if not given.has(DIARY):
        return joined([])
    asked = asked_of(given)
    return joined([written_twice(given, asked), hold_far_from_asked(given, asked), technique_not_asked(given, asked)])


def asked_of(given: Given) -> pd.DataFrame:
    """What each participant was asked to do: participant_id, technique, hold_s, sessions_per_day.

    Own prescriptions, those of the arm and the arm's dose in the protocol all count here: only what none of them knows
    is suspected.
    """
    rows, people = given.tables[PRESCRIPTIONS], given.tables[PARTICIPANTS]
    of_arm = people[["participant_id", "arm"]].dropna()
    planned = pd.DataFrame(
        [
            (key, arm.dose.technique, arm.dose.hold_s, arm.dose.sessions_per_day)
            for key, arm in given.protocol.arms.items()
            if arm.dose is not None
        ],
        columns=["arm", *_WANTED],
    ).astype({"arm": "str", "technique": "str"})
    own = rows.loc[rows["participant_id"].notna(), ["participant_id", *_WANTED]]
    by_arm = rows.loc[rows["participant_id"].isna(), ["arm", *_WANTED]]
    parts = [own, *(of_arm.merge(part, on="arm")[["participant_id", *_WANTED]] for part in (by_arm, planned))]
    return pd.concat([part.astype({"participant_id": "str"}) for part in parts], ignore_index=True)


def written_twice(given: Given, asked: pd.DataFrame) -> pd.DataFrame:
    """The same practice of one day in more rows than sessions a day were asked for, or than this person usually writes.

    The first row too many of a day is shown.
    """
    rows = given.tables[DIARY]
    rows = rows[rows["participant_id"].notna() & rows["done_on"].notna()]
    if rows.empty:
        return joined([])
    turn = rows.groupby(SAME_PRACTICE, sort=False, dropna=False).cumcount() + 1
    in_all = turn.groupby([rows[name] for name in SAME_PRACTICE], sort=False, dropna=False).transform("max")
    firsts = turn == 1
    usual = in_all[firsts].groupby(rows.loc[firsts, "participant_id"]).median()
    sessions = np.ceil(asked.groupby("participant_id")["sessions_per_day"].max().astype("float64"))
    people = rows["participant_id"]
    allowed = np.fmax(people.map(usual).to_numpy(np.float64), people.map(sessions).to_numpy(np.float64))
    too_many = (turn.to_numpy() == np.floor(allowed) + 1).nonzero()[0]
    positions = rows.index.to_numpy()[too_many]
    return given.report(
        DIARY,
        positions,
        column="done_on",
        rule="diary_row_twice",
        severity=SUSPICION,
        message=[
            f"{count} rows say the same for this day, and at most {int(most)} is usual or asked for."
            if most < 2
            else f"{count} rows say the same for this day, and at most {int(most)} are usual or asked for."
            for count, most in zip(in_all.to_numpy()[too_many], np.floor(allowed[too_many]), strict=True)
        ],
        what_to_do="Delete the copy if it was entered twice: it adds minutes; if it was done twice, leave it.",
    )


def hold_far_from_asked(given: Given, asked: pd.DataFrame) -> pd.DataFrame:
    """A hold ten times as long as the longest, or a tenth of the shortest, that this participant was asked for."""
    rows = given.tables[DIARY]
    holds = asked.groupby("participant_id")["hold_s"].agg(["min", "max"]).astype("float64")
    held = rows["hold_s"].to_numpy(np.float64)
    longest = rows["participant_id"].map(holds["max"]).to_numpy(np.float64)
    shortest = rows["participant_id"].map(holds["min"]).to_numpy(np.float64)
    far = ((held >= LONGER_BY * longest) | ((held > 0) & (held * LONGER_BY <= shortest))).nonzero()[0]
    return given.report(
        DIARY,
        rows.index.to_numpy()[far],
        column="hold_s",
        rule="hold_far_from_prescribed",
        severity=SUSPICION,
        message=[
            f"Held for {held[i]:g} s, where "
            + (f"{shortest[i]:g} s was" if shortest[i] == longest[i] else f"{shortest[i]:g} to {longest[i]:g} s were")
            + " asked for."
            for i in far
        ],
        what_to_do="Check the unit: a hold is written in seconds.",
    )


def technique_not_asked(given: Given, asked: pd.DataFrame) -> pd.DataFrame:
    """A technique that nobody in the study was asked to do; the first row of each such word is shown."""
    known = sorted(set(asked["technique"].dropna()))
    if not known:
        return joined([])
    rows = given.tables[DIARY]
    other = rows.loc[rows["technique"].notna() & ~rows["technique"].isin(known), "technique"]
    counts = other.value_counts()
    firsts = other[~other.duplicated()]
    return given.report(
        DIARY,
        firsts.index.to_numpy(),
        column="technique",
        rule="technique_not_prescribed",
        severity=SUSPICION,
        message=[_technique_words(str(word), int(counts[word]), known) for word in firsts],
        what_to_do="Correct the word, or add what was asked for to the prescriptions.",
    )


def _technique_words(word: str, count: int, known: list[str]) -> str:
    close = difflib.get_close_matches(word, known, n=1)
    where = "1 row names" if count == 1 else f"{count} rows name"
    meant = f"did you mean {close[0]!r}?" if close else f"asked for was {listed([repr(name) for name in known])}."
    return f"{where} a technique that nobody was asked to do; {meant}"
