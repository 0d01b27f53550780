"""Reporting items for reliability studies, by number and in our own words: where each is answered, or "to be written".

Source of the items: Kottner, Audige, Brorson, Donner, Gajewski, Hrobjartsson, Roberts, Shoukri & Streiner (2011),
Guidelines for reporting reliability and agreement studies (GRRAS), J. Clin. Epidemiol. 64, 96-106 (from memory).
"""

from __future__ import annotations

from typing import Final

import pandas as pd

from studykit.data.study import Study
from studykit.formatting import counted, listed, number, percent
from studykit.reliability.study_readings import StudyReadings
from studykit.reliability.study_result import ReliabilityResult
from studykit.table import Column, Table
from studykit.vocabulary import MEASUREMENTS, PARTICIPANTS, RATERS

TO_BE_WRITTEN: Final = "to be written"
ITEMS: Final = {
    1: "Title or abstract say that reliability or agreement was studied",
    2: "The instrument or test, named and described",
    3: "The people the answer is meant for",
    4: "The raters the answer is meant for",
    5: "What was known before, and why the study was needed",
    6: "How the numbers of raters, people and repeats were chosen",
    7: "How people and raters were found",
    8: "How readings were taken: time between them, what raters knew",
    9: "Whether readings were independent of each other",
    10: "The statistical analysis",
    11: "Numbers of raters, people and repeats that were analysed",
    12: "Who the people and the raters were",
    13: "Estimates of reliability and agreement with their uncertainty",
    14: "What the results mean in practice",
    15: "Where the detailed results can be found",
}


def guideline_result(study: Study, readings: StudyReadings, results: list[ReliabilityResult]) -> ReliabilityResult:
    """One row an item: number, what is asked, where it is answered.

    Args:
        study: the checked study.
        readings: of the primary measure.
        results: the answers that this study gave, in order.
    """
    answers = _answers(study, readings, results)
    rows = [(item, words, answers.get(item, TO_BE_WRITTEN)) for item, words in ITEMS.items()]
    frame = pd.DataFrame(rows, columns=["item", "asked", "answered"])
    missing = int((frame["answered"] == TO_BE_WRITTEN).sum())
    return ReliabilityResult(
        key="reliability.reporting_items",
        title="Reporting items for reliability studies (GRRAS 2011)",
        headline=(
            f"{len(ITEMS) - missing} of {len(ITEMS)} reporting items are answered from the protocol and the data; "
            f"{counted(missing, 'item')} {'is' if missing == 1 else 'are'} still to be written."
        ),
        cautions=("That an item is answered says that there is an answer, not that it is a good one.",),
        methods="Reporting follows GRRAS (Kottner et al. 2011), by item number.",
        provenance=study.provenance(),
        tidy=frame,
        printed=Table(
            "reporting_items",
            "Reporting items for reliability studies (GRRAS 2011)",
            (Column("Item", "left"), Column("What is asked", "left"), Column("Where it is answered", "left")),
            tuple((str(item), words, answered) for item, words, answered in rows),
            ("Items by number, in our own words.",),
        ),
        named={"items_answered": float(len(ITEMS) - missing), "items": float(len(ITEMS))},
    )


def _answers(study: Study, readings: StudyReadings, results: list[ReliabilityResult]) -> dict[int, str]:
    """Answers that protocol and data know; items that are not here are to be written."""
    measure, frame = readings.measure, readings.frame
    repeats = int(frame.groupby([*readings.target, "session", "rater_id"]).size().max())
    days = f" in each of {counted(len(readings.sessions), 'session')}" if readings.sessions else ""
    estimates = [result.title for result in results if result.key != "reliability.reporting_items"]
    known = {
        2: f"{measure.name}: {measure.instrument}; {measure.position}. Zero and sign: {measure.zero_and_sign}.",
        10: "In the methods sentence under each answer."
        + ("" if measure.graded else f" Form: {readings.form.name}, {readings.form.model}."),
        11: (
            f"{counted(frame['rater_id'].nunique(), 'rater')}, "
            f"{counted(frame['participant_id'].nunique(), 'participant')}, up to {counted(repeats, 'reading')} of each "
            f"rater on each {'limb' if readings.cluster else 'participant'}{days}, {counted(len(frame), 'reading')} in "
            "all."
        ),
        13: f"Under {listed([f'“{title}”' for title in estimates], 6)}.",
        15: "results.json and the tables beside this report hold every number at full precision.",
    }
    if "reliab" in study.protocol.study.title.lower() or "agree" in study.protocol.study.title.lower():
        known[1] = f"Title of the protocol: “{study.protocol.study.title}”."
    process = _process(study, readings)
    if process:
        known[8] = process
    independent = _independent(study, readings)
    if independent:
        known[9] = independent
    people = _people(study, readings)
    if people:
        known[12] = people
    if study.protocol.reliability is not None:
        others = study.protocol.reliability.generalise_to == "other raters"
        known[4] = (
            "Other raters like these." if others else f"These raters only: {listed(list(study.protocol.raters))}."
        )
    return known


def _of_measure(study: Study, readings: StudyReadings) -> pd.DataFrame:
    rows = study.table(MEASUREMENTS)
    return rows[(rows["measure"] == readings.key) & rows["participant_id"].isin(readings.frame["participant_id"])]


def _process(study: Study, readings: StudyReadings) -> str:
    rows = _of_measure(study, readings)
    said = []
    if rows["measured_on"].notna().any():
        days = rows.groupby(["participant_id", "visit"], dropna=False)["measured_on"].agg(
            lambda d: (d.max() - d.min()).days
        )
        longest = int(days.max())
        said.append(
            "All readings of a visit on one day." if longest == 0 else f"Up to {counted(longest, 'day')} apart."
        )
    if readings.sessions:
        said.append(f"Sessions of unchanged people: {listed(list(readings.sessions))}{_apart(study, rows)}.")
    if rows["warmed_up"].notna().any():
        said.append(f"Warmed up before {percent(float(rows['warmed_up'].mean()))} of readings with a record.")
    return " ".join(said)


def _apart(study: Study, rows: pd.DataFrame) -> str:
    """How far the first and the last session of a participant lay apart, where dates are known."""
    plan = study.protocol.reliability
    dated = rows[rows["measured_on"].notna() & rows["visit"].isin(plan.sessions if plan is not None else ())]
    days = dated.groupby("participant_id")["measured_on"].agg(lambda d: (d.max() - d.min()).days)
    if days.empty:
        return ""
    return f", the first and the last {number(float(days.median()), 0)} days apart (median)"


def _independent(study: Study, readings: StudyReadings) -> str:
    blinded = _of_measure(study, readings)["blinded"]
    if not blinded.notna().any():
        return ""
    recorded = int(blinded.notna().sum())
    return f"Rater blinded in {percent(float(blinded.mean()))} of {counted(recorded, 'reading')} with a record."


def _people(study: Study, readings: StudyReadings) -> str:
    """Mean age and raters' professions; nothing that would point at a small group."""
    people = study.table(PARTICIPANTS)
    ages = people.loc[people["participant_id"].isin(readings.frame["participant_id"]), "age_years"].dropna()
    raters = study.table(RATERS)
    said = []
    if len(ages) >= study.protocol.privacy.smallest_group:
        said.append(f"Mean age {number(float(ages.mean()), 0)} years ({counted(len(ages), 'participant')}).")
    professions = sorted(set(raters["profession"].dropna()))
    if professions:
        said.append(f"Raters: {listed(professions)}.")
    return " ".join(said)
