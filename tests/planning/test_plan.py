"""From the protocol to the numbers of a plan."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from studykit.errors import CallError, DesignError
from studykit.numerics.planning.means import ancova_power
from studykit.planning.calculated import arm_looked_at, model_power, participants_for, visits_power
from studykit.planning.design import drawn_last_visits, expected_last_visits, planned_design
from studykit.planning.plan import sizes_of_arms, trial_plan, variance_of_best
from tests.planning.planned_studies import planned, planned_protocol


def test_means_are_a_straight_line_unless_written():
    plan = planned(arms=3, weeks=(0, 6, 12), difference=4.0, tables="[planning.change.stretch_2]\nweek_12 = 5.0")
    np.testing.assert_allclose(plan.means, [(0.0, 0.0, 0.0), (0.0, 2.0, 4.0), (0.0, 2.5, 5.0)], rtol=1e-12)
    assert [plan.effect(arm) for arm in plan.treated] == [4.0, 5.0]


def test_one_arm_alone_may_be_supposed_to_help():
    plan = planned(arms=3, more='arm_with = "stretch_2"')
    assert [plan.effect(arm) for arm in plan.treated] == [0.0, 3.0]
    assert arm_looked_at(visits_power(plan)).arm == "stretch_2"


@given(st.integers(4, 500), st.lists(st.integers(1, 5), min_size=2, max_size=6))
def test_sizes_sum_and_stay_within_one_of_their_share(participants, ratios):
    sizes = sizes_of_arms(participants, tuple(ratios))
    assert sum(sizes) == participants
    for size, ratio in zip(sizes, ratios, strict=True):
        assert abs(size - participants * ratio / sum(ratios)) < 1.0


def test_losses_carry_on_to_visits_that_are_not_named():
    plan = planned(weeks=(0, 4, 8, 12), more="lost_by = { week_4 = 0.1, week_12 = 0.25 }")
    assert plan.lost_by == (0.0, 0.1, 0.1, 0.25)
    np.testing.assert_allclose(plan.shares_leaving, [0.1, 0.0, 0.15, 0.75], rtol=1e-12)
    last = expected_last_visits(plan)
    # 12 people an arm: 1.2 and 3 lost, rounded.
    assert np.bincount(last[:12], minlength=4).tolist() == [1, 0, 2, 9]


def test_drawn_losses_have_the_planned_shares():
    plan = planned(weeks=(0, 4, 12), participants=2000, more="lost_by = { week_4 = 0.1, week_12 = 0.3 }")
    drawn = np.bincount(drawn_last_visits(plan, np.random.default_rng(1)), minlength=3) / 2000
    # Four standard errors of a share of 2,000.
    np.testing.assert_allclose(drawn, [0.1, 0.2, 0.7], atol=4 * math.sqrt(0.25 / 2000))


def test_variance_of_the_best_of_trials():
    # Of two: 1 - 1 / pi (Johnson, Kotz & Balakrishnan 1994, from memory).
    assert variance_of_best(1) == pytest.approx(1.0, rel=1e-10)
    assert variance_of_best(2) == pytest.approx(1.0 - 1.0 / math.pi, rel=1e-10)
    drawn = np.random.default_rng(2).normal(size=(200_000, 3)).max(axis=1)
    # The standard error of a variance of 200,000 draws is about 0.3 %; four of them.
    assert variance_of_best(3) == pytest.approx(drawn.var(), rel=0.013)


def test_terms_are_those_of_the_analysis_and_their_variances_add_up():
    plan = planned(
        weeks=(0, 6, 12),
        spread="participant = 6, limb = 2, participant_visit = 1.5, limb_visit = 1, rater = 1, trial = 2, "
        "slope_per_week = 0.1, further_slope_per_week = 0.05",
        more="limbs = 2\ntrials = 3\nraters_in_all = 2",
    )
    design = planned_design(plan, expected_last_visits(plan))
    names = [term.name for term in design.products.terms]
    assert names == [
        "participant",
        "limb within participant",
        "participant at a visit",
        "rater (crossed)",
        "further participant slope per week in stretch_1",
    ]
    # A limb's own day cannot be told apart from its mean of three trials: 1 + 4 / 3.
    assert design.residual_variance == pytest.approx(1.0 + 4.0 / 3.0, rel=1e-12)
    assert [float(c[0, 0]) for c in design.covariances] == pytest.approx([36.0, 4.0, 2.25, 1.0, 0.0025])
    assert float(design.covariances[0][1, 1]) == pytest.approx(0.01, rel=1e-12)


def test_power_of_two_visits_without_losses_is_that_of_the_analysis_of_covariance():
    plan = planned(participants=60, difference=3.0)
    covariance = plan.covariance("none")
    sd, rho = math.sqrt(covariance[1, 1]), covariance[0, 1] / covariance[1, 1]
    usual = ancova_power(30, 30, 3.0, sd, rho, exact=False)
    assert visits_power(plan)[0].power == pytest.approx(usual, rel=1e-9)
    # The engine's small-sample standard error is 1 to 2 % wider than the large-sample one at 60 people.
    assert model_power(plan)[0].power == pytest.approx(ancova_power(30, 30, 3.0, sd, rho), abs=0.005)


def test_participants_found_are_the_smallest():
    plan = planned(weeks=(0, 6, 12), difference=3.0, more="lost_by = { week_12 = 0.2 }")
    for by_model, compute in ((False, visits_power), (True, model_power)):
        n = participants_for(plan, by_model=by_model)
        assert compute(plan.with_participants(n))[0].power >= 0.8
        assert compute(plan.with_participants(n - 2))[0].power < 0.8


def test_several_comparisons_share_alpha_where_the_analysis_adjusts():
    protocol = planned_protocol(arms=3, tables='[analysis]\nmultiplicity = "holm"')
    assert trial_plan(protocol).alpha_of_one == pytest.approx(0.025, rel=1e-12)
    assert planned(arms=3).alpha_of_one == pytest.approx(0.05, rel=1e-12)


def test_a_protocol_without_a_plan_and_a_plan_without_people_are_refused():
    with pytest.raises(DesignError, match="does not say what was supposed"):
        trial_plan(planned_protocol().model_copy(update={"planning": None}))
    with pytest.raises(DesignError, match="4 participants leave an arm with 0"):
        planned(participants=4, arms=5)
    with pytest.raises(CallError, match="A set of visits needs 'week_0', 'week_12'"):
        planned(weeks=(0, 6, 12)).with_visits(("week_0", "week_6"))
