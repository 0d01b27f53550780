"""Simulated trials of a plan: responses from its means and spreads, fitted and tested as the study will be.

Trials come in batches of `BATCH`. The trials of a batch share the numbers of people who leave, so that they share one
design, and the engine carries their responses through it together. Every random number comes from one seed: a stream
for each batch (who leaves) and one for each trial (its readings), so that the digits of a trial depend on its number
alone and not on how many workers there are or on which of them computes it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from studykit.errors import DesignError
from studykit.numerics.mixed.many import fit_many
from studykit.planning.design import PlannedDesign, drawn_last_visits, planned_design
from studykit.planning.plan import TrialPlan
from studykit.planning.verdicts import arms_found, outcomes_of

BATCH: Final = 20
_LEAVING, _READINGS = 0, 1


@dataclass(frozen=True, slots=True)
class BatchOutcome:
    """What came out of one batch, for each treated arm in order.

    Attributes:
        batch: its number, from 0.
        trials, fitted: simulated, and fitted with an answer that may be trusted; the others count as not significant.
        significant: trials that found the arm's difference; with several arms also any and all (`arms_found`).
        estimates, squares: sums of the estimated differences and of their squares, fitted trials only.
        errors, dfs: sums of their standard errors and degrees of freedom.
    """

    batch: int
    trials: int
    fitted: int
    significant: tuple[int, ...]
    estimates: tuple[float, ...]
    squares: tuple[float, ...]
    errors: tuple[float, ...]
    dfs: tuple[float, ...]


def simulate_batch(plan: TrialPlan, batch: int, seed: int) -> BatchOutcome:
    """Simulate, fit and test the trials of one batch.

    Args:
        plan: the plan.
        batch: number of the batch, from 0.
        seed: of the whole simulation.
    """
    try:
        design = planned_design(plan, drawn_last_visits(plan, _stream(seed, _LEAVING, batch)))
        first = batch * BATCH
        readings = [draw_readings(plan, design, _stream(seed, _READINGS, first + trial)) for trial in range(BATCH)]
        many = fit_many(design.products, np.column_stack(readings))
    except DesignError:
        return _nothing_found(plan, batch)
    found = [many.contrast(contrast) for contrast in design.contrasts]
    ok = many.fitted

    def sums(name: str) -> tuple[float, ...]:
        return tuple(float(np.sum(getattr(one, name)[ok])) for one in found)

    return BatchOutcome(
        batch=batch,
        trials=BATCH,
        fitted=int(ok.sum()),
        significant=tuple(int(n) for n in arms_found(plan, many, design.contrasts, found).sum(axis=0)),
        estimates=sums("estimate"),
        squares=tuple(float(np.sum(one.estimate[ok] ** 2)) for one in found),
        errors=sums("std_error"),
        dfs=sums("df"),
    )


def _nothing_found(plan: TrialPlan, batch: int) -> BatchOutcome:
    """So many people have left that nothing can be said: no trial of the batch finds anything."""
    none = (0.0,) * len(plan.treated)
    return BatchOutcome(batch, BATCH, 0, (0,) * outcomes_of(plan), none, none, none, none)


def draw_readings(plan: TrialPlan, design: PlannedDesign, rng: np.random.Generator) -> np.ndarray:
    """(n,) readings of one simulated trial, in the unit of the measure; the level of the baseline is 0.

    value = mean of the arm at the visit + participant + slope x week + limb + participant at the visit + limb at the
    visit + rater + rater's way with the participant + mean (or best, or each) of the trials
    """
    s, weeks = plan.spreads, np.array(plan.weeks)[design.visit]
    level, tilt, more = rng.normal(size=(3, plan.participants))
    slope = s.slope * (s.slope_correlation * level + np.sqrt(1.0 - s.slope_correlation**2) * tilt)
    treated = design.arm != list(plan.arms).index(plan.control)
    value: np.ndarray = np.array(plan.means)[design.arm, design.visit] + s.participant * level[design.person]
    value += weeks * (slope[design.person] + np.where(treated, s.further_slope * more[design.person], 0.0))
    people, visits = plan.participants, len(plan.visits)
    for spread, codes, levels in (
        (s.limb, design.limb, people * plan.limbs),
        (s.participant_visit, design.day, people * visits),
        (s.limb_visit, design.limb_day, people * plan.limbs * visits),
        (s.rater, design.rater, plan.raters_in_all),
        (s.participant_rater, design.person_rater, people * plan.raters_in_all),
    ):
        value += spread * rng.normal(size=levels)[codes]
    return np.asarray(value + _trials(plan, value.size, rng))


def _trials(plan: TrialPlan, rows: int, rng: np.random.Generator) -> np.ndarray:
    """What the trials of one visit add to it."""
    if plan.trials_used == "all":
        return np.asarray(plan.spreads.trial * rng.normal(size=rows))
    drawn = plan.spreads.trial * rng.normal(size=(plan.trials, rows))
    if plan.trials_used == "mean":
        return np.asarray(drawn.mean(axis=0))
    return np.asarray(drawn.max(axis=0) if plan.more_is_better else drawn.min(axis=0))


def _stream(seed: int, kind: int, number: int) -> np.random.Generator:
    """The stream that `SeedSequence(seed).spawn` would give to this kind and number, without spawning the others."""
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence(seed, spawn_key=(kind, number))))
