"""Simulated trials: the very model and test of the analysis, the planned means and spreads, the closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from studykit.change.model import fit_change
from studykit.numerics.intervals import wilson_interval
from studykit.numerics.mixed.many import fit_many
from studykit.planning.calculated import model_power, visits_power
from studykit.planning.design import expected_last_visits, planned_design
from studykit.planning.plan import TrialPlan
from studykit.planning.running import simulate_power
from studykit.planning.simulating import BATCH, draw_readings, simulate_batch
from tests.planning.planned_studies import planned

RICH = (
    "participant = 6, limb = 2, participant_visit = 1.5, limb_visit = 1, rater = 1, participant_rater = 0.5, "
    "trial = 2, slope_per_week = 0.15, slope_correlation = 0.3, further_slope_per_week = 0.1"
)
SLOPES = "participant = 6, participant_visit = 1.5, trial = 2, slope_per_week = 0.25, further_slope_per_week = 0.15"
TEN = {
    "two visits, one limb": {"participants": 24, "difference": 3.0},
    "two visits, few people": {"participants": 12, "difference": 4.0},
    "three arms": {"arms": 3, "participants": 36, "difference": 3.0},
    "three visits": {"weeks": (0, 6, 12), "participants": 40, "difference": 3.5, "spread": SLOPES},
    "four visits and losses": {
        "weeks": (0, 4, 8, 12),
        "participants": 40,
        "difference": 4.5,
        "spread": SLOPES,
        "more": "lost_by = { week_4 = 0.1, week_8 = 0.2, week_12 = 0.3 }",
    },
    "two limbs": {
        "spread": "participant = 5, limb = 3, participant_visit = 1, limb_visit = 1, trial = 2",
        "more": "limbs = 2",
        "participants": 24,
    },
    "three trials, all used": {"trials_used": "all", "more": "trials = 3", "participants": 24, "difference": 2.5},
    "two raters, the same throughout": {
        "spread": "participant = 6, participant_visit = 1.5, rater = 1.5, trial = 2",
        "more": "raters = 2\nraters_in_all = 2",
        "participants": 24,
        "difference": 2.5,
    },
    "unequal arms": {"participants": 30, "difference": 3.2, "more": "ratio = { none = 1, stretch_1 = 2 }"},
    "all complete participants": {
        "missing": "complete participants",
        "participants": 30,
        "difference": 3.5,
        "more": "lost_by = { week_12 = 0.2 }",
    },
}
ALIKE = {"weeks": (0, 6, 12), "participants": 24, "difference": 3.0}
"""Three visits, and everybody changes at the same rate: the model looks for slopes that are not there."""


@pytest.mark.parametrize("trials_used", ["mean", "all"])
def test_a_simulated_trial_is_tested_as_the_study_will_be(trials_used):
    """The analysis of a study, handed the readings of a simulated trial, gives the same difference, df and p."""
    plan = planned(
        arms=3,
        weeks=(0, 6, 12),
        participants=30,
        spread=RICH,
        trials_used=trials_used,
        more="limbs = 2\ntrials = 2\nraters_in_all = 2\nlost_by = { week_6 = 0.1, week_12 = 0.2 }",
    )
    design = planned_design(plan, expected_last_visits(plan))
    y = draw_readings(plan, design, np.random.default_rng(4))
    many = fit_many(design.products, y[:, None])
    readings = design.readings
    object.__setattr__(readings, "rows", readings.rows.assign(value=y))
    model = fit_change(readings, confidence=0.95, shared_baseline=True)
    at = model.differences[model.differences["visit"] == "week_12"].set_index("arm")
    for arm, contrast in zip(plan.treated, design.contrasts, strict=True):
        found = many.contrast(contrast)
        # Two searches that end within the engine's gradient bound agree to about seven digits.
        assert found.estimate[0] == pytest.approx(at.loc[arm, "estimate"], rel=1e-6)
        assert found.std_error[0] == pytest.approx(at.loc[arm, "std_error"], rel=1e-6)
        assert found.df[0] == pytest.approx(at.loc[arm, "df"], rel=1e-5)
        assert found.p[0] == pytest.approx(at.loc[arm, "p"], rel=1e-5)


def _means_of_people(plan: TrialPlan, trials: int) -> np.ndarray:
    """(trials x people, visits) means over the limbs, raters and trials of a visit, nobody lost."""
    design = planned_design(plan, np.full(plan.participants, len(plan.visits) - 1))
    cell = design.person * len(plan.visits) + design.visit
    size = np.bincount(cell)
    drawn = [draw_readings(plan, design, np.random.default_rng(seed)) for seed in range(trials)]
    return np.concatenate([(np.bincount(cell, y) / size).reshape(plan.participants, -1) for y in drawn])


def test_drawn_readings_have_the_planned_means_and_covariance():
    plan = planned(weeks=(0, 6, 12), participants=40, spread=RICH, more="limbs = 2\ntrials = 3\nraters_in_all = 1")
    trials = 500
    means = _means_of_people(plan, trials).reshape(trials, 40, 3)
    # One rater adds one level to a whole trial, which no difference sees: taken off each trial.
    means = means - means.mean(axis=(1, 2), keepdims=True)
    for arm, key in enumerate(plan.arms):
        people = means[:, 20 * arm : 20 * (arm + 1)]
        expected = plan.covariance(key)
        between = np.stack([np.cov(trial.T) for trial in people]).mean(axis=0)
        # A variance from 500 x 19 degrees of freedom is known to 1.5 %; four of them, of the largest entry.
        np.testing.assert_allclose(between, expected, atol=0.06 * expected.max())
    gap = (means[:, 20:].mean(axis=1) - means[:, :20].mean(axis=1)).mean(axis=0)
    error = math.sqrt(2 * expected.max() / (20 * trials))
    np.testing.assert_allclose(gap, plan.means[1], atol=4 * error)


def test_the_best_of_trials_and_every_trial_are_drawn_as_such():
    best = planned(trials_used="best", more="trials = 3", participants=200)
    every = planned(trials_used="all", more="trials = 3", participants=200)
    assert len(planned_design(every, np.ones(200, dtype=int)).x) == 3 * len(
        planned_design(best, np.ones(200, dtype=int)).x
    )
    change = np.diff(_means_of_people(best, 50), axis=1)
    expected = best.covariance("none") @ np.array([-1.0, 1.0]) @ np.array([-1.0, 1.0])
    # 10,000 changes: their variance is known to 1.4 %; four of them.
    assert np.var(change) - np.var(np.repeat([0.0, 3.0], 100)) == pytest.approx(expected, rel=0.06)


def test_complete_participants_alone_are_used_where_the_protocol_says_so():
    plan = planned(missing="complete participants", participants=20, more="lost_by = { week_12 = 0.3 }")
    design = planned_design(plan, expected_last_visits(plan))
    assert len(np.unique(design.person)) == 14
    assert set(np.bincount(design.person)) == {0, 2}


@pytest.mark.parametrize("name", ["two visits, few people", "four visits and losses", "two limbs"])
def test_simulated_power_is_that_of_the_closed_form(name):
    plan = planned(**TEN[name])
    found = simulate_power(plan, seed=11, half_width=0.001, most_trials=600)
    calculated = model_power(plan)[0].power
    # Four Monte Carlo standard errors of 600 trials.
    assert found.power[0] == pytest.approx(calculated, abs=4 * math.sqrt(calculated * (1 - calculated) / 600))
    assert found.estimate[0] == pytest.approx(plan.effect("stretch_1"), abs=4 * found.estimate_sd[0] / math.sqrt(600))
    assert found.fitted == found.trials == 600


@pytest.mark.slow
@pytest.mark.parametrize("name", TEN)
def test_ten_designs_agree_with_their_closed_form(name):
    """2,500 trials of each of ten designs; of ten 99.5 % intervals one misses by chance once in twenty times."""
    plan = planned(**TEN[name])
    found = simulate_power(plan, seed=5, half_width=0.0001, most_trials=2500)
    calculated = model_power(plan)[0].power
    low, high = wilson_interval(found.power[0] * found.trials, found.trials, 0.995)
    assert low <= calculated <= high
    # The quick form takes the covariance as known, with N - arms - 1 degrees of freedom; these designs have 12 to 40.
    assert visits_power(plan)[0].power == pytest.approx(found.power[0], abs=0.06)


@pytest.mark.slow
def test_where_people_change_alike_the_analysis_is_careful():
    """Slopes of zero are estimated as zero or more, so that the analysis has a wider standard error than the plan."""
    plan = planned(**ALIKE)
    found = simulate_power(plan, seed=5, half_width=0.0001, most_trials=2500)
    calculated = model_power(plan)[0]
    # Four Monte Carlo standard errors of an SD of 2,500 estimates.
    assert found.estimate_sd[0] == pytest.approx(calculated.std_error, rel=4 / math.sqrt(5000))
    assert calculated.std_error < found.std_error[0] < 1.08 * calculated.std_error
    assert calculated.power - 0.06 < found.power[0] < calculated.power


@pytest.mark.slow
@pytest.mark.parametrize("name", ["two visits, few people", "four visits and losses"])
def test_false_alarms_of_the_analysis_without_an_effect(name):
    """4,000 trials in which nothing differs."""
    found = simulate_power(planned(**TEN[name]).without_effect(), seed=9, half_width=0.0001, most_trials=4000)
    assert found.low[0] <= 0.05 <= found.high[0]


def test_a_batch_depends_on_its_number_and_the_seed_alone():
    plan = planned(more="lost_by = { week_12 = 0.2 }")
    one = simulate_batch(plan, 3, 17)
    assert one == simulate_batch(plan, 3, 17)
    assert one != simulate_batch(plan, 4, 17)
    assert one != simulate_batch(plan, 3, 18)
    assert one.trials == BATCH
