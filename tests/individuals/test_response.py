"""The spread of individual responses: both routes against known spreads, below zero and beyond."""

from __future__ import annotations

import numpy as np
import pytest
from people_cases import MDC, growing, one_limb_study, trial

from studykit.change import change_of_study
from studykit.change.model import ChangeModel
from studykit.change.terms import FURTHER_IN
from studykit.individuals import IndividualResponse, for_whom
from studykit.numerics.individual_response import response_spread

ARMS = ["c", "a", "b"]


def answered(values: np.ndarray, arms: list[str]) -> IndividualResponse:
    results = for_whom(one_limb_study(values, design="trial", arms=arms), mdc=MDC)
    (found,) = [result for result in results if isinstance(result, IndividualResponse)]
    return found


def test_a_large_trial_finds_the_spread_that_was_put_in() -> None:
    """600 people an arm: further standard deviations of 3 and 1.5 degrees by the last visit."""
    arms = ARMS * 600
    result = answered(growing(1800, arms, {"c": 0.0, "a": 3.0, "b": 1.5}, seed=2), arms)
    numbers = result.numbers()
    for arm, sd in (("a", 3.0), ("b", 1.5)):
        for route in ("", "closed."):
            start = f"{arm}.{route}response_variance"
            # The standard error is known from the interval: a miss by three of them has a chance of 0.3 %.
            error = (numbers[f"{start}.high"] - numbers[f"{start}.low"]) / (2 * 1.96)
            assert abs(numbers[start] - sd**2) < 3 * error
            # Of the closed form in arm a: sqrt(2 (17.5^2 + 8.5^2) / 599) = 1.1, the largest of the four.
            assert error < 1.2
    assert numbers["a.response_variance.low"] > 0.0


def test_closed_form_is_that_of_the_two_samples() -> None:
    arms = ["c", "a"] * 20
    values = growing(40, arms, {"c": 0.0, "a": 2.0}, seed=5)
    change = values[:, 2] - values[:, 0]
    treated, control = change[1::2], change[::2]
    expected = response_spread(float(np.var(treated, ddof=1)), 19, float(np.var(control, ddof=1)), 19)
    numbers = answered(values, arms).numbers()
    found = tuple(numbers[f"a.closed.response_variance{end}"] for end in ("", ".low", ".high"))
    assert found == pytest.approx((expected.variance, expected.low, expected.high), rel=1e-9)
    assert numbers["a.sd_change"] == pytest.approx(np.std(treated, ddof=1), rel=1e-12)


def test_less_spread_than_in_the_control_arm_is_shown_below_zero() -> None:
    """The control arm is given the further spread: the model's variances stop at zero, the answer does not."""
    arms = ["c", "a"] * 40
    values = growing(80, arms, {"c": 3.0, "a": 0.0}, seed=7)
    result = answered(values, arms)
    numbers = result.numbers()
    assert numbers["a.response_variance"] < 0.0
    assert numbers["a.response_sd"] == pytest.approx(-np.sqrt(-numbers["a.response_variance"]))
    assert numbers["a.closed.response_variance"] < 0.0
    # Both routes estimate -9; the closed one has more noise. Four standard errors of it are 12.
    assert abs(numbers["a.response_variance"] + 9.0) < 12.0
    assert "spread less than in the control arm" in result.headline
    assert "−" in result.table().rows[1][3]


def test_the_model_in_which_the_control_arm_spreads_more_is_the_same_one_turned_round() -> None:
    """Second route: the two groups exchanged give the same number with the other sign."""
    arms = ["c", "a"] * 40
    values = growing(80, arms, {"c": 3.0, "a": 0.0}, seed=7)
    one = answered(values, arms).numbers()
    exchanged = values.reshape(40, 2, 3)[:, ::-1].reshape(80, 3)
    other = answered(exchanged, arms).numbers()
    # Not quite the same model: the arms share the baseline mean in both, and the optimum is found to 1e-8.
    assert one["a.response_variance"] == pytest.approx(-other["a.response_variance"], rel=1e-5)
    assert one["a.response_variance.low"] == pytest.approx(-other["a.response_variance.high"], rel=1e-4)


def test_main_route_is_the_further_slope_of_the_model_of_change() -> None:
    study = trial()
    (result,) = [r for r in for_whom(study, mdc=MDC) if isinstance(r, IndividualResponse)]
    model: ChangeModel = change_of_study(study)[0].model  # type: ignore[attr-defined]
    for arm in ("hold_30", "hold_60"):
        further = model.variances[FURTHER_IN + arm]
        if further > 0.0 and all(model.variances[FURTHER_IN + a] > 0.0 for a in ("hold_30", "hold_60")):
            assert result.numbers()[f"{arm}.response_variance"] == pytest.approx(144.0 * further, rel=1e-12)
        elif further == 0.0:
            assert result.numbers()[f"{arm}.response_variance"] <= 0.0


def test_all_treated_arms_together_are_a_mean_weighted_by_people() -> None:
    arms = ["c", "a", "b"] * 20
    numbers = answered(growing(60, arms, {"c": 0.0, "a": 3.0, "b": 2.0}, seed=9), arms).numbers()
    mean = (numbers["a.response_variance"] + numbers["b.response_variance"]) / 2.0
    assert numbers["treated_arms.response_variance"] == pytest.approx(mean, rel=1e-12)
    closed = (numbers["a.closed.response_variance"] + numbers["b.closed.response_variance"]) / 2.0
    assert numbers["treated_arms.closed.response_variance"] == pytest.approx(closed, rel=1e-9)
    width = numbers["treated_arms.response_variance.high"] - numbers["treated_arms.response_variance.low"]
    assert width < numbers["a.response_variance.high"] - numbers["a.response_variance.low"]


def test_two_visits_leave_the_closed_form() -> None:
    arms = ["c", "a"] * 20
    result = answered(growing(40, arms, {"c": 0.0, "a": 2.0}, seed=5, visits=2), arms)
    numbers = result.numbers()
    assert not result.by_model
    assert numbers["a.response_variance"] == numbers["a.closed.response_variance"]
    assert len(result.table().columns) == 4
    assert "mixed model" not in result.methods


def test_intervals_that_hold_zero_are_counted_in_a_caution() -> None:
    arms = ["c", "a"] * 10
    result = answered(growing(20, arms, {"c": 0.0, "a": 0.5}, seed=12), arms)
    numbers = result.numbers()
    assert numbers["a.response_variance.low"] < 0.0 < numbers["a.response_variance.high"]
    assert any("1 of 1 interval holds zero" in caution for caution in result.cautions)
