"""The longitudinal model of one measure: means by arm and visit, and the contrasts that answer the question.

    value = mean of the cell + random intercepts + random slopes x weeks since the baseline + residual

A cell is an arm at a visit. Its mean is free, or the means of an arm lie on a straight line over the weeks
(`course`). In a trial all arms share one cell at the baseline, because allocation by chance makes their expected values
equal there (constrained baseline: Liang & Zeger 2000, Sankhyā B 62, 134–148; Lu 2010, Statistics in Medicine 29,
2517–2530; from memory). In an audit each pathway has a cell of its own at every visit.

Declared covariates and strata enter with a slope of their own at every visit, the same in all arms, and are centred, so
that the cells are means of people with average covariates.

The random terms follow from the design alone (`terms`): from who was measured how often, and from how many visits there
are. They are fixed before anything is fitted, whatever the readings say.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Any, Final

import numpy as np
import pandas as pd

from studykit.change.contrasts import EACH_ON_ITS_OWN, ESTIMATE_COLUMNS, as_families, estimates
from studykit.change.course import CellMeans, cell_means
from studykit.change.readings import FREE, STRAIGHT_LINE, ChangeReadings
from studykit.change.terms import FURTHER_IN, PER_WEEK, Term, engine_terms, random_slopes, random_terms
from studykit.errors import DesignError, FitError
from studykit.formatting import counted, listed
from studykit.numerics.mixed.fit import VarianceComponentsFit, fit_variance_components
from studykit.numerics.mixed.small_sample import ContrastTest, kenward_roger_test

__all__ = ["ESTIMATE_COLUMNS", "ChangeModel", "departure_from_line", "fit_change"]

FEWEST_SEEN_TWICE: Final = 3
"""Participants with a reading at the baseline and at the primary visit without whom no model is fitted."""
FEW_DF: Final = 5.0
"""Degrees of freedom of a change or difference at the primary visit below which a fit is weakly determined, and one
start is not enough (our choice: in 1,500 random small trials one start missed the optimum four times, below 2)."""


@dataclass(frozen=True, slots=True)
class ChangeModel:
    """A fitted model of change, in the unit of the measure.

    Attributes:
        changes: one row an arm and later visit: `arm`, `visit` and `ESTIMATE_COLUMNS`; change from baseline.
        differences: the same for arm minus control at each later visit, and `ALONE_COLUMNS`; interval and p adjusted
            among the comparisons of one visit where `multiplicity` says so. No row without a control.
        pairs: the same for every two arms other than the control at the primary visit, `arm` minus `against`.
        multiplicity: what was done about several comparisons, in the protocol's words.
        course: how the means run over the visits, in the protocol's words.
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
        departure: of a straight line, the joint test of free means against it (`departure_from_line`); None before it
            was asked for, and where there is none.
    """

    changes: pd.DataFrame
    differences: pd.DataFrame
    pairs: pd.DataFrame
    multiplicity: str
    course: str
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
    departure: ContrastTest | None = None


def fit_change(
    readings: ChangeReadings,
    *,
    confidence: float,
    shared_baseline: bool,
    terms: Sequence[Term] | None = None,
    slopes: Sequence[str] | None = None,
    multiplicity: str = EACH_ON_ITS_OWN,
    several_starts: bool = True,
) -> ChangeModel:
    """Fit the model by REML and read off every change and difference with Kenward–Roger intervals.

    Args:
        readings: the outcomes.
        confidence: level of the intervals.
        shared_baseline: one baseline mean for all arms (a trial), or one for each (an audit).
        terms: random intercepts as tuples of columns; `random_terms` when left out.
        slopes: random slopes; when left out `random_slopes`, or none where `terms` are given.
        multiplicity: what is done about several comparisons of one visit (`contrasts.as_families`).
        several_starts: as for `fit_variance_components`. Without, a fit that turns out weakly determined (`FEW_DF`) is
            searched again from several.

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
    means = cell_means(readings, shared_baseline=shared_baseline)
    place = means.place
    try:
        random = engine_terms(readings, chosen, slopes)
        design, names = _fixed_effects(readings, means)
        fit = fit_variance_components(
            rows["value"].to_numpy(dtype=float),
            design,
            random,
            column_names=names,
            several_starts=several_starts,
        )
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
    at = readings.primary_visit
    treated = [arm for arm, visit in differing if visit == at]
    opposed = [(later_arm, arm) for arm, later_arm in combinations(treated, 2)]
    count = design.shape[1]
    of_change = means.contrasts(changes, count)
    of_difference = means.contrasts([(f"{a}@{v}", f"{readings.control}@{v}") for a, v in differing], count)
    of_pair = means.contrasts([(f"{one}@{at}", f"{other}@{at}") for one, other in opposed], count)
    found = _with_names(pairs, estimates(ingredients, of_change, confidence))
    compared = _with_names(differing, estimates(ingredients, of_difference, confidence))
    if not several_starts and any(_weakly_determined(answers, at) for answers in (found, compared)):
        return fit_change(
            readings,
            confidence=confidence,
            shared_baseline=shared_baseline,
            terms=chosen,
            slopes=slopes,
            multiplicity=multiplicity,
        )
    for asked_for in (found, compared):
        _check_estimable(asked_for, readings)
    between = _with_names(opposed, estimates(ingredients, of_pair, confidence), ("arm", "against"))
    asked: dict[str, Any] = {"multiplicity": multiplicity, "confidence": confidence}
    return ChangeModel(
        changes=found,
        differences=as_families(
            compared, ingredients, of_difference, family=compared["visit"], one_reference=True, **asked
        ),
        pairs=as_families(
            between.assign(visit=at), ingredients, of_pair, family=_one(between), one_reference=False, **asked
        ),
        multiplicity=multiplicity,
        course=readings.course,
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


def departure_from_line(readings: ChangeReadings, model: ChangeModel, *, shared_baseline: bool) -> ContrastTest | None:
    """Do the visits' own means depart from the straight line? The joint F test of Kenward and Roger, two-sided.

    The model is fitted once more with the same random terms and a free mean for every cell; tested are all contrasts
    of these means that are zero on any line.

    Returns:
        the test; None where the course is free, where every line fits (readings in two weeks), or where free means or
        their test cannot be had.
    """
    if model.course != STRAIGHT_LINE:
        return None
    beyond = cell_means(readings, shared_baseline=shared_baseline).beyond
    try:
        free = fit_change(
            replace(readings, course=FREE),
            confidence=0.95,
            shared_baseline=shared_baseline,
            terms=model.terms,
            slopes=model.slopes,
            several_starts=False,
        )
        contrasts = beyond(free.fit.p)
        return kenward_roger_test(free.fit.ingredients(), contrasts) if contrasts.shape[1] else None
    except (DesignError, FitError):
        return None


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


def _weakly_determined(found: pd.DataFrame, visit: str) -> bool:
    return not bool((found.loc[found["visit"] == visit, "df"] >= FEW_DF).all())


def _check_estimable(estimates: pd.DataFrame, readings: ChangeReadings) -> None:
    """Refuse answers whose interval would be without meaning: no error, or less than one degree of freedom."""
    at = estimates[estimates["visit"] == readings.primary_visit]
    for row in at.itertuples():
        if not (row.std_error > 0.0 and row.df >= 1.0):
            raise DesignError(
                f"The readings of {readings.arms[row.arm]} are too few to say how far its change may be off (less than "
                "one degree of freedom)."
            )


def _baseline_cell(readings: ChangeReadings, arm: str, shared_baseline: bool) -> str:
    return readings.baseline if shared_baseline else f"{arm}@{readings.baseline}"


def _fixed_effects(readings: ChangeReadings, means: CellMeans) -> tuple[np.ndarray, list[str]]:
    """Columns of the fixed effects: one a parameter of the means, then one a covariate and visit, zero elsewhere."""
    visits = readings.rows["visit"].to_numpy()
    columns = list(means.design().T)
    names = list(means.names)
    values = readings.adjusting.for_rows(readings.rows["participant_id"])
    for visit in readings.visits:
        columns += [values[:, place] * (visits == visit.key) for place in range(values.shape[1])]
        names += [f"{name} at {visit.label}" for name in readings.adjusting.columns.columns]
    return np.column_stack(columns), names


def _one(frame: pd.DataFrame) -> pd.Series:
    """All rows as one family."""
    return pd.Series("one", index=frame.index)


def _with_names(
    pairs: list[tuple[str, str]], found: pd.DataFrame, names: tuple[str, str] = ("arm", "visit")
) -> pd.DataFrame:
    return pd.concat([pd.DataFrame(pairs, columns=list(names)), found], axis="columns")
