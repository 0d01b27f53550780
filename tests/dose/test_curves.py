"""Curves of a trial: which are offered, what is said of an open half-maximal dose, and that nothing is extrapolated."""

from __future__ import annotations

import numpy as np
import pytest
from dose_cases import FERRY, dose_study, minutes_of
from scipy import optimize

from studykit.change.beside import MdcBeside
from studykit.dose.curves import WIDE_HALF, DoseCurves, curves_of, half_in_words
from studykit.dose.model import DoseTrial, dose_trial
from studykit.errors import CallError, DesignError

MDC = MdcBeside(2.0, 1.5, 3.0, 0.95, "MDC at 95%")
SATURATING = [8.0 * minutes_of(dose) / (6.0 + minutes_of(dose)) for dose in FERRY.values()]
STRAIGHT = [0.3 * minutes_of(dose) for dose in FERRY.values()]


def trial(means: list[float], **asked: object) -> DoseTrial:
    return dose_trial(dose_study(means, **asked), mdc=MDC)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def found() -> DoseCurves:
    return curves_of(trial(SATURATING, each=20))


def test_half_maximal_dose_is_where_another_search_finds_it(found: DoseCurves) -> None:
    """Second route: the same means held to Emax d / (h + d) for every h on a line, by a bounded scalar search."""
    arms = found.shapes.arms

    def deviance(log_half: float) -> float:
        half = np.exp(log_half)
        return arms.fit((arms.doses / (half + arms.doses))[:, None]).deviance

    other = optimize.minimize_scalar(deviance, bounds=(-2.0, 6.0), method="bounded", options={"xatol": 1e-7})
    # The deviance is flat at its least, so a search for it finds about half of the digits.
    assert found.shapes.half.dose == pytest.approx(float(np.exp(other.x)), rel=1e-4)
    assert found.shapes.half.curve.deviance == pytest.approx(other.fun, abs=1e-8)
    for limit in found.shapes.half.limits:
        if 0.0 < limit < np.inf:
            rise = deviance(float(np.log(limit))) - found.shapes.half.curve.deviance
            assert rise == pytest.approx(3.841458820694124, abs=1e-6)


def test_more_freedom_never_fits_worse(found: DoseCurves) -> None:
    at = found.shapes.compared.set_index("shape")["minus_2_log_likelihood"]
    assert at["none"] >= at["straight"] >= at["saturating"] >= at["free"]
    assert at["none"] >= at["logarithm"] >= at["free"]
    assert at["straight"] >= at["spline"] >= at["free"]
    assert at["steps"] >= at["free"]


def test_criteria_count_people_and_parameters_of_the_curve(found: DoseCurves) -> None:
    at = found.shapes.compared.set_index("shape")
    counts = {"none": 0, "straight": 1, "logarithm": 1, "saturating": 2, "spline": 2, "free": 4}
    assert {shape: at.at[shape, "parameters"] for shape in counts} == counts
    extra = at.at["straight", "bic"] - at.at["straight", "minus_2_log_likelihood"]
    less = at.at["none", "bic"] - at.at["none", "minus_2_log_likelihood"]
    assert extra - less == pytest.approx(np.log(100.0), rel=1e-9)
    assert found.numbers()["participants"] == 100.0
    assert at["weight"].sum() == pytest.approx(1.0, rel=1e-12)


def test_numbers_hold_everything_that_is_printed(found: DoseCurves) -> None:
    numbers = found.numbers()
    assert numbers["half_dose.estimate"] == found.shapes.half.dose
    assert numbers["saturating.rise_at_24"] == pytest.approx(found.rise_at(24.0, "saturating"), rel=1e-12)
    assert (
        numbers["saturating.rise_at_24.low"] < numbers["saturating.rise_at_24"] < numbers["saturating.rise_at_24.high"]
    )
    assert numbers["mdc"] == 2.0
    assert {"AICc above the least", "BIC above the least"} <= {column.heading for column in found.table().columns}
    assert "MDC of one person is 2.0°" in found.headline
    assert any("no proof of a longer muscle" in caution for caution in found.cautions)


def test_nothing_is_said_beyond_the_doses_that_were_tried(found: DoseCurves) -> None:
    assert found.rise_at(0.0) == 0.0
    for dose in (-1.0, 24.5):
        with pytest.raises(DesignError, match="outside the doses that were tried"):
            found.rise_at(dose)
    with pytest.raises(CallError, match="shape is"):
        found.rise_at(12.0, "cubic")


