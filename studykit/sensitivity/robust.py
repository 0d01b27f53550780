"""The planned means with standard errors that trust no covariance: CR2 by participant.

The working covariance of each participant is that of the planned model without raters, who cross participants; raters
enter as columns instead, so that participants stay independent of each other. Where raters are many for the number of
people they are left out.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from studykit.change.model import ChangeModel
from studykit.change.readings import ChangeReadings
from studykit.change.terms import TERM_WORDS, engine_terms
from studykit.errors import DesignError, FitError
from studykit.numerics.cluster_robust import fit_by_cluster
from studykit.sensitivity.rows import Planned, Rows, counted_rows, not_computed

PEOPLE_PER_RATER: Final = 5
KEY: Final = "robust"
LABEL: Final = "Robust standard errors by participant"
_RATER: Final = ("rater_id",)


def robust_rows(planned: Planned) -> Rows:
    """The planned estimates by generalised least squares with CR2 standard errors and their own degrees of freedom."""
    readings, model = planned.readings, planned.model
    rows = readings.rows
    people = rows["participant_id"].nunique()
    raters = rows["rater_id"].nunique()
    design = np.asarray(model.fit.design.x)
    extra, note = _rater_columns(readings, design), ""
    if raters * PEOPLE_PER_RATER > people:
        extra, note = np.empty((len(rows), 0)), "Raters are not taken into account: too many for these people."
    weights = model.difference_weights if planned.trial else model.change_weights
    found = model.differences if planned.trial else model.changes
    codes = rows.groupby("participant_id", sort=True).ngroup().to_numpy()
    try:
        fit = fit_by_cluster(
            rows["value"].to_numpy(dtype=float),
            np.column_stack([design, extra]),
            codes,
            _working_covariances(readings, model, codes),
        )
        made = {}
        for place in np.flatnonzero((found["visit"] == readings.primary_visit).to_numpy()):
            contrast = np.concatenate([weights[:, place], np.zeros(extra.shape[1])])
            made[str(found["arm"].iloc[place])] = fit.estimate(contrast, planned.confidence)
    except (DesignError, FitError) as refusal:
        return not_computed(planned, KEY, LABEL, str(refusal))
    counts = {arm: readings.participants_at(arm, readings.primary_visit) for arm in readings.arms}
    return counted_rows(planned, KEY, LABEL, made, counts, note)


def _working_covariances(readings: ChangeReadings, model: ChangeModel, codes: np.ndarray) -> list[np.ndarray]:
    """Covariance of each participant's rows under the planned model, without raters."""
    terms = engine_terms(readings, model.terms, model.slopes)
    nested = [
        (term, covariance)
        for term, covariance in zip(terms, model.fit.covariances, strict=True)
        if term.name != TERM_WORDS[_RATER]
    ]
    made = []
    for code in range(int(codes.max()) + 1):
        own = np.flatnonzero(codes == code)
        whole = model.fit.residual_variance * np.eye(len(own))
        for term, covariance in nested:
            columns = term.columns[own]
            alike = term.codes[own][:, None] == term.codes[own][None, :]
            whole += alike * (columns @ covariance @ columns.T)
        made.append(whole)
    return made


def _rater_columns(readings: ChangeReadings, design: np.ndarray) -> np.ndarray:
    """A column of 0 and 1 for each rater that is no combination of the design and of the raters before."""
    kept = design
    for rater in sorted(readings.rows["rater_id"].unique())[1:]:
        tried = np.column_stack([kept, (readings.rows["rater_id"] == rater).to_numpy(dtype=float)])
        if np.linalg.matrix_rank(tried / np.linalg.norm(tried, axis=0)) == tried.shape[1]:
            kept = tried
    return kept[:, design.shape[1] :]
