"""What one further analysis gives: a row for every arm, or the sentence why there is none."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from studykit.change.model import ChangeModel, fit_change
from studykit.change.readings import ChangeReadings, readings_for_change
from studykit.data.study import Study
from studykit.errors import DesignError, FitError

PRIMARY: Final = "planned"
ROW_COLUMNS: Final = ("analysis", "label", "arm", "estimate", "std_error", "df", "low", "high", "participants", "note")
Rows = list[dict[str, object]]


@dataclass(frozen=True, slots=True)
class Planned:
    """The planned analysis, from which the others differ in one thing each.

    Attributes:
        study: the checked study.
        readings, model: what the planned answer was computed from.
    """

    study: Study
    readings: ChangeReadings
    model: ChangeModel

    @property
    def trial(self) -> bool:
        """True when arms are compared with a control."""
        return self.study.protocol.study.design == "trial"

    @property
    def confidence(self) -> float:
        """Level of the intervals."""
        return self.study.protocol.study.confidence

    @property
    def measure(self) -> str:
        """Key of the measure."""
        return self.readings.measure

    @property
    def arms(self) -> list[str]:
        """The arms that are compared (trial) or described (audit)."""
        return [arm for arm in self.readings.arms if not (self.trial and arm == self.readings.control)]

    def question(self, model: ChangeModel) -> pd.DataFrame:
        """The estimates of a model that answer the question, at the primary visit, each on its own."""
        found = model.differences if self.trial else model.changes
        at = found[found["visit"] == self.readings.primary_visit]
        return at.assign(low=at["low_alone"], high=at["high_alone"]) if self.trial else at


def row(
    analysis: str,
    label: str,
    arm: str,
    numbers: tuple[float, float, float, float, float],
    participants: int,
    note: str = "",
) -> dict[str, object]:
    """One row: estimate, standard error, df and limits."""
    return dict(zip(ROW_COLUMNS, (analysis, label, arm, *numbers, participants, note), strict=True))


def not_computed(planned: Planned, analysis: str, label: str, why: str) -> Rows:
    """Rows without numbers, and why."""
    return [row(analysis, label, arm, (np.nan,) * 5, 0, why) for arm in planned.arms]


def counted_rows(
    planned: Planned,
    analysis: str,
    label: str,
    numbers: Mapping[str, tuple[float, float, float, float, float]],
    people: Mapping[str, int],
    note: str = "",
) -> Rows:
    """A row an arm; without numbers where the arm, or the control, has fewer people than the smallest group shown.

    Args:
        numbers: arm -> estimate, standard error, df and limits.
        people: arm -> people with the outcome, the control among them.
    """
    smallest = planned.study.protocol.privacy.smallest_group
    control = people.get(planned.readings.control or "", smallest) if planned.trial else smallest
    rows = []
    for arm in planned.arms:
        if arm not in numbers:
            rows.append(row(analysis, label, arm, (np.nan,) * 5, 0, "Nobody of this arm is in this analysis."))
            continue
        found = numbers[arm]
        count = people[arm] + (control if planned.trial else 0)
        if analysis != PRIMARY and min(people[arm], control) < smallest:
            rows.append(row(analysis, label, arm, (np.nan,) * 5, count, f"Fewer than {smallest} people in an arm."))
        else:
            rows.append(row(analysis, label, arm, found, count, note))
    return rows


def of_model(
    planned: Planned, analysis: str, label: str, readings: ChangeReadings, model: ChangeModel, note: str
) -> Rows:
    """Rows from a fitted model of change; participants are those of the arm (and the control) at the primary visit."""
    numbers = {
        str(found.arm): (found.estimate, found.std_error, found.df, found.low, found.high)
        for found in planned.question(model).itertuples()
    }
    people = {arm: readings.participants_at(arm, readings.primary_visit) for arm in readings.arms}
    return counted_rows(planned, analysis, label, numbers, people, note)


def refitted(planned: Planned, analysis: str, label: str, study: Study, note: str = "") -> Rows:
    """The planned model on a study in which one thing is otherwise.

    One start is searched from, and several where the fit is weakly determined; the thorough search is that of the
    planned analysis.
    """
    try:
        readings = readings_for_change(study, planned.measure)
        model = fit_change(readings, confidence=planned.confidence, shared_baseline=planned.trial, several_starts=False)
    except (DesignError, FitError) as refusal:
        return not_computed(planned, analysis, label, str(refusal))
    return of_model(planned, analysis, label, readings, model, note)