def test_picture_ends_where_the_doses_end(found: DoseCurves) -> None:
    drawing = found.figure()
    axes = drawing.figure.axes[0]
    curves = [line for line in axes.lines if len(line.get_xdata()) > 50]
    assert len(curves) == 5
    for line in curves:
        assert max(line.get_xdata()) == 24.0
        assert min(line.get_xdata()) == 0.0
    assert "no dose studied" in [text.get_text() for text in axes.texts]
    assert any("common practice, no source" in text.get_text() for text in axes.texts)
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []


def test_curves_in_the_picture_are_those_of_the_numbers(found: DoseCurves) -> None:
    axes = found.figure().figure.axes[0]
    line = next(line for line in axes.lines if line.get_label() == "saturating curve")
    at = {float(x): float(y) for x, y in zip(line.get_xdata(), line.get_ydata(), strict=True)}
    assert at[24.0] - at[0.0] == pytest.approx(found.rise_at(24.0, "saturating"), rel=1e-9)


def test_a_straight_line_leaves_the_interval_open_and_says_so() -> None:
    found = curves_of(trial(STRAIGHT))
    assert found.shapes.half.limits[1] == np.inf
    assert "without an upper limit (a straight line is not ruled out)" in half_in_words(found.trial, found.shapes)
    assert any("interval of the half-maximal dose is open" in caution for caution in found.cautions)
    assert np.isinf(found.numbers()["half_dose.high"])
    assert found.numbers()["half_dose.share.high"] == 1.0


def test_a_half_maximal_dose_known_badly_is_said_to_lean_upwards() -> None:
    """Wide limits and open ones say so, narrow ones and a dose that is none do not."""
    wide = curves_of(trial(SATURATING, each=20))
    low, high = wide.shapes.half.limits
    assert high / low > WIDE_HALF
    (said,) = (caution for caution in wide.cautions if "known badly" in caution)
    assert f"(the upper limit is {high / low:.{0 if high / low >= 10.0 else 1}f} times the lower)" in said
    assert "lies above the truth on average" in said
    narrow = curves_of(trial([10.0 * mean for mean in SATURATING], each=20))
    assert narrow.shapes.half.limits[1] <= WIDE_HALF * narrow.shapes.half.limits[0]
    assert not any("half-maximal dose" in caution for caution in narrow.cautions)
    straight = curves_of(trial(STRAIGHT))
    assert any("known badly" in caution for caution in straight.cautions) == np.isfinite(straight.shapes.half.dose)


def test_no_effect_of_dose_leaves_both_ends_open() -> None:
    found = curves_of(trial([0.0] * 5))
    assert found.shapes.half.limits == (0.0, np.inf)
    assert "from no dose at all (any dose may do the same)" in half_in_words(found.trial, found.shapes)


def test_where_no_direction_is_better_steps_follow_the_straight_line(monkeypatch: pytest.MonkeyPatch) -> None:
    falling = trial([-mean for mean in SATURATING])
    measure = falling.measure.model_copy(update={"better": "neither"})
    monkeypatch.setattr(DoseTrial, "measure", measure)
    found = curves_of(falling)
    assert not found.shapes.rising
    rises = found.shapes.rises.query("shape == 'steps'")
    assert np.all(np.diff(rises["rise"]) <= 0.0)
    assert (rises["low"] <= rises["rise"]).all()
    assert (rises["rise"] <= rises["high"]).all()


def test_steps_towards_worse_readings_are_none() -> None:
    """A measure that should rise and falls: no step, and limits that begin at no change at all."""
    found = curves_of(trial([-mean for mean in SATURATING]))
    rises = found.shapes.rises.query("shape == 'steps'")
    assert found.shapes.rising
    assert (rises["rise"] == 0.0).all()
    assert (rises["low"] == 0.0).all()


def test_three_doses_have_no_spline() -> None:
    arms = {"none": None, "h30d3": (30, 3), "h60d6": (60, 6)}
    found = curves_of(trial([0.0, 2.0, 4.0], arms=arms))
    assert "spline" not in found.shapes.fitted
    assert any(sentence.startswith("No spline") for sentence in found.cautions)


def test_one_dose_above_zero_has_no_curve() -> None:
    with pytest.raises(DesignError, match="Only one dose above 0"):
        curves_of(trial([0.0, 2.0], arms={"none": None, "h60d6": (60, 6)}))


def test_without_an_arm_at_zero_there_is_no_curve() -> None:
    arms = {"h30d3": (30, 3), "h30d6": (30, 6), "h60d6": (60, 6)}
    with pytest.raises(DesignError, match="Every arm was asked for a dose"):
        curves_of(trial([0.0, 1.0, 2.0], arms=arms))


def test_arms_too_small_to_be_shown_are_not_drawn_one_by_one() -> None:
    found = curves_of(trial(SATURATING, each=4))
    drawing = found.figure()
    assert "groups of fewer than 5" in drawing.caption
    assert "Small marks" not in drawing.caption
