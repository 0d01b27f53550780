"""Slopes and contrasts of arms that were asked for different doses, from one change model."""

from __future__ import annotations

from itertools import combinations
from typing import Final

import numpy as np
import pandas as pd

from studykit.change.contrasts import ESTIMATE_COLUMNS, estimates
from studykit.dose.asked import COMPONENTS, level_of
from studykit.dose.model import DoseTrial
from studykit.errors import FitError
from studykit.formatting import listed
from studykit.numerics.dose.components import interaction_weights, lack_of_fit, slope_weights
from studykit.numerics.mixed.restricted_means import RestrictedFit
from studykit.numerics.mixed.small_sample import ContrastTest, kenward_roger_test

PER_STEP: Final = "per step"
DIFFERENCE: Final = "difference"
FINDING_COLUMNS: Final = ("key", "label", "kind", *ESTIMATE_COLUMNS)


def line_columns(trial: DoseTrial) -> np.ndarray:
    """(p, r) the means of each later visit held to a straight line over the dose; the primary visit's slope last."""
    count = trial.model.fit.p
    later = [visit.key for visit in trial.readings.visits[1:]]
    later = [*(key for key in later if key != trial.readings.primary_visit), trial.readings.primary_visit]
    taken, columns = [], []
    for visit in later:
        places, doses = trial.places(visit), trial.doses(visit)
        here = places >= 0
        taken += list(places[here])
        levels = [np.ones(int(here.sum())), doses[here]]
        if len(set(doses[here])) < 2:
            levels = levels[: int(here.any())]
        for values in levels:
            column = np.zeros(count)
            column[places[here]] = values
            columns.append(column)
    others = np.setdiff1d(np.arange(count), taken)
    return np.column_stack([np.eye(count)[:, others], *columns])


def straight_fit(trial: DoseTrial) -> RestrictedFit:
    """The change model with a straight line over the dose at each later visit, by REML; its slope stands last."""
    return trial.means.fit(line_columns(trial), method="reml")


def straight_line(trial: DoseTrial) -> tuple[pd.DataFrame, ContrastTest | None]:
    """The slope over the dose, and the test of free means against the line; None where two doses are all there is."""
    fit = straight_fit(trial)
    doses, scale = trial.doses(), trial.scale
    top, least = float(doses.max()), float(doses.min())
    weights = np.zeros((len(fit.coefficients), 2))
    weights[-1] = scale.step, top - least
    found = estimates(fit.made, weights, trial.confidence)
    more = f"{scale.amount(f'{top:g}')} rather than {scale.amount(f'{least:g}') if least else 'none'}"
    named = pd.DataFrame(
        {
            "key": ["slope", "slope_over_range"],
            "label": [f"{scale.each}, on a straight line", f"{more}, on a straight line"],
            "kind": [PER_STEP, DIFFERENCE],
        }
    )
    beyond = lack_of_fit(np.column_stack([np.ones(len(doses)), doses / top]))
    test = None
    if beyond.shape[1]:
        try:
            test = kenward_roger_test(trial.model.fit.ingredients(), trial.spread(beyond))
        except FitError:
            test = None
    return pd.concat([named, found], axis="columns"), test


def component_contrasts(trial: DoseTrial) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Main effects and interactions over the arms that were asked for a dose, and what they cannot show."""
    asked = [(place, trial.plan(arm).dose) for place, arm in enumerate(trial.arms)]
    treated = [(place, dose) for place, dose in asked if dose is not None]
    empty = pd.DataFrame(columns=list(FINDING_COLUMNS))
    if len(treated) < 2:
        return empty, (
            "Only one arm was asked for a dose, so its parts (hold time, days a week) cannot be told apart.",
        )
    levels = np.array([[level_of(dose, part) for part in COMPONENTS] for _, dose in treated])
    varying = [part for part, column in zip(COMPONENTS, levels.T, strict=True) if np.ptp(column) > 0.0]
    if not varying:
        return empty, ("All arms with a dose were asked for the same hold, repetitions, days and weeks.",)
    if techniques(trial) > 1:
        return empty, ("The arms differ in technique too, so no part of the dose can be looked at on its own.",)
    kept = levels[:, [COMPONENTS.index(part) for part in varying]]
    weights = slope_weights(kept)
    rows, columns, refused = [], [], []
    apart = [place for place in range(len(varying)) if np.isfinite(weights[:, place]).all()]
    for place in apart:
        part, column = varying[place], kept[:, place]
        low, high = float(column.min()), float(column.max())
        rows.append((f"{part.key}.range", f"{part.level(high)} rather than {part.level(low)}", DIFFERENCE))
        rows.append((f"{part.key}.step", part.each, PER_STEP))
        columns += [weights[:, place] * (high - low), weights[:, place] * part.step]
    mixed = [varying[place].name.lower() for place in range(len(varying)) if place not in apart]
    if mixed:
        refused.append(f"Across these arms {listed(mixed)} change together, so neither can be looked at on its own.")
    for one, other in combinations(apart, 2):
        found = interaction_weights(kept, one, other)
        names = f"{varying[one].name} × {varying[other].name.lower()}"
        if found is None:
            refused.append(f"Whether {names} act beyond their sum cannot be seen: too few combinations were tried.")
            continue
        rows.append((f"{varying[one].key}.{varying[other].key}.interaction", _interaction(names), DIFFERENCE))
        columns.append(found * np.ptp(kept[:, one]) * np.ptp(kept[:, other]))
    if not rows:
        return empty, tuple(refused)
    full = np.zeros((len(trial.arms), len(columns)))
    full[[place for place, _ in treated]] = np.column_stack(columns)
    named = pd.DataFrame(rows, columns=["key", "label", "kind"])
    return pd.concat([named, trial.contrasts(full)], axis="columns"), tuple(refused)


def _interaction(names: str) -> str:
    return f"{names}: difference of the differences"


def same_minutes(trial: DoseTrial) -> pd.DataFrame:
    """Every two arms that were asked for the same minutes up to the primary visit, split differently."""
    week = float(trial.study.protocol.visit(trial.readings.primary_visit).week)
    doses = {arm: trial.plan(arm).dose for arm in trial.arms}
    rows, columns = [], []
    for one, other in combinations(trial.arms, 2):
        first, second = doses[one], doses[other]
        if first is None or second is None or first.technique != second.technique:
            continue
        totals = [dose.minutes_per_week * min(week, dose.weeks) for dose in (first, second)]
        if abs(totals[0] - totals[1]) > 1e-9 * max(totals) or first == second:
            continue
        weekly = (
            f"{first.minutes_per_week:g} min a week" if first.weeks == second.weeks else f"{totals[0]:g} min in all"
        )
        label = f"“{trial.plan(other).label}” rather than “{trial.plan(one).label}” (the same {weekly})"
        rows.append((f"same_minutes.{other}.{one}", label, DIFFERENCE))
        column = np.zeros(len(trial.arms))
        column[[trial.arms.index(other), trial.arms.index(one)]] = 1.0, -1.0
        columns.append(column)
    if not rows:
        return pd.DataFrame(columns=list(FINDING_COLUMNS))
    named = pd.DataFrame(rows, columns=["key", "label", "kind"])
    return pd.concat([named, trial.contrasts(np.column_stack(columns))], axis="columns")


def techniques(trial: DoseTrial) -> int:
    """How many techniques the arms were asked for."""
    return len({dose.technique for dose in (trial.plan(arm).dose for arm in trial.arms) if dose is not None})
