"""The answers about change: numbers, words, tables and pictures agree, and nothing is claimed that was not shown."""

from __future__ import annotations

import dataclasses
import math
import re

import numpy as np
import pandas as pd
import pytest
from made_studies import MEASURE, made_audit, made_trial, protocol_text, study_of

from studykit.change import ChangeByArm, DifferenceFromControl, MdcBeside, change_of_study
from studykit.errors import DesignError

MDC = MdcBeside(7.0, 6.0, 8.5, 0.95, "mean of two readings by one rater; other raters")
ARMS = {"usual": "Usual care", "hold_30": "30 s hold", "hold_60": "60 s hold"}
STUDY = made_trial(60, arms=ARMS, effect_deg=5.0, missing=0.12)
DIFFERENCE, CHANGE = change_of_study(STUDY, mdc=MDC)


def audit(pathways: bool = False) -> ChangeByArm:
    rng = np.random.default_rng(6)
    values = 60 + rng.normal(0, 5, (20, 1, 1)) + rng.normal(0, 2, (20, 1, 2)) + rng.normal(0, 1.5, (20, 3, 2))
    values += rng.normal(0, 2, (20, 3, 1)) + np.array([0.0, 2.0, 5.0])[:, None]
    (result,) = change_of_study(made_audit(values, pathways=["a", "b"] * 10 if pathways else None), mdc=MDC)
    assert isinstance(result, ChangeByArm)
    return result


def test_a_trial_is_answered_by_the_difference_first() -> None:
    assert isinstance(DIFFERENCE, DifferenceFromControl)
    assert isinstance(CHANGE, ChangeByArm)
    assert (DIFFERENCE.key, CHANGE.key) == (f"difference.{MEASURE}", f"change.{MEASURE}")
    assert DIFFERENCE.provenance == STUDY.provenance()


def test_the_known_effect_is_covered() -> None:
    """5 and 10 degrees were put in; one seeded draw, so a miss would be chance in one of ten such tests."""
    frame = DIFFERENCE.to_frame().set_index(["arm", "visit"])
    for arm, truth in (("hold_30", 5.0), ("hold_60", 10.0)):
        row = frame.loc[(arm, "week_12")]
        assert row["low_deg"] < truth < row["high_deg"]


def test_numbers_frame_table_and_headline_are_one_answer() -> None:
    numbers = DIFFERENCE.numbers()
    frame = DIFFERENCE.to_frame().set_index(["arm", "visit"])
    row = frame.loc[("hold_60", "week_12")]
    assert numbers["week_12.hold_60.difference"] == row["difference_deg"]
    assert numbers["week_12.hold_60.low"] == row["low_deg"]
    assert numbers["mdc"] == 7.0
    shown = f"{row['difference_deg']:.1f}"
    (cells,) = [cells for cells in DIFFERENCE.table().rows if cells[0] == "60 s hold"]
    assert cells[2].startswith(f"{shown} (")
    assert f"by {shown}° (95%\N{NO-BREAK SPACE}CI" in DIFFERENCE.headline
    assert "The MDC of one person is 7.0°" in DIFFERENCE.headline
    assert row["beside_mdc"] in {"beyond", "includes"}


def test_number_keys_are_stable() -> None:
    assert {key for key in CHANGE.numbers() if key.startswith("week_12.hold_30.")} == {
        f"week_12.hold_30.{name}" for name in ("change", "std_error", "df", "low", "high", "p")
    }
    assert {
        "variance.participant",
        "variance.limb_within_participant",
        "variance.rater_crossed",
        "variance.participant_slope_per_week",
        "variance.further_participant_slope_per_week_in_hold_30",
        "variance.further_participant_slope_per_week_in_hold_60",
        "covariance.intercept_and_slope_per_week",
        "variance.residual",
    } <= (set(CHANGE.numbers()))
    assert all(isinstance(value, float) for value in CHANGE.numbers().values())


def test_frames_carry_units_participants_and_the_confidence() -> None:
    frame = CHANGE.to_frame()
    assert {"change_deg", "std_error_deg", "low_deg", "high_deg", "participants", "week", "confidence"} <= set(frame)
    assert len(frame) == 3 * 2
    counted = frame.set_index(["arm", "visit"])["participants"]
    rows = STUDY.table("measurements").merge(STUDY.table("participants"), on="participant_id")
    expected = rows[rows["visit"] == "week_12"].groupby("arm")["participant_id"].nunique()
    assert all(counted[(arm, "week_12")] == expected[arm] for arm in ARMS)


