"""Sentences about power: which number to go by follows from the design, whether the two agree from the numbers."""

from __future__ import annotations

import pytest

from studykit.planning.calculated import ArmPower, arm_looked_at, model_power
from studykit.planning.power_words import (
    how_they_agree,
    other_plans_headline,
    power_headline,
    power_methods,
    which_to_go_by,
)
from studykit.planning.running import simulate_power
from tests.planning.planned_studies import SPREAD, planned
from tests.planning.test_simulating import ALIKE, SLOPES, TEN


@pytest.mark.parametrize(
    ("choices", "words"),
    [
        ({}, "Nothing in this design sets calculation and simulation apart"),
        ({"spread": SLOPES}, "With two visits the model has no term for people who change at different rates"),
        (ALIKE, "People are supposed to change at one rate"),
        ({**ALIKE, "spread": f"{SPREAD}, slope_per_week = 0.2"}, "In treated arms rates of change are supposed"),
        (TEN["three visits"], "Nothing in this design sets calculation and simulation apart"),
    ],
)
def test_which_power_to_go_by_follows_from_the_design(choices, words):
    sentence = which_to_go_by(planned(**choices))
    assert sentence.startswith(words)
    assert sentence.count(". ") == 0
    assert "go by the simulated one" in sentence


def test_the_two_agree_inside_the_interval_and_part_outside():
    power = ArmPower("a", 3.0, 1.0, 20.0, 0.525)
    assert "the two agree" in how_they_agree(power, 0.52, 0.49, 0.55)
    assert "about 4.5 points too high" in how_they_agree(power, 0.48, 0.44, 0.52)
    assert "about 4.5 points too low" in how_they_agree(power, 0.57, 0.53, 0.61)


def test_of_arms_that_are_equally_hard_to_find_the_first_is_looked_at():
    powers = tuple(ArmPower(key, 2.0, 1.0, 20.0, 0.7 + tiny) for key, tiny in (("a", 3e-16), ("b", 0.0), ("c", 0.1)))
    assert arm_looked_at(powers).arm == "a"
    assert arm_looked_at((*powers, ArmPower("d", 1.0, 1.0, 20.0, 0.2))).arm == "d"


def test_a_plan_of_several_arms_says_how_often_any_and_all_are_found():
    plan = planned(arms=3, participants=36, tables='[analysis]\nmultiplicity = "holm"')
    found = simulate_power(plan, seed=2, half_width=0.2, most_trials=100)
    headline = power_headline(plan, model_power(plan), found)
    assert "At least one of the 2 arms that are supposed to differ is found in" in headline
    assert found.power[2] >= max(found.power[:2])
    assert found.power[3] <= min(found.power[:2])
    methods = power_methods(plan, found)
    assert "two-sided at 0.0250 for each comparison (0.05 shared among 2 after Bonferroni" in methods
    assert "two-sided at 0.05 for all comparisons at the visit after Holm (1979)" in methods


def test_the_headline_of_other_plans_counts_by_the_simulated_power():
    plan = planned()
    assert other_plans_headline(plan, ("a", "b"), (0.79, 0.81)).startswith("Of 2 other plans 1 reaches the 80% wished")
    assert other_plans_headline(plan, ("a", "b"), (0.7, 0.7)).startswith("None of 2 other plans reaches")
    assert other_plans_headline(plan, ("a",), (0.8,)).startswith("The other plan reaches")


@pytest.mark.slow
def test_with_two_visits_of_people_who_change_differently_the_calculation_is_close():
    """2,500 trials. With people who change alike it is too hopeful: `test_simulating` holds that."""
    plan = planned(participants=40, difference=4.0, spread=SLOPES)
    found = simulate_power(plan, seed=5, half_width=0.0001, most_trials=2500)
    # Four points: two and a half Monte Carlo errors on top of what the pooled spread of the arms may be off.
    assert model_power(plan)[0].power == pytest.approx(found.power[0], abs=0.04)
