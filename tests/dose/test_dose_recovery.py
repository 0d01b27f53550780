"""Truths about dose are found and covered: simulated trials (slow; figures in DEVELOPERS.md)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from dose_cases import dose_study, dose_text
from made_studies import protocol_text, study_of

from studykit.change.model import fit_change
from studykit.change.readings import ChangeReadings, readings_for_change
from studykit.dose.asked import SCALES
from studykit.dose.effects import straight_line
from studykit.dose.exposure import exposure_of
from studykit.dose.model import DoseTrial
from studykit.numerics.dose import curves
from studykit.numerics.dose.curves import ArmMeans
from studykit.numerics.mixed.restricted_means import RestrictedMeans
from studykit.protocol import Visit
from studykit.simulate.trial import MEASURE, simulate_trial
from studykit.simulate.truth import Adherence, ArmTruth, Change, DropOut, TrialTruth
from studykit.vocabulary import MEASUREMENTS, PARTICIPANTS

TRIALS = 500
# Three binomial standard errors of 95% in 500 trials.
NOISE = 3.0 * np.sqrt(0.95 * 0.05 / TRIALS)


def readings(
    rng: np.random.Generator,
    doses: np.ndarray,
    each: int,
    mean: Callable[[np.ndarray], np.ndarray],
    *,
    weeks: tuple[int, ...],
    noise: float,
    spread: float = 0.0,
) -> ChangeReadings:
    """One reading a person and visit; people differ in level (SD 5) and in change to the last visit (SD `spread`)."""
    arm = np.repeat(np.arange(len(doses)), each)
    n, last = len(arm), weeks[-1]
    gain = mean(doses)[arm] + 0.5 + rng.normal(0, spread, n)
    value = 40.0 + rng.normal(0, 5.0, (n, 1)) + rng.normal(0, noise, (n, len(weeks)))
    value = value + gain[:, None] * np.array(weeks) / last
    person, visit = np.indices(value.shape).reshape(2, -1)
    visits = tuple(Visit(key=f"week_{week}", label=f"Week {week}", week=week) for week in weeks)
    rows = pd.DataFrame(
        {
            "participant_id": person,
            "arm": np.array([f"a{place}" for place in range(len(doses))], dtype=object)[arm[person]],
            "visit": np.array([one.key for one in visits], dtype=object)[visit],
            "side": "one",
            "rater_id": "r",
            "value": value.ravel(),
        }
    )
    arms = {f"a{place}": f"a{place}" for place in range(len(doses))}
    return ChangeReadings(
        rows=rows,
        measure="m",
        visits=visits,
        primary_visit=visits[-1].key,
        arms=arms,
        control="a0",
        outcome_words="",
        notes=(),
    )


@pytest.mark.slow
def test_half_maximal_dose_is_found_and_its_profile_covers_it() -> None:
    """240 people in six arms, most 12 degrees, half of it at 10 minutes a week."""
    doses = np.array([0.0, 5.0, 10.0, 20.0, 40.0, 80.0])
    found = []
    for number in range(TRIALS):
        rng = np.random.default_rng([20261206, number])
        made = readings(rng, doses, 40, lambda dose: 12.0 * dose / (10.0 + dose), weeks=(0, 12), noise=1.0)
        model = fit_change(made, confidence=0.95, shared_baseline=True)
        places = np.argmax(model.change_weights, axis=0)
        half = curves.half_maximal(ArmMeans(RestrictedMeans(model.fit), places, doses, model.fit.p), confidence=0.95)
        low, high = half.curve.rise_interval(np.array([10.0]), confidence=0.95)
        found.append((half.dose, half.limits[0] < 10.0 < half.limits[1], low[0] < 6.0 < high[0]))
    dose, covered, rise = np.array(found, dtype=float).T
    figures = f"mean {dose.mean():.4f}, median {np.median(dose):.4f}, covered {covered.mean():.3f}, {rise.mean():.3f}"
    assert abs(dose.mean() / 10.0 - 1.0) < 0.02, figures
    assert abs(covered.mean() - 0.95) < NOISE, figures
    assert abs(rise.mean() - 0.95) < NOISE, figures


@pytest.mark.slow
def test_slope_over_minutes_is_found_and_covered() -> None:
    """80 people in four arms at three visits who change at rates of their own: 0.2 degrees a minute a week."""
    doses = np.array([0.0, 6.0, 12.0, 24.0])
    arms: dict[str, tuple[float, float] | None] = {f"a{place}": (5 * dose, 3) for place, dose in enumerate(doses)}
    said = {f"a{place}": dose_text(5 * dose, 3) for place, dose in enumerate(doses) if dose}
    study = dose_study([0.0] * 4, arms=arms, doses=said)
    found = []
    for number in range(TRIALS):
        rng = np.random.default_rng([20261207, number])
        made = readings(rng, doses, 20, lambda dose: 0.2 * dose, weeks=(0, 6, 12), noise=1.5, spread=1.5)
        model = fit_change(made, confidence=0.95, shared_baseline=True, several_starts=False)
        trial = DoseTrial(
            study=study,
            readings=made,
            model=model,
            means=RestrictedMeans(model.fit),
            scale=SCALES["minutes_per_week"],
            arms=tuple(made.arms),
            mdc=None,
        )
        slopes, straight = straight_line(trial)
        slope = slopes.iloc[0]
        assert straight is not None
        found.append((slope["estimate"], slope["low"] < 0.2 < slope["high"], straight.p < 0.05))
    estimate, covered, refused = np.array(found, dtype=float).T
    figures = f"bias {estimate.mean() / 0.2 - 1.0:.4f}, covered {covered.mean():.3f}, lack of fit {refused.mean():.3f}"
    assert abs(estimate.mean() / 0.2 - 1.0) < 0.02, figures
    assert abs(covered.mean() - 0.95) < NOISE, figures
    assert abs(refused.mean() - 0.05) < NOISE, figures


WITHIN_TRUTH = 0.3
"""Degrees a minute: the gain of `simulate.truth` far below its half-maximal dose is a straight line."""


def confounded_truth(response_sd: float) -> TrialTruth:
    """60 people whose unrecorded trait drives both how much they do and how much they drift."""

    def arm(key: str, hold_s: float, days: int) -> ArmTruth:
        asked = 4 if days else 0
        return ArmTruth(key=key, hold_s=hold_s, repetitions=asked, sessions_per_day=int(days > 0), days_per_week=days)

    return TrialTruth(
        participants=60,
        screened_out=0,
        sitting_participants=0,
        raters=2,
        trials=2,
        arms=(arm("none", 0, 0), arm("low", 30, 6), arm("high", 60, 6)),
        change=Change(
            most_deg_per_week=WITHIN_TRUTH * 1e7,
            half_minutes_per_week=1e7,
            response_sd=response_sd,
            drift_per_trait_deg_per_week=0.5,
        ),
        adherence=Adherence(start_logit=0.3),
        drop_out=DropOut(start_logit=-3.5, per_deg_logit=-0.1),
    )


def exact_dates(tables: dict[str, pd.DataFrame], truth: TrialTruth) -> dict[str, pd.DataFrame]:
    """Visits on their planned day: what was done by a visit is then what the truth counts.

    The truth changes an angle by planned weeks whatever the day of the visit; with visits up to four days off, minutes
    counted to the day of the visit are off by a few, which draws the slope towards zero by about a tenth.
    """
    enrolled = tables[PARTICIPANTS].set_index("participant_id")["enrolled_on"]
    weeks = dict(zip(truth.visit_keys, truth.visit_weeks, strict=True))
    rows = tables[MEASUREMENTS]
    on = rows["participant_id"].map(enrolled) + pd.to_timedelta(7 * rows["visit"].map(weeks), unit="D")
    return {**tables, MEASUREMENTS: rows.assign(measured_on=on)}


@pytest.mark.slow
def test_slope_within_a_participant_is_found_under_confounded_adherence() -> None:
    """People respond differently (SD 0.4 of the mean); the slope between participants is far off, as it must be."""
    truth = confounded_truth(0.4)
    text = protocol_text(
        arms={arm.key: arm.key for arm in truth.arms},
        doses={arm.key: dose_text(arm.hold_s, arm.days_per_week) for arm in truth.arms if arm.days_per_week},
        visits=truth.visit_keys,
        weeks=truth.visit_weeks,
        measure=MEASURE,
    ).replace("'r1', 'r2', 'r3'", "'rater_1', 'rater_2'")
    found = []
    for number in range(TRIALS):
        tables = simulate_trial(truth, rng=np.random.default_rng([20261208, number]))
        study = study_of(text, **exact_dates(tables, truth))
        slopes = exposure_of(study, readings_for_change(study), gaps="missing", several_starts=False).per_minute
        at = slopes.set_index("key")
        within, between = at.loc["within"], at.loc["between"]
        covered = within["low"] < WITHIN_TRUTH < within["high"]
        found.append((within["estimate"], covered, between["low"] < WITHIN_TRUTH < between["high"]))
    estimate, covered, between = np.array(found, dtype=float).T
    bias = estimate.mean() / WITHIN_TRUTH - 1.0
    figures = f"bias {bias:.4f}, covered {covered.mean():.3f}, between covered {between.mean():.3f}"
    assert abs(bias) < 0.02, figures
    # Above: a variance that is never below zero makes the interval wider than it need be.
    assert 0.95 - NOISE < covered.mean() <= 0.985, figures
    assert between.mean() < 0.5, figures