def test_difference_of_changes_is_the_difference() -> None:
    change = CHANGE.to_frame().set_index(["arm", "visit"])["change_deg"]
    difference = DIFFERENCE.to_frame().set_index(["arm", "visit"])["difference_deg"]
    for visit in ("week_6", "week_12"):
        # Both are read off one fit: equal but for the rounding of a subtraction.
        assert difference[("hold_60", visit)] == pytest.approx(change[("hold_60", visit)] - change[("usual", visit)])


@pytest.mark.parametrize("result", [DIFFERENCE, CHANGE, audit(), audit(pathways=True)], ids=lambda r: type(r).__name__)
def test_pictures_fit_and_stand_beside_the_mdc(result: ChangeByArm) -> None:
    drawing = result.figure()
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []
    assert "MDC" in drawing.alt
    assert "degrees" in drawing.figure.axes[0].get_xlabel() + drawing.figure.axes[0].get_ylabel()


@pytest.mark.parametrize("result", [DIFFERENCE, CHANGE, audit()], ids=["difference", "change", "audit"])
def test_cautions_say_what_is_not_shown(result: ChangeByArm) -> None:
    said = " ".join(result.cautions)
    assert "no proof of a longer muscle" in said
    assert "The MDC is about one person" in said
    assert len(set(result.cautions)) == len(result.cautions)


def test_the_mdc_is_said_to_be_an_estimate_where_its_interval_is_known() -> None:
    assert any("The MDC is an estimate too, 7.0° (95%\N{NO-BREAK SPACE}CI 6.0 to 8.5°)" in c for c in CHANGE.cautions)
    (plain, _) = change_of_study(made_trial(20), mdc=MdcBeside(7.0, math.nan, math.nan, 0.95, ""))
    assert not any("is an estimate too" in caution for caution in plain.cautions)


def test_an_audit_speaks_of_no_effect() -> None:
    for result in (audit(), audit(pathways=True)):
        claims = f"{result.headline} {result.methods} {result.title}".lower()
        assert not re.search(r"\beffect of|\bbecause of|\bdue to|\bimprov|\bworked|\bcaused?\b|\bcontrol", claims)
        assert any("There is no control group" in caution for caution in result.cautions)
    assert any("Nobody was allocated to a pathway by chance" in caution for caution in audit(pathways=True).cautions)


def test_only_comparisons_with_one_control_are_warned_to_be_several() -> None:
    assert any("2 comparisons with one control" in caution for caution in DIFFERENCE.cautions)
    (one, _) = change_of_study(made_trial(20), mdc=MDC)
    assert not any("comparison" in caution and "one control" in caution for caution in one.cautions)


def test_methods_name_the_choices_that_were_made() -> None:
    for words in (
        "restricted maximum likelihood",
        "constrained baseline",
        "Kenward and Roger",
        "participant, limb within participant, participant at a visit and rater (crossed)",
        "95%\N{NO-BREAK SPACE}CI",
        "a random slope over the weeks since the baseline, correlated with the participant's intercept",
        "of an arm other than the control arm a further random slope",
        "were not chosen by the readings",
        "missing at random",
        "mean of the trials",
    ):
        assert words in DIFFERENCE.methods
    (alone,) = change_of_study(made_audit(np.random.default_rng(1).normal(50, 5, (12, 2, 1))), mdc=None)
    assert "constrained" not in alone.methods
    assert "with random intercepts of participant. Changes from the baseline are given" in alone.methods
    (two,) = change_of_study(
        made_audit(np.random.default_rng(1).normal(50, 5, (12, 2, 1)), pathways=["a", "b"] * 6), mdc=None
    )
    assert "participant; the spread of changes is thereby taken as the same in all groups." in two.methods
    assert "further random slope" not in audit().methods
    assert not any("equally correlated" in result.methods for result in (DIFFERENCE, alone, audit()))
    (complete, _) = change_of_study(made_trial(30, missing=0.2, lines='missing_visits = "complete participants"'))
    assert "Only participants measured at every visit were used" in complete.methods
    assert "missing at random" not in complete.methods


def test_without_an_mdc_it_is_said_that_there_is_none() -> None:
    difference, change = change_of_study(STUDY)
    for result in (difference, change):
        assert "No MDC of this measure is at hand" in " ".join(result.cautions)
        assert "MDC" not in result.headline
        assert set(result.to_frame()["beside_mdc"]) == {"no MDC"}
        figure = result.figure()
        assert figure is not None
        assert "MDC" not in figure.alt


def test_a_variance_of_zero_is_a_caution() -> None:
    rng = np.random.default_rng(8)
    values = 50 + rng.normal(0, 1, (12, 2, 2)) + 3.0 * np.array([1.0, -1.0])
    (result,) = change_of_study(made_audit(values))
    assert any("was estimated as zero" in caution for caution in result.cautions)


