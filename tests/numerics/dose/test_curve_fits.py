"""Curves inside a mixed model: least squares on balanced data, a dense likelihood, and what must hold of any fit.

In a balanced design with one random intercept a person, the curve by maximum likelihood is the least-squares curve
through the people's means, and the deviance of a curve is m log(sum of squares of these means) plus a constant (m
people), as long as the intercepts have some variance. SciPy's curve_fit and a root of that formula are thus a second
route to the half-maximal dose and its profile interval.
"""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from scipy import optimize, stats

from studykit.numerics.dose import curves, shapes
from studykit.numerics.dose.curves import ArmMeans
from studykit.numerics.mixed.fit import fit_variance_components
from studykit.numerics.mixed.restricted_means import RestrictedMeans
from studykit.numerics.mixed.terms import intercept_by

ARM_DOSES = np.array([0.0, 6.0, 12.0, 12.0, 24.0])
EACH = 12


def readings(seed: int, *, most: float = 9.0, half: float = 8.0, noise: float = 1.5) -> tuple[np.ndarray, np.ndarray]:
    """(people, 3) readings of people in five arms, and the arm of each."""
    rng = np.random.default_rng(seed)
    arm = np.repeat(np.arange(5), EACH)
    mean = most * ARM_DOSES[arm] / (half + ARM_DOSES[arm])
    value = mean[:, None] + rng.normal(0, 1.5, (len(arm), 1)) + rng.normal(0, noise, (len(arm), 3))
    return value, arm


def arm_means(value: np.ndarray, arm: np.ndarray, doses: np.ndarray = ARM_DOSES) -> ArmMeans:
    person = np.repeat(np.arange(len(arm)), value.shape[1])
    x = (arm[person][:, None] == np.arange(len(doses))).astype(float)
    whole = fit_variance_components(value.ravel(), x, [intercept_by("person", person)])
    return ArmMeans(RestrictedMeans(whole), np.arange(len(doses)), doses, len(doses))


def curve(dose: np.ndarray, level: float, most: float, half: float) -> np.ndarray:
    return level + most * dose / (half + dose)


def sum_of_squares(value: np.ndarray, arm: np.ndarray, share: float) -> float:
    x = np.column_stack([np.ones(len(arm)), shapes.saturating(ARM_DOSES[arm], share, 24.0)])
    left = value.mean(axis=1)
    left = left - x @ np.linalg.lstsq(x, left, rcond=None)[0]
    return float(left @ left)


@pytest.mark.parametrize("seed", range(3))
def test_saturating_curve_is_that_of_least_squares(seed: int) -> None:
    value, arm = readings(seed)
    found = curves.half_maximal(arm_means(value, arm), confidence=0.95)
    fitted, _ = optimize.curve_fit(
        curve, ARM_DOSES[arm], value.mean(axis=1), p0=(0.0, 9.0, 8.0), xtol=1e-14, ftol=1e-14, gtol=1e-14
    )
    # curve_fit ends where a step no longer lowers the sum of squares: about half the digits.
    assert found.dose == pytest.approx(fitted[2], rel=1e-6)
    assert found.curve.at_zero == pytest.approx(fitted[0], abs=1e-6)
    assert found.curve.rise(np.array([6.0, 24.0])) == pytest.approx(
        curve(np.array([6.0, 24.0]), 0.0, fitted[1], fitted[2]), rel=1e-6
    )


@pytest.mark.parametrize("seed", range(3))
def test_profile_limits_are_those_of_the_closed_form(seed: int) -> None:
    value, arm = readings(seed)
    found = curves.half_maximal(arm_means(value, arm), confidence=0.95)
    least = sum_of_squares(value, arm, found.curve.share)
    limit = least * np.exp(stats.chi2.ppf(0.95, 1) / len(arm))
    for share, end in ((found.low, 0.0), (found.high, 1.0)):
        if share == end:
            assert sum_of_squares(value, arm, end) <= limit
        else:
            # Roots are found to 1e-10 of the share on both routes.
            own = optimize.brentq(
                lambda u: sum_of_squares(value, arm, u) - limit, *sorted((found.curve.share, end)), xtol=1e-12
            )
            assert share == pytest.approx(own, abs=1e-8)


