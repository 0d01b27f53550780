"""Analyses of one number a person: covariance analysis, filled-in visits, and the last reading while practising."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from studykit.errors import DesignError, FitError
from studykit.formatting import counted
from studykit.missing_visits import FilledIn, PeopleByVisit
from studykit.missing_visits.imputing import analysed_outcome, analysis_columns, questions
from studykit.numerics.least_squares import least_squares
from studykit.sensitivity.practice import still_practising
from studykit.sensitivity.rows import Planned, Rows, counted_rows, not_computed

WHILE_ON_TREATMENT: Final = "while_on_treatment"


def ancova_rows(planned: Planned, people: PeopleByVisit, analysis: str, label: str, note: str = "") -> Rows:
    """Mean over the limbs at the primary visit by arm and baseline (trial), or the mean of people's changes (audit)."""
    known = ~(np.isnan(people.outcome) | np.isnan(people.baseline))
    part = subset(people, known)
    found = {}
    for question in questions(part):
        try:
            outcome = analysed_outcome(question, part.outcome, part.baseline)
            fit = least_squares(outcome, analysis_columns(part, question, part.baseline))
        except (DesignError, FitError) as refusal:
            return not_computed(planned, analysis, label, str(refusal))
        value, error, low, high = fit.estimate(question.contrast, planned.confidence)
        found[question.arm] = (value, error, float(fit.df), low, high)
    return counted_rows(planned, analysis, label, found, _people(part), note)


def filled_in_rows(planned: Planned, filled: FilledIn | None, why: str) -> Rows:
    """The pooled answer of the part about missing visits."""
    key, label = "filled_in", "Missing visits filled in"
    if filled is None:
        return not_computed(planned, key, label, why)
    found = {}
    for arm in filled.arms:
        pooled = arm.shifted.at(0.0)
        low, high = pooled.limits(planned.confidence)
        found[arm.question.arm] = (
            float(pooled.estimate[0]),
            float(pooled.std_error[0]),
            float(pooled.df[0]),
            float(low[0]),
            float(high[0]),
        )
    return counted_rows(planned, key, label, found, _people(filled.people))


def _people(people: PeopleByVisit) -> dict[str, int]:
    """Arm -> how many people."""
    return {arm: int((people.arms == arm).sum()) for arm in people.readings.arms}


def while_on_treatment_rows(planned: Planned, people: PeopleByVisit) -> Rows:
    """Each person's last reading while practice was still going on, in the place of the outcome."""
    key, label = WHILE_ON_TREATMENT, "While on treatment (last reading)"
    try:
        practising = still_practising(planned.study, people.readings.visits)
    except DesignError as refusal:
        return not_computed(planned, key, label, str(refusal))
    until = [visit.key for visit in people.readings.visits]
    until = until[: until.index(people.readings.primary_visit) + 1]
    on = practising.reindex(index=people.values.index, columns=until[1:], fill_value=False)
    last = people.values[until[1:]].where(on).ffill(axis="columns").iloc[:, -1]
    values = people.values.assign(**{people.readings.primary_visit: last})
    without = int((last.isna() & people.values[people.readings.baseline].notna()).sum())
    note = f"{counted(without, 'participant')} had no reading after the baseline while still practising."
    return ancova_rows(planned, replace(people, values=values), key, label, note if without else "")


def subset(people: PeopleByVisit, kept: np.ndarray) -> PeopleByVisit:
    """These people only, without covariates that tell nothing among them."""
    columns = people.adjusting.columns
    mine = columns.loc[people.values.index[kept]] if columns.shape[1] else columns
    telling = mine.loc[:, mine.nunique() > 1] if columns.shape[1] else mine
    return PeopleByVisit(
        people.values[kept], people.arms[kept], people.readings, replace(people.adjusting, columns=telling)
    )
