"""The longitudinal model of one measure: means by arm and visit, and the contrasts that answer the question.

    value = mean of the cell + random intercepts + residual

A cell is an arm at a visit. In a trial all arms share one cell at the baseline, because allocation by chance makes
their expected values equal there (constrained baseline: Liang & Zeger 2000, Sankhyā B 62, 134–148; Lu 2010,
Statistics in Medicine 29, 2517–2530; from memory). In an audit each pathway has a cell of its own at every visit.

The random intercepts follow from who was measured how often (`random_terms`), so that two limbs, three trials or two
raters of one person at one visit never count as independent people.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from scipy import stats

from studykit.change.readings import ChangeReadings
from studykit.errors import DesignError, FitError
from studykit.formatting import counted
from studykit.numerics.mixed.fit import fit_variance_components
from studykit.numerics.mixed.small_sample import Ingredients, kenward_roger, kenward_roger_df
from studykit.numerics.mixed.terms import intercept_by

TERM_WORDS: Final = {
    ("participant_id",): "participant",
    ("participant_id", "side"): "limb within participant",
    ("participant_id", "visit"): "participant at a visit",
    ("participant_id", "side", "visit"): "limb at a visit",
    ("participant_id", "side", "visit", "rater_id"): "limb at a visit by one rater",
    ("rater_id",): "rater (crossed)",
}
ESTIMATE_COLUMNS: Final = ("estimate", "std_error", "df", "low", "high", "p")
FEWEST_SEEN_TWICE: Final = 3
"""Participants with a reading at the baseline and at the primary visit without whom no model is fitted."""
Term = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ChangeModel:
    """A fitted model of change, in the unit of the measure.

    Attributes:
        changes: one row an arm and later visit: `arm`, `visit` and `ESTIMATE_COLUMNS`; change from baseline.
        differences: the same for arm minus control at each later visit; no row without a control.
        terms: the random intercepts that were fitted.
        variances: variance of each term in its words, and of the residual.
        boundary: a sentence for each variance that was estimated as zero.
        log_likelihood: restricted log-likelihood.
        rows, participants: what the model was fitted to.
    """

    changes: pd.DataFrame
    differences: pd.DataFrame
    terms: tuple[Term, ...]
    variances: dict[str, float]
    boundary: tuple[str, ...]
    log_likelihood: float
    rows: int
    participants: int


def fit_change(
    readings: ChangeReadings, *, confidence: float, shared_baseline: bool, terms: Sequence[Term] | None = None
) -> ChangeModel:
    """Fit the model by REML and read off every change and difference with Kenward–Roger intervals.

    Args:
        readings: the outcomes.
        confidence: level of the intervals.
        shared_baseline: one baseline mean for all arms (a trial), or one for each (an audit).
        terms: random intercepts as tuples of columns; `random_terms` when left out.

    Raises:
        DesignError: fewer than `FEWEST_SEEN_TWICE` people were measured at both visits, or the readings cannot carry
            the model.
        FitError: no optimum that may be trusted was found.
    """
    rows = readings.rows
    _check_repeated(readings)
    chosen = tuple(terms) if terms is not None else random_terms(rows)
    cells = _cells(readings, shared_baseline=shared_baseline)
    design = np.column_stack([(cells == cell).to_numpy(dtype=float) for cell in cells.unique()])
    place = {cell: position for position, cell in enumerate(cells.unique())}
    random = [
        intercept_by(TERM_WORDS[term], rows.groupby(list(term), sort=True).ngroup().to_numpy()) for term in chosen
    ]
    try:
        fit = fit_variance_components(rows["value"].to_numpy(dtype=float), design, random)
    except (DesignError, FitError) as refusal:
        people = counted(int(rows["participant_id"].nunique()), "participant")
        raise type(refusal)(
            f"{counted(len(rows), 'outcome')} of {people} cannot carry the model. {refusal}"
        ) from refusal
    ingredients = fit.ingredients()
    names = [TERM_WORDS[term] for term in chosen]
    variances = {name: float(matrix[0, 0]) for name, matrix in zip(names, fit.covariances, strict=True)}
    later = [visit.key for visit in readings.visits[1:]]
    pairs = [(arm, visit) for arm in readings.arms for visit in later if f"{arm}@{visit}" in place]
    changes = [(f"{arm}@{visit}", _baseline_cell(readings, arm, shared_baseline)) for arm, visit in pairs]
    differing = [
        (arm, visit)
        for arm, visit in pairs
        if readings.control is not None and shared_baseline and arm != readings.control
        if f"{readings.control}@{visit}" in place
    ]
    differences = [(f"{arm}@{visit}", f"{readings.control}@{visit}") for arm, visit in differing]
    found = _with_names(pairs, _estimates(ingredients, _contrasts(changes, place), confidence))
    _check_estimable(found, readings)
    return ChangeModel(
        changes=found,
        differences=_with_names(differing, _estimates(ingredients, _contrasts(differences, place), confidence)),
        terms=chosen,
        variances={**variances, "residual": float(fit.residual_variance)},
        boundary=tuple(
            f"The variance between levels of {name} was estimated as zero."
            for name, value in variances.items()
            if value == 0.0
        ),
        log_likelihood=float(fit.log_likelihood),
        rows=len(rows),
        participants=int(rows["participant_id"].nunique()),
    )


def random_terms(rows: pd.DataFrame) -> tuple[Term, ...]:
    """The random intercepts that these rows call for.

    Participant always; limb within participant where both sides of somebody were measured; participant at a visit
    where one visit of somebody gave several rows, and limb at a visit where one limb did (several trials or raters);
    limb at a visit by one rater where that still gave several rows and more than one rater saw a limb; rater, crossed,
    where there was more than one. A term whose groups are those of another term, or single rows, is left out.
    """
    candidates = [
        ("participant_id",),
        ("participant_id", "side"),
        ("participant_id", "visit"),
        ("participant_id", "side", "visit"),
        ("participant_id", "side", "visit", "rater_id"),
        ("rater_id",),
    ]
    kept: list[Term] = []
    partitions: set[bytes] = set()
    for term in candidates:
        groups = rows.groupby(list(term), sort=False).ngroup().to_numpy()
        partition = groups.tobytes()
        if len(np.unique(groups)) in (1, len(rows)) or partition in partitions:
            continue
        kept.append(term)
        partitions.add(partition)
    return tuple(kept)


def _check_repeated(readings: ChangeReadings) -> None:
    at = readings.rows.groupby("participant_id")["visit"].agg(set)
    both = int(at.map(lambda visits: {readings.baseline, readings.primary_visit} <= visits).sum())
    if both < FEWEST_SEEN_TWICE:
        named = {visit.key: visit.label for visit in readings.visits}
        raise DesignError(
            f"{both} of {counted(len(at), 'participant')} have a reading both at {named[readings.baseline]} and at "
            f"{named[readings.primary_visit]}; at least {FEWEST_SEEN_TWICE} are needed to see how much changes differ."
        )


def _check_estimable(estimates: pd.DataFrame, readings: ChangeReadings) -> None:
    """Refuse answers whose interval would be without meaning: no error, or less than one degree of freedom."""
    at = estimates[estimates["visit"] == readings.primary_visit]
    for row in at.itertuples():
        if not (row.std_error > 0.0 and row.df >= 1.0):
            raise DesignError(
                f"The readings of {readings.arms[row.arm]} are too few to say how far its change may be off (less than "
                "one degree of freedom)."
            )


def _cells(readings: ChangeReadings, *, shared_baseline: bool) -> pd.Series:
    own = readings.rows["arm"] + "@" + readings.rows["visit"]
    return own.mask(readings.rows["visit"] == readings.baseline, readings.baseline) if shared_baseline else own


def _baseline_cell(readings: ChangeReadings, arm: str, shared_baseline: bool) -> str:
    return readings.baseline if shared_baseline else f"{arm}@{readings.baseline}"


def _contrasts(pairs: list[tuple[str, str]], place: dict[str, int]) -> np.ndarray:
    """(cells, contrasts): +1 at the first cell of each pair, -1 at the second."""
    contrasts = np.zeros((len(place), len(pairs)))
    for column, (plus, minus) in enumerate(pairs):
        contrasts[place[plus], column] = 1.0
        contrasts[place[minus], column] -= 1.0
    return contrasts


def _estimates(ingredients: Ingredients, contrasts: np.ndarray, confidence: float) -> pd.DataFrame:
    """Estimate, Kenward–Roger standard error and df, interval and p of each contrast on its own."""
    if contrasts.shape[1] == 0:
        return pd.DataFrame({name: pd.Series(dtype="float64") for name in ESTIMATE_COLUMNS})
    estimate = contrasts.T @ ingredients.beta
    error = np.sqrt(np.einsum("il,ij,jl->l", contrasts, kenward_roger(ingredients), contrasts))
    df = kenward_roger_df(ingredients, contrasts)
    reach = stats.t.ppf(0.5 + confidence / 2.0, df) * error
    p = 2.0 * stats.t.sf(np.abs(estimate) / error, df)
    columns = (estimate, error, df, estimate - reach, estimate + reach, p)
    return pd.DataFrame(dict(zip(ESTIMATE_COLUMNS, columns, strict=True)))


def _with_names(pairs: list[tuple[str, str]], estimates: pd.DataFrame) -> pd.DataFrame:
    names = pd.DataFrame(pairs, columns=["arm", "visit"])
    return pd.concat([names, estimates], axis="columns")
