"""Answers about a plan: their numbers are those of the functions behind them, their words say what they should."""

from __future__ import annotations

import math

import pytest

from studykit.errors import CallError, DesignError
from studykit.numerics.planning.means import ancova_size, several_arms_size, slope_power, two_arm_size
from studykit.planning.calculated import model_power, participants_for, visits_power
from studykit.planning.plan import trial_plan
from studykit.planning.running import simulate_power
from studykit.planning.study import PlanPart, plan_study, trials_at_most
from studykit.planning.words import planned_mdc
from studykit.protocol import parse_protocol
from studykit.result import Result
from tests.planning.planned_studies import RELIABILITY_HEAD, planned_protocol

WISHES = """
[planning.reliability]
targets = 30
readings = 3
icc = 0.9
icc_to_beat = 0.75
icc_width = 0.15
error_width = 0.4
difference_sd = 2.0
limit_width = 1.5
kappa = 0.7
kappa_to_beat = 0.4
kappa_width = 0.5
share_positive = 0.4
lost = 0.1
"""
FEW = "[planning.simulation]\nhalf_width = 0.2\nmost_trials = 100\n"
PROTOCOL = planned_protocol(
    arms=3,
    weeks=(0, 6, 12),
    participants=36,
    difference=3.0,
    more="trials = 2\nlost_by = { week_12 = 0.1 }",
    tables="[planning.compare]\nparticipants = [24, 36]\nvisits = [['week_0', 'week_12']]\ntrials = [1]\nraters = [2]\n"
    + FEW
    + WISHES,
)


@pytest.fixture(scope="module")
def parts() -> dict[str, PlanPart]:
    """Every part of the plan of one protocol."""
    return {part.key: part for part in plan_study(PROTOCOL)}


def _result(parts: dict[str, PlanPart], key: str) -> Result:
    return next(result for part in parts.values() for result in part.results if result.key == key)


def test_every_question_is_answered(parts):
    assert list(parts) == ["sizes", "power", "measuring", "reliability"]
    assert not any(part.refusal for part in parts.values())
    results = [result for part in parts.values() for result in part.results]
    assert [result.key for result in results] == [
        "planning.sizes",
        "planning.power",
        "planning.other_plans",
        "planning.measuring",
        "planning.reliability",
    ]
    for result in results:
        assert result.headline.endswith(".")
        assert result.cautions
        assert result.methods
        assert not result.to_frame().empty
        assert result.to_html().count('class="headline"') == 1
        assert all(isinstance(value, float) for value in result.numbers().values())


def test_sizes_are_those_of_the_formulas(parts):
    plan, numbers = trial_plan(PROTOCOL), _result(parts, "planning.sizes").numbers()
    sd, rho = numbers["sd_deg"], numbers["correlation_with_baseline"]
    # 36 + 2.25 + 4 / 2 at each visit; 36 in common.
    assert sd**2 == pytest.approx(40.25, rel=1e-12)
    assert rho == pytest.approx(36.0 / 40.25, rel=1e-12)
    alone = two_arm_size(3.0, sd)[0]
    assert numbers["t_test.exact"] == 3 * alone
    assert numbers["t_test.to_allocate"] == math.ceil(3 * alone / 0.9)
    assert numbers["ancova.exact"] == 3 * ancova_size(3.0, sd, rho)[0]
    alike = several_arms_size([0.0, 3.0, 3.0], sd)
    # Arms as equal as whole numbers allow: up to two people fewer than three equal arms.
    assert 3 * alike - 2 <= numbers["f_test.exact"] <= 3 * alike
    assert numbers["all_visits.to_allocate"] == participants_for(plan)
    assert numbers["model.to_allocate"] == participants_for(plan, by_model=True)
    # The error of a mean at a visit is 2.25 + 4 / 2; the MDC 1.96 sqrt(2) times its root.
    assert numbers["mdc_of_one_person_deg"] == pytest.approx(1.959964 * math.sqrt(2 * 4.25), rel=1e-6)


def test_the_line_over_doses_has_the_power_wished_for(parts):
    numbers, plan = _result(parts, "planning.sizes").numbers(), trial_plan(PROTOCOL)
    # 30 s, two and four repetitions, five days: 5 and 10 minutes a week; arms change by 0, 3 and 3 degrees.
    slope = ((-5.0) * 0.0 + 0.0 * 3.0 + 5.0 * 3.0) / 50.0
    many = plan.with_participants(3000)
    left = visits_power(many)[0].std_error / math.sqrt(2 / 1000)
    n = int(numbers["dose_slope.exact"])
    sizes = [n / 3] * 3
    assert slope_power([0.0, 5.0, 10.0], sizes, slope, left) >= 0.79
    assert slope_power([0.0, 5.0, 10.0], [(n - 3) / 3] * 3, slope, left) < 0.8