def test_deviances_of_all_shapes_follow_from_the_people_s_means() -> None:
    """Differences of deviance between shapes: m times the difference of log sums of squares of the people's means."""
    value, arm = readings(5)
    arms = arm_means(value, arm)
    knots = shapes.spline_knots(np.unique(ARM_DOSES))
    made = {
        "straight": shapes.straight,
        "logarithm": shapes.logarithm,
        "spline": partial(shapes.natural_spline, knots=knots),
    }
    centre = value.mean(axis=1)
    none = curves.no_curve(arms)
    for shape, columns in made.items():
        found = curves.linear_curve(shape, arms, columns)
        x = np.column_stack([np.ones(len(arm)), columns(ARM_DOSES[arm])])
        left = centre - x @ np.linalg.lstsq(x, centre, rcond=None)[0]
        ratio = float(left @ left) / float(np.sum((centre - centre.mean()) ** 2))
        # Both sides are searches to a decrement of 1e-10 in the deviance.
        assert found.deviance - none.deviance == pytest.approx(len(arm) * np.log(ratio), abs=1e-8)
        assert found.parameters - none.parameters == columns(ARM_DOSES).shape[1]


def test_errors_of_a_straight_line_are_those_of_regression_on_the_people_s_means() -> None:
    """Balanced: Kenward-Roger gives the t interval of ordinary regression on 60 means, 58 degrees of freedom."""
    value, arm = readings(6)
    found = curves.linear_curve(curves.STRAIGHT, arm_means(value, arm), shapes.straight)
    line = stats.linregress(ARM_DOSES[arm], value.mean(axis=1))
    reach = stats.t.ppf(0.975, len(arm) - 2) * line.stderr * 24.0
    low, high = found.rise_interval(np.array([24.0]), confidence=0.95)
    # The REML slope and the ML slope agree when the design is balanced; Kenward-Roger is exact here to rounding.
    assert (low[0], high[0]) == pytest.approx((24.0 * line.slope - reach, 24.0 * line.slope + reach), rel=1e-7)


def test_errors_of_the_saturating_curve_are_those_of_nonlinear_regression() -> None:
    """Balanced: linearised errors with 57 degrees of freedom, from the Jacobian of the curve at its estimate."""
    value, arm = readings(7)
    found = curves.half_maximal(arm_means(value, arm), confidence=0.95).curve
    dose = ARM_DOSES[arm]
    theta = float(found.coefficients[0])
    jacobian = np.column_stack(
        [
            np.ones(len(arm)),
            shapes.saturating(dose, found.share, 24.0),
            theta * shapes.saturating_slope(dose, found.share, 24.0),
        ]
    )
    left = value.mean(axis=1) - found.at_zero - found.rise(dose)
    variance = float(left @ left) / (len(arm) - 3)
    at = np.append(0.0, [shapes.saturating(np.array([6.0]), found.share, 24.0)[0, 0]])
    at = np.append(at, theta * shapes.saturating_slope(np.array([6.0]), found.share, 24.0)[0, 0])
    error = np.sqrt(variance * at @ np.linalg.inv(jacobian.T @ jacobian) @ at)
    low, high = found.rise_interval(np.array([6.0]), confidence=0.95)
    reach = stats.t.ppf(0.975, len(arm) - 3) * error
    # The residual of the linearised REML fit is that of the curve up to the squared distance of its optimum from ML's.
    assert (high[0] - low[0]) / 2.0 == pytest.approx(reach, rel=1e-6)


def test_straight_data_have_no_half_maximal_dose() -> None:
    rng = np.random.default_rng(8)
    arm = np.repeat(np.arange(5), EACH)
    value = 0.02 * ARM_DOSES[arm][:, None] ** 2 + rng.normal(0, 0.5, (60, 1)) + rng.normal(0, 0.5, (60, 3))
    found = curves.half_maximal(arm_means(value, arm), confidence=0.95)
    assert found.dose == np.inf
    assert found.limits[1] == np.inf
    assert found.low > 0.5


