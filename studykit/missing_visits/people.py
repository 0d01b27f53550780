"""Each allocated participant's mean at each visit, measured or not: what drop-out and imputation are about.

A person's value at a visit is the mean over the limbs of the mean over what was read of the limb. Limbs are averaged,
not filled in one by one: who misses a visit misses it with both, and the question is about people.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from studykit.change.covariates import Adjusting, adjusting_of_study
from studykit.change.readings import EVERYBODY, ChangeReadings, readings_for_change
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.vocabulary import PARTICIPANTS

_SORTED_TO: Final = 7
"""Decimals to which people are compared when they are put in order."""


@dataclass(frozen=True, slots=True)
class PeopleByVisit:
    """One row an allocated participant.

    Attributes:
        values: index participant_id, one column a visit of the model in order; nan where nothing was read.
        arms: index as `values`, key of the arm.
        readings: the readings that the values are means of; all visits that were made.
        adjusting: covariates and strata of these people.
    """

    values: pd.DataFrame
    arms: pd.Series
    readings: ChangeReadings
    adjusting: Adjusting

    @property
    def baseline(self) -> np.ndarray:
        """(n,) values at the first visit."""
        values: np.ndarray = self.values[self.readings.baseline].to_numpy(dtype=float)
        return values

    @property
    def outcome(self) -> np.ndarray:
        """(n,) values at the primary visit."""
        values: np.ndarray = self.values[self.readings.primary_visit].to_numpy(dtype=float)
        return values

    @property
    def left(self) -> np.ndarray:
        """(n,) True where the primary visit was not measured."""
        gone: np.ndarray = np.isnan(self.outcome)
        return gone

    def covariates(self) -> np.ndarray:
        """(n, k) centred columns of covariates and strata."""
        return self.adjusting.for_rows(self.values.index.to_series())


def people_by_visit(study: Study, measure: str | None = None) -> PeopleByVisit:
    """The people of a study in an order that depends on what was measured and not on their codes.

    Codes may be replaced before a study is shared; with rows in the order of arm, readings and covariates, random
    numbers fall on the same people whatever they are called.

    Raises:
        DesignError: nobody stands in the participants table; or as `readings_for_change`.
    """
    readings = readings_for_change(_all_visits(study), measure)
    rows = readings.rows
    of_limb = rows.groupby(["participant_id", "visit", "side"], sort=True)["value"].mean()
    of_person = of_limb.groupby(level=["participant_id", "visit"], sort=True).mean().unstack("visit")
    people = study.table(PARTICIPANTS)
    if people.empty:
        raise DesignError(
            "Nobody stands in the participants table, so people who left cannot be told from people who were never "
            "there. Write one line for each person into it."
        )
    arms = people.set_index("participant_id")["arm"]
    if not study.protocol.arms:
        arms = pd.Series(EVERYBODY, index=arms.index)
    arms = arms[arms.isin(list(readings.arms))]
    values = of_person.reindex(index=arms.index, columns=[visit.key for visit in readings.visits])
    adjusting = adjusting_of_study(study, values.index.to_series())
    order = _by_content(values, arms, readings, adjusting)
    return PeopleByVisit(values.iloc[order], arms.iloc[order], readings, adjusting)


def _all_visits(study: Study) -> Study:
    plan = study.protocol.study.model_copy(update={"missing_visits": "all observed visits"})
    return replace(study, protocol=study.protocol.model_copy(update={"study": plan}))


def _by_content(values: pd.DataFrame, arms: pd.Series, readings: ChangeReadings, adjusting: Adjusting) -> np.ndarray:
    place = {arm: position for position, arm in enumerate(readings.arms)}
    columns = np.column_stack(
        [
            arms.map(place).to_numpy(dtype=float),
            values.to_numpy(dtype=float),
            adjusting.for_rows(values.index.to_series()),
        ]
    )
    # Means are the same but for the rounding of a sum in another order, which must not decide between two people.
    return np.lexsort(np.round(columns, _SORTED_TO).T[::-1])