def test_power_is_that_of_the_simulation_and_of_the_model(parts):
    plan = trial_plan(PROTOCOL)
    numbers = _result(parts, "planning.power").numbers()
    again = simulate_power(plan, seed=20250106, half_width=0.1, most_trials=100)
    for at, arm in enumerate(plan.treated):
        assert numbers[f"{arm}.power_simulated"] == again.power[at]
        assert numbers[f"{arm}.power_calculated"] == model_power(plan)[at].power
    beside = _result(parts, "planning.other_plans").to_frame()
    # The planned number itself is not compared with itself.
    needed = participants_for(plan, by_model=True)
    assert beside["plan"].tolist() == [
        f"{needed} participants, as calculated",
        "24 participants",
        "2 visits (Week 0, Week 12)",
        "1 trial a visit",
        "2 raters a visit",
    ]
    # As planned, without a difference, as calculated, and four to compare.
    assert trials_at_most(PROTOCOL) == 7 * 100
    # Every row is about one arm, so that two pictures of one number agree.
    assert beside["arm"].nunique() == 1


def test_measuring_more_never_takes_more_people_or_a_larger_change(parts):
    frame = _result(parts, "planning.measuring").to_frame()
    for _, rows in frame.groupby("raters"):
        assert rows["participants"].is_monotonic_decreasing
        assert rows["mdc_deg"].is_monotonic_decreasing
    planned_way = frame[(frame["raters"] == 1) & (frame["trials"] == 2)].iloc[0]
    assert planned_way["participants"] == _result(parts, "planning.sizes").numbers()["model.to_allocate"]
    assert planned_way["mdc_deg"] == pytest.approx(planned_mdc(trial_plan(PROTOCOL)), rel=1e-12)
    assert planned_way["readings"] == planned_way["participants"] * 3 * 2


def test_wishes_of_reliability_are_told_with_loss_and_verdict(parts):
    result = _result(parts, "planning.reliability")
    frame = result.to_frame().set_index("wish")
    assert list(frame.index) == ["icc_test", "icc_width", "error_width", "limit_width", "kappa_test", "kappa_width"]
    for _, row in frame.iterrows():
        assert row["targets_to_measure"] == math.ceil(row["targets_exact"] / 0.9)
    assert "30 are planned, which is too few" in result.headline
    assert "limit of agreement" in result.headline


def test_a_headline_names_unit_interval_and_the_mdc(parts):
    headline = _result(parts, "planning.power").headline
    assert "3°" in headline
    assert "Monte Carlo interval" in headline
    assert "minimal detectable change of one person would be 5.7°" in headline


def test_nothing_supposed_is_refused_in_a_sentence():
    plain = planned_protocol().model_copy(update={"planning": None})
    with pytest.raises(DesignError, match=r"has no \[planning\] table"):
        plan_study(plain)
    text = planned_protocol(tables=FEW)
    empty = text.planning.model_copy(update={"participants": None})  # type: ignore[union-attr]
    with pytest.raises(DesignError, match=r"\[planning\] in study.toml asks for nothing"):
        plan_study(text.model_copy(update={"planning": empty}))


def test_a_planned_change_of_nothing_and_empty_wishes_are_refused_where_they_stand():
    flat = planned_protocol(tables="[planning.change.stretch_1]\nweek_12 = 0.0\n[planning.reliability]\nreadings = 2\n")
    refused = {part.key: part.refusal for part in plan_study(flat)}
    assert "no study can find a difference of nothing" in refused["sizes"]
    assert refused["power"] == refused["measuring"] == refused["sizes"]
    assert "wishes for nothing" in refused["reliability"]


def test_adjustment_in_the_analysis_is_said_and_not_counted_on():
    adjusted = planned_protocol(tables=FEW + '[analysis]\ncovariates = ["age_years"]')
    sizes = next(part for part in plan_study(adjusted) if part.key == "sizes").results[0]
    assert any("adjusts for age_years" in caution for caution in sizes.cautions)


def test_a_reliability_study_is_planned_without_arms():
    parts = plan_study(parse_protocol(RELIABILITY_HEAD + WISHES))
    assert [part.key for part in parts] == ["reliability"]


def test_some_questions_alone():
    assert [part.key for part in plan_study(PROTOCOL, only=("reliability", "sizes"))] == ["sizes", "reliability"]
    with pytest.raises(CallError, match="only is 'size'"):
        plan_study(PROTOCOL, only=("size",))
