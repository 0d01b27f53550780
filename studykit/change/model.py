"""The longitudinal model of one measure: means by arm and visit, and the contrasts that answer the question.

    value = mean of the cell + random intercepts + random slopes x weeks since the baseline + residual

A cell is an arm at a visit. In a trial all arms share one cell at the baseline, because allocation by chance makes
their expected values equal there (constrained baseline: Liang & Zeger 2000, Sankhyā B 62, 134–148; Lu 2010,
Statistics in Medicine 29, 2517–2530; from memory). In an audit each pathway has a cell of its own at every visit.

The random terms follow from the design alone (`terms`): from who was measured how often, and from how many visits there
are. They are fixed before anything is fitted, whatever the readings say.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd
from scipy import stats

from studykit.change.readings import ChangeReadings
from studykit.change.terms import FURTHER_IN, PER_WEEK, Term, engine_terms, random_slopes, random_terms
from studykit.errors import DesignError, FitError
from studykit.formatting import counted, listed
from studykit.numerics.mixed.fit import VarianceComponentsFit, fit_variance_components
from studykit.numerics.mixed.small_sample import Ingredients, kenward_roger, kenward_roger_df

ESTIMATE_COLUMNS: Final = ("estimate", "std_error", "df", "low", "high", "p")
FEWEST_SEEN_TWICE: Final = 3
"""Participants with a reading at the baseline and at the primary visit without whom no model is fitted."""


@dataclass(frozen=True, slots=True)
class ChangeModel:
    """A fitted model of change, in the unit of the measure.

    Attributes:
        changes: one row an arm and later visit: `arm`, `visit` and `ESTIMATE_COLUMNS`; change from baseline.
        differences: the same for arm minus control at each later visit; no row without a control.
        terms: the random intercepts that were fitted; slopes: the random slopes, in the words of `terms`.
        variances: variance of each term in its words, of each slope (per week squared), and of the residual.
        intercept_slope_covariance: of a participant's intercept and slope per week; None without slopes.
        boundary: a sentence for each variance that was estimated as zero.
        log_likelihood: restricted log-likelihood.
        rows, participants: what the model was fitted to.
        fit: the engine's fit, for questions about single people and about the model itself; its rows are those of the
            readings, in their order.
        change_weights, difference_weights: (p, rows of `changes` or `differences`), what each estimate takes of the
            engine's p fixed effects.
    """

    changes: pd.DataFrame
    differences: pd.DataFrame
    terms: tuple[Term, ...]
    slopes: tuple[str, ...]
    variances: dict[str, float]
    intercept_slope_covariance: float | None
    boundary: tuple[str, ...]
    log_likelihood: float
    rows: int
    participants: int
    fit: VarianceComponentsFit = field(repr=False, compare=False)
    change_weights: np.ndarray = field(repr=False, compare=False)
    difference_weights: np.ndarray = field(repr=False, compare=False)


def fit_change(
    readings: ChangeReadings,
    *,
    confidence: float,
    shared_baseline: bool,
    terms: Sequence[Term] | None = None,
    slopes: Sequence[str] | None = None,
) -> ChangeModel:
    """Fit the model by REML and read off every change and difference with Kenward–Roger intervals.

    Args:
        readings: the outcomes.
        confidence: level of the intervals.
        shared_baseline: one baseline mean for all arms (a trial), or one for each (an audit).
        terms: random intercepts as tuples of columns; `random_terms` when left out.
        slopes: random slopes; when left out `random_slopes`, or none where `terms` are given.

    Raises:
        DesignError: fewer than `FEWEST_SEEN_TWICE` people were measured at both visits, or the readings cannot carry
            the model.
        FitError: no optimum that may be trusted was found.
    """
    rows = readings.rows
    _check_repeated(readings)
    chosen = tuple(terms) if terms is not None else random_terms(rows)
    if slopes is None:
        slopes = random_slopes(readings) if terms is None else ()
    cells = _cells(readings, shared_baseline=shared_baseline)
    design = np.column_stack([(cells == cell).to_numpy(dtype=float) for cell in cells.unique()])
    place = {cell: position for position, cell in enumerate(cells.unique())}
    try:
        random = engine_terms(readings, chosen, slopes)
        fit = fit_variance_components(rows["value"].to_numpy(dtype=float), design, random)
    except (DesignError, FitError) as refusal:
        people = counted(int(rows["participant_id"].nunique()), "participant")
        raise type(refusal)(
            f"{counted(len(rows), 'outcome')} of {people} cannot carry the model. {refusal}"
        ) from refusal
    ingredients = fit.ingredients()
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
    of_change, of_difference = _contrasts(changes, place), _contrasts(differences, place)
    found = _with_names(pairs, _estimates(ingredients, of_change, confidence))
    _check_estimable(found, readings)
    return ChangeModel(
        changes=found,
        differences=_with_names(differing, _estimates(ingredients, of_difference, confidence)),
        terms=chosen,
        slopes=tuple(slopes),
        variances=_variances(fit),
        intercept_slope_covariance=_intercept_slope_covariance(fit),
        boundary=_boundary(fit, readings.arms),
        log_likelihood=float(fit.log_likelihood),
        rows=len(rows),
        participants=int(rows["participant_id"].nunique()),
        fit=fit,
        change_weights=of_change,
        difference_weights=of_difference,
    )


def _variances(fit: VarianceComponentsFit) -> dict[str, float]:
    """Variance of each random effect in its words, the residual last."""
    found = {}
    for term, covariance in zip(fit.design.terms, fit.covariances, strict=True):
        for column, variance in zip(term.column_names, np.diag(covariance), strict=True):
            found[term.name if column == "intercept" else column] = float(variance)
    return {**found, "residual": float(fit.residual_variance)}


def _intercept_slope_covariance(fit: VarianceComponentsFit) -> float | None:
    for term, covariance in zip(fit.design.terms, fit.covariances, strict=True):
        if PER_WEEK in term.column_names:
            return float(covariance[1, 0])
    return None


def _boundary(fit: VarianceComponentsFit, labels: dict[str, str]) -> tuple[str, ...]:
    """A sentence for each variance of zero, one for all further slopes, one for a slope tied to the intercept."""
    none = [name for name, variance in _variances(fit).items() if variance == 0.0]
    zero = [
        f"The variance between levels of {name} was estimated as zero."
        for name in none
        if not name.startswith(FURTHER_IN)
    ]
    arms = [labels[name.removeprefix(FURTHER_IN)] for name in none if name.startswith(FURTHER_IN)]
    if arms:
        named = listed([f"\N{LEFT DOUBLE QUOTATION MARK}{arm}\N{RIGHT DOUBLE QUOTATION MARK}" for arm in arms])
        zero.append(f"By how much slopes spread more in {named} than in the control arm was estimated as zero.")
    return (*zero, *(sentence for sentence in fit.boundary if sentence.startswith("The correlation")))


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