def test_a_step_has_a_half_maximal_dose_of_zero() -> None:
    rng = np.random.default_rng(9)
    arm = np.repeat(np.arange(5), EACH)
    fall = np.array([0.0, 6.0, 5.5, 5.5, 5.0])[arm][:, None]
    value = fall + rng.normal(0, 0.5, (60, 1)) + rng.normal(0, 0.5, (60, 3))
    found = curves.half_maximal(arm_means(value, arm), confidence=0.95)
    assert found.dose == 0.0
    assert found.limits[0] == 0.0


def test_no_effect_leaves_the_half_maximal_dose_open_on_both_sides() -> None:
    value, arm = readings(10, most=0.0)
    found = curves.half_maximal(arm_means(value, arm), confidence=0.95)
    assert found.limits == (0.0, np.inf)


def test_steps_are_between_no_effect_and_free_means() -> None:
    """More freedom never fits worse: no effect, steps, a mean for each dose (equal arms pooled), one for each arm."""
    value, arm = readings(11, most=1.0)
    arms = arm_means(value, arm)
    steps = curves.monotone_curve(arms, rising=True)
    by_dose = arms.fit(np.column_stack([dose <= ARM_DOSES for dose in arms.different]).astype(float))
    free, _ = curves.free_deviance(arms)
    assert curves.no_curve(arms).deviance >= steps.deviance >= by_dose.deviance >= free
    assert np.all(np.diff(steps.rise(np.array([0.0, *arms.different]))) >= 0.0)


def test_steps_pool_the_people_s_means_when_balanced() -> None:
    """Arm means 0, 3, 2, 2 fall once: 12 people of the first dose and 24 of the second share (3 x 12 + 2 x 24) / 36."""
    arm = np.repeat(np.arange(5), EACH)
    rng = np.random.default_rng(12)
    wobble = rng.normal(0, 1.0, (5, EACH, 3))
    wobble -= wobble.mean(axis=(1, 2), keepdims=True)
    value = (np.array([0.0, 3.0, 2.0, 2.0, 5.0])[:, None, None] + wobble).reshape(60, 3)
    steps = curves.monotone_curve(arm_means(value, arm), rising=True)
    assert steps.rise(np.array([6.0, 12.0, 24.0])) == pytest.approx([84.0 / 36.0, 84.0 / 36.0, 5.0], rel=1e-9)
    assert steps.parameters == curves.no_curve(arm_means(value, arm)).parameters + 2


def test_falling_steps_are_rising_steps_of_the_other_sign() -> None:
    value, arm = readings(13)
    falling = curves.monotone_curve(arm_means(-value, arm), rising=False)
    rising = curves.monotone_curve(arm_means(value, arm), rising=True)
    doses = np.array([6.0, 12.0, 24.0])
    assert falling.rise(doses) == pytest.approx(-rising.rise(doses), rel=1e-9)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_limits_of_steps_are_those_of_each_dose_s_own_mean_cut_at_zero(sign: float) -> None:
    """Balanced: the t interval of two of four groups of people's means, 56 degrees of freedom; no dose acts."""
    value, arm = readings(14, most=0.0)
    value = sign * value
    arms = arm_means(value, arm)
    steps = curves.monotone_curve(arms, rising=sign > 0.0)
    low, high = curves.step_limits(arms, steps, rising=sign > 0.0, confidence=0.95)
    mean, dose = value.mean(axis=1), ARM_DOSES[arm]
    groups = [mean[dose == one] for one in (0.0, *arms.different)]
    s2 = sum(float(((group - group.mean()) ** 2).sum()) for group in groups) / 56.0
    cut = 0
    for place, group in enumerate(groups[1:]):
        rise = sign * float(group.mean() - groups[0].mean())
        reach = stats.t.ppf(0.975, 56) * np.sqrt(s2 * (1 / len(group) + 1 / EACH))
        best = sign * steps.rise(arms.different)[place]
        wanted = sorted((sign * min(max(rise - reach, 0.0), best), sign * max(rise + reach, best)))
        assert [low[place], high[place]] == pytest.approx(wanted, rel=1e-7, abs=1e-9)
        cut += rise - reach < 0.0
    assert cut == 3
