"""Regression to the mean: reliability by hand from known variances, and a study in which nobody changes."""

from __future__ import annotations

import numpy as np
import pytest
from people_cases import MDC, one_limb_study, trial
from scipy import stats

from studykit.change import MdcBeside, change_of_study
from studykit.individuals import RegressionToTheMean, for_whom
from studykit.individuals.error import visit_error


def answered(study: object, mdc: MdcBeside | None = MDC, both: MdcBeside | None = None) -> RegressionToTheMean:
    results = for_whom(study, mdc=mdc, mdc_both_limbs=both)  # type: ignore[arg-type]
    (found,) = [result for result in results if isinstance(result, RegressionToTheMean)]
    return found


def unchanged(people: int = 400, seed: int = 1) -> np.ndarray:
    """Levels of SD 6 that never change, errors of SD 3 at each of three visits: reliability 36 / 45 = 0.8."""
    rng = np.random.default_rng(seed)
    return 50.0 + rng.normal(0, 6.0, (people, 1)) + rng.normal(0, 3.0, (people, 3))


def test_known_reliability_and_the_move_that_is_seen() -> None:
    """Nobody changes; somebody one SD (6.7) low moves up by a fifth of it, by the model and in the readings alike."""
    values = unchanged()
    numbers = answered(one_limb_study(values, design="audit")).numbers()
    sd = np.std(values[:, 0], ddof=1)
    assert numbers["baseline_sd"] == pytest.approx(sd, rel=1e-12)
    # A correlation of 0.8 among 400 people has a standard error of 0.018; three of them.
    assert numbers["by_visits.reliability"] == pytest.approx(0.8, abs=0.055)
    seen = -stats.linregress(values[:, 0], values[:, 2] - values[:, 0]).slope * sd
    # The slope seen has a standard error of sqrt(18 / 400) / 6.7, times 6.7: 0.21 degrees; three of them.
    assert numbers["by_visits.expected_one_sd_below"] == pytest.approx(seen, abs=0.64)


def test_route_by_the_readings_is_one_less_sem_over_sd_squared() -> None:
    values = unchanged()
    sem = 3.0
    mdc = MdcBeside(1.959963984540054 * np.sqrt(2.0) * sem, 7.0, 10.0, 0.95, "")
    numbers = answered(one_limb_study(values, design="audit"), mdc).numbers()
    expected = 1.0 - sem**2 / np.var(values[:, 0], ddof=1)
    assert numbers["by_sitting.reliability"] == pytest.approx(expected, rel=1e-9)
    assert numbers["by_sitting.expected_one_sd_below"] == pytest.approx(
        (1.0 - expected) * numbers["baseline_sd"], rel=1e-9
    )


def test_slope_of_the_control_arm_is_least_squares_with_its_t_interval() -> None:
    arms = ["c", "a"] * 30
    values = unchanged(60)
    numbers = answered(one_limb_study(values, design="trial", arms=arms)).numbers()
    own = values[::2]
    change = own[:, 2] - own[:, 0]
    x = own[:, 0] - own[:, 0].mean()
    slope = (x @ change) / (x @ x)
    residual = change - change.mean() - slope * x
    reach = stats.t.ppf(0.975, 28) * np.sqrt(residual @ residual / 28 / (x @ x))
    found = [numbers[f"control.slope{end}"] for end in ("", ".low", ".high")]
    assert found == pytest.approx([slope, slope - reach, slope + reach], rel=1e-9)


def test_variances_are_divided_by_what_a_visit_averages() -> None:
    """Two limbs, two trials averaged: limb, limb-day and residual count by half, day and rater in full."""
    study = trial()
    change = change_of_study(study)[0]
    readings, model = change.readings, change.model  # type: ignore[attr-defined]
    error = visit_error(readings, model)
    assert error is not None
    v = model.variances
    lasting = v["participant"] + v["limb within participant"] / 2.0
    passing = v["participant at a visit"] + v["rater (crossed)"] + v["residual"] / 2.0
    assert (error.lasting, error.passing) == pytest.approx((lasting, passing), rel=1e-12)
    assert error.reliability == pytest.approx(lasting / (lasting + passing), rel=1e-12)
    assert error.share_beyond(np.sqrt(2.0 * passing) * 1.959963984540054) == pytest.approx(0.05, rel=1e-9)


def test_a_trial_says_that_arms_regress_alike_and_an_audit_that_change_may_be_this() -> None:
    assert "regress alike" in " ".join(answered(trial()).cautions)
    audit = answered(one_limb_study(unchanged(40), design="audit"))
    assert "part of the change shown elsewhere" in " ".join(audit.cautions)
    assert "control" not in audit.methods
    assert not any("control" in cell for row in audit.table().rows for cell in row)