def test_visits_of_one_week_are_drawn_in_order() -> None:
    """Before and after a session on one day: both visits in week 0."""
    values = np.random.default_rng(2).normal(50, 4, (10, 2, 1)) + np.array([0.0, 3.0])[:, None]
    study = made_audit(values)
    protocol = study.protocol.model_copy(
        update={"visits": tuple(visit.model_copy(update={"week": 0.0}) for visit in study.protocol.visits)}
    )
    (result,) = change_of_study(dataclasses.replace(study, protocol=protocol))
    drawing = result.figure()
    assert drawing is not None
    assert [tick.get_text() for tick in drawing.figure.axes[0].get_xticklabels()] == ["Baseline", "Week 6"]


def test_an_arm_seen_at_no_middle_visit_leaves_that_cell_out() -> None:
    rows = STUDY.table("measurements")
    arm = STUDY.table("participants").set_index("participant_id")["arm"]
    kept = rows[~((rows["participant_id"].map(arm) == "hold_30") & (rows["visit"] == "week_6"))]
    study = dataclasses.replace(STUDY, tables={**STUDY.tables, "measurements": kept.reset_index(drop=True)})
    difference, change = change_of_study(study, mdc=MDC)
    assert ("hold_30", "week_6") not in set(
        zip(difference.to_frame()["arm"], difference.to_frame()["visit"], strict=True)
    )
    (cells,) = [cells for cells in change.table().rows if cells[0] == "30 s hold"]
    assert "nobody measured" in cells
    assert change.figure() is not None


def test_html_holds_headline_figure_table_and_methods() -> None:
    html = DIFFERENCE.to_html()
    assert html.index("headline") < html.index("<svg") < html.index("<table") < html.index("methods")


def test_a_study_of_one_visit_is_refused() -> None:
    study = made_trial(8)
    first = study.table("measurements").query("visit == 'baseline'")
    alone = dataclasses.replace(study, tables={**study.tables, "measurements": first.reset_index(drop=True)})
    with pytest.raises(DesignError, match="Nobody has a reading"):
        change_of_study(alone)


def test_numbers_do_not_depend_on_the_order_of_rows() -> None:
    mixed = STUDY.table("measurements").sample(frac=1.0, random_state=1).reset_index(drop=True)
    study = dataclasses.replace(STUDY, tables={**STUDY.tables, "measurements": mixed})
    again, _ = change_of_study(study, mdc=MDC)
    pd.testing.assert_frame_equal(again.to_frame(), DIFFERENCE.to_frame())


def test_other_measures_follow_and_what_they_cannot_answer_is_a_caution() -> None:
    rows = STUDY.table("measurements")
    second = rows.assign(measure="straight_leg_raise", value=rows["value"] - 40.0)
    grades = rows[rows["trial"] == 1].assign(measure="half_kneeling_lunge", value=1.0)
    more = "[measures.straight_leg_raise]\n[measures.half_kneeling_lunge]"
    study = study_of(
        protocol_text(arms=ARMS, more=more),
        measurements=pd.concat([rows, second, grades]),
        participants=STUDY.table("participants"),
    )
    results = change_of_study(study, mdc=MDC)
    assert [result.key for result in results] == [
        f"difference.{MEASURE}",
        f"change.{MEASURE}",
        "difference.straight_leg_raise",
        "change.straight_leg_raise",
    ]
    assert results[2].numbers()["week_12.hold_60.difference"] == pytest.approx(
        results[0].numbers()["week_12.hold_60.difference"],
        rel=1e-6,  # a constant was subtracted; the optimum's accuracy
    )
    assert any("is not answered" in caution and "graded" in caution for caution in results[0].cautions)
    assert any("This is not the primary measure" in caution for caution in results[2].cautions)
    assert not any("This is not the primary measure" in caution for caution in results[0].cautions)
    assert "MDC" not in results[2].headline


def test_people_of_a_small_group_are_not_drawn_one_by_one() -> None:
    """Nine people in two pathways, five and four; the protocol's smallest group is five."""
    values = np.random.default_rng(3).normal(50, 4, (9, 2, 1)) + np.array([0.0, 3.0])[:, None]
    (result,) = change_of_study(made_audit(values, pathways=["a", "b"] * 4 + ["a"]))
    drawing = result.figure()
    assert drawing is not None
    small = [line for line in drawing.figure.axes[0].lines if line.get_markersize() < 3]
    assert sum(len(line.get_ydata()) for line in small) == 5
    assert "People are not drawn one by one in groups of fewer than 5." in drawing.caption


def test_a_result_is_short_to_print() -> None:
    assert len(repr(CHANGE)) < 6000
