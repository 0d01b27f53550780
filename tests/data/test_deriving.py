"""Derived tables against sums that were done by hand."""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from tables_for_checks import ENROLLED, gathered_from, trial_protocol, typed

from studykit.data.checks.checking import check_gathered
from studykit.data.deriving import (
    FLOW_COUNTS,
    assert_flow_adds_up,
    best_of_trials,
    mean_of_trials,
    participant_flow,
    used_readings,
)
from studykit.data.minutes import cumulated_minutes, weekly_by_arm, weekly_minutes
from studykit.data.study import Study
from studykit.errors import CallError, DesignError, FitError
from studykit.pictures.flow import check_flow
from studykit.protocol import Protocol


def day(number: int) -> pd.Timestamp:
    return ENROLLED + pd.Timedelta(days=number)


def person(name: str, arm: str = "stretch") -> dict[str, object]:
    return {"participant_id": name, "arm": arm, "enrolled_on": ENROLLED}


def reading(name: str, visit: str, trial: int, value: float, **other: object) -> dict[str, object]:
    at = {"baseline": 0, "week_6": 42, "week_12": 84}[visit]
    row = {"participant_id": name, "visit": visit, "side": "left", "measure": "lunge", "rater_id": "anna"}
    return row | {"trial": trial, "value": value, "measured_on": day(at)} | other


def practice(name: str, at: int, side: str | None, hold_s: float = 60, repetitions: int = 2) -> dict[str, object]:
    row: dict[str, object] = {"participant_id": name, "done_on": day(at), "hold_s": hold_s}
    return row | {"repetitions": repetitions} | ({"side": side} if side else {})


def study_of(rows: dict[str, list[dict[str, object]]], protocol: Protocol | None = None) -> Study:
    protocol = protocol or trial_protocol()
    rows = {"raters": [{"rater_id": "anna"}, {"rater_id": "bela"}], **rows}
    study = check_gathered(gathered_from(typed(rows, protocol)), protocol).study
    assert study is not None
    assert not any(study.rows_set_aside.values())
    return study


def test_mean_of_trials_is_the_mean_of_each_cell() -> None:
    rows = [reading("P1", "baseline", trial, value) for trial, value in ((1, 30.0), (2, 33.0), (3, 36.0))]
    rows += [reading("P1", "baseline", 1, 20.0, rater_id="bela"), reading("P1", "week_6", 1, 41.0)]
    cells = mean_of_trials(study_of({"participants": [person("P1")], "measurements": rows}))
    assert cells["value"].tolist() == [33.0, 20.0, 41.0]
    assert cells["trials"].tolist() == [3, 1, 1]
    assert cells["rater_id"].tolist() == ["anna", "bela", "anna"]
    assert cells["measured_on"].tolist() == [day(0), day(0), day(42)]


def test_best_of_trials_heeds_the_direction_of_the_measure() -> None:
    protocol = trial_protocol()
    lower = protocol.measures["lunge"].model_copy(update={"better": "lower"})
    turned = protocol.model_copy(update={"measures": {**protocol.measures, "lunge": lower}})
    rows = [reading("P1", "baseline", trial, value) for trial, value in ((1, 30.0), (2, 36.0), (3, 33.0))]
    tables = {"participants": [person("P1")], "measurements": rows}
    assert best_of_trials(study_of(tables))["value"].tolist() == [36.0]
    assert best_of_trials(study_of(tables, turned))["value"].tolist() == [30.0]
    neither = protocol.measures["lunge"].model_copy(update={"better": "neither"})
    undecided = protocol.model_copy(update={"measures": {**protocol.measures, "lunge": neither}})
    with pytest.raises(DesignError, match="no better direction"):
        best_of_trials(study_of(tables, undecided))
    with pytest.raises(DesignError, match="no better direction"):
        best_of_trials(study_of(tables, undecided), "lunge")
    other = protocol.measures["lunge"].model_copy(update={"better": "neither", "name": "Another"})
    two = protocol.model_copy(update={"measures": {**protocol.measures, "other": other}})
    tables["measurements"] = [*rows, reading("P1", "baseline", 1, 5.0, measure="other")]
    assert best_of_trials(study_of(tables, two), "lunge")["value"].tolist() == [36.0]


@pytest.mark.parametrize(("word", "values"), [("mean", [33.0]), ("best", [36.0]), ("all", [30.0, 33.0, 36.0])])
def test_used_readings_follow_the_protocol(word: str, values: list[float]) -> None:
    protocol = trial_protocol()
    part = protocol.study.model_copy(update={"trials_used": word})
    rows = [reading("P1", "baseline", trial, value) for trial, value in ((1, 30.0), (2, 33.0), (3, 36.0))]
    study = study_of(
        {"participants": [person("P1")], "measurements": rows}, protocol.model_copy(update={"study": part})
    )
    assert used_readings(study)["value"].tolist() == values


def dose_tables() -> dict[str, list[dict[str, object]]]:
    """P1 fills week 1 and half of week 2, leaves week 3 empty and goes on in week 4; P2 is asked for nothing."""
    diary = [practice("P1", at, side) for at in (0, 2, 4) for side in ("left", "right")]
    diary += [practice("P1", 8, None), practice("P1", 22, "left")]
    return {
        "participants": [person("P1"), person("P2", "usual")],
        "measurements": [reading(name, visit, 1, 30.0) for name in ("P1", "P2") for visit in ("baseline", "week_6")],
        "diary": diary,
    }


def test_weekly_minutes_by_hand() -> None:
    weekly = weekly_minutes(study_of(dose_tables())).set_index(["participant_id", "week"])
    first = weekly.loc["P1"]
    # Prescribed by the protocol's arm: 60 s x 2 x 1 x 5 / 60 = 10 min on 5 days, in weeks 1 to 12.
    assert first["minutes_prescribed"].tolist() == [10.0] * 12
    # Week 1: three days of 60 s x 2 on each side: 6 min per side. Week 2: one day, no side named: 2 min per side.
    # Week 3: nothing written. Week 4: left only, 2 min on one of two treated sides: 1 min per side.
    assert first["minutes_done"].iloc[[0, 1, 3]].tolist() == [6.0, 2.0, 1.0]
    assert first["days_done"].iloc[[0, 1, 3]].tolist() == [3.0, 1.0, 1.0]
    assert np.isnan(first["minutes_done"].iloc[2])
    assert first["adherence"].iloc[0] == 0.6
    control = weekly.loc["P2"]
    assert control["minutes_done"].tolist() == [0.0] * 12
    assert control["adherence"].isna().all()


def test_gaps_are_missing_or_zero_as_asked() -> None:
    study = study_of(dose_tables())
    with_zero = weekly_minutes(study, gaps="zero").set_index(["participant_id", "week"]).loc["P1"]
    assert with_zero["minutes_done"].iloc[:5].tolist() == [6.0, 2.0, 0.0, 1.0, 0.0]
    assert with_zero["adherence"].iloc[2] == 0.0
    with pytest.raises(CallError, match="gaps is 'guess'"):
        weekly_minutes(study, gaps="guess")


def test_cumulated_minutes_by_hand() -> None:
    study = study_of(dose_tables())
    zero = cumulated_minutes(study, gaps="zero").set_index(["participant_id", "visit"])
    # To day 42: six weeks of 10 min prescribed; done 6 + 2 + 1 = 9 min per treated side.
    assert zero.loc[("P1", "week_6"), "minutes_prescribed"] == 60.0
    assert zero.loc[("P1", "week_6"), "minutes_done"] == 9.0
    assert zero.loc[("P1", "week_6"), "adherence"] == 0.15
    assert zero.loc[("P1", "baseline"), "minutes_done"] == 0.0  # what is done on the day itself counts later
    missing = cumulated_minutes(study).set_index(["participant_id", "visit"])
    assert np.isnan(missing.loc[("P1", "week_6"), "minutes_done"])
    assert missing.loc[("P2", "week_6"), "minutes_done"] == 0.0


def test_cumulated_minutes_are_the_sum_of_the_weeks() -> None:
    """Second route: at a visit on a whole week, the sum of the weekly frame before it."""
    tables = dose_tables()
    tables["diary"] += [practice("P1", at, "left", hold_s=45) for at in (15, 30, 36)]
    study = study_of(tables)
    weekly = weekly_minutes(study, gaps="zero")
    for name in ("P1", "P2"):
        own = weekly[(weekly["participant_id"] == name) & (weekly["week"] <= 6)]
        to_visit = cumulated_minutes(study).set_index(["participant_id", "visit"]).loc[(name, "week_6")]
        # equal up to the order of a few float additions
        assert to_visit["minutes_prescribed"] == pytest.approx(own["minutes_prescribed"].sum(), rel=1e-13)
        assert to_visit["minutes_done"] == pytest.approx(own["minutes_done"].sum(), rel=1e-13)


def test_own_prescription_comes_before_that_of_the_arm_and_names_the_treated_side() -> None:
    tables = dose_tables()
    dose = {"technique": "stretch", "hold_s": 30, "repetitions": 2, "sessions_per_day": 1, "weeks": 2.5}
    tables["prescriptions"] = [
        {"participant_id": "P1", "side": "left", "days_per_week": 3} | dose,
        {"arm": "stretch", "days_per_week": 7} | dose,
    ]
    weekly = weekly_minutes(study_of(tables)).set_index(["participant_id", "week"]).loc["P1"]
    # 30 s x 2 x 3 / 60 = 3 min; 2.5 weeks: week 3 has half, week 4 nothing.
    assert weekly["minutes_prescribed"].iloc[:4].tolist() == [3.0, 3.0, 1.5, 0.0]
    # Only the left is treated: week 4 has 2 min on it, undivided.
    assert weekly["minutes_done"].iloc[3] == 2.0


def test_both_sides_prescribed_apart_are_averaged_not_added() -> None:
    tables = dose_tables()
    dose = {"participant_id": "P1", "technique": "stretch", "repetitions": 2, "sessions_per_day": 1, "weeks": 12}
    tables["prescriptions"] = [
        {"side": side, "hold_s": hold_s, "days_per_week": 5} | dose for side, hold_s in (("left", 60), ("right", 30))
    ]
    weekly = weekly_minutes(study_of(tables)).set_index(["participant_id", "week"]).loc["P1"]
    assert weekly["minutes_prescribed"].iloc[0] == 7.5  # (10 + 5) / 2
    assert weekly["minutes_done"].iloc[0] == 6.0


def test_nothing_is_known_from_the_week_in_which_a_participant_left() -> None:
    tables = dose_tables()
    tables["flow"] = [
        {"participant_id": "P1", "stage": "randomised", "happened_on": day(0)},
        {"participant_id": "P1", "stage": "lost", "happened_on": day(24)},
    ]
    tables["measurements"] = [row for row in tables["measurements"] if row["visit"] == "baseline"]
    weekly = weekly_minutes(study_of(tables)).set_index(["participant_id", "week"]).loc["P1"]
    assert weekly["minutes_prescribed"].iloc[:3].tolist() == [10.0] * 3
    assert weekly["minutes_prescribed"].iloc[3:].isna().all()


def test_weekly_by_arm_is_the_mean_of_known_weeks() -> None:
    tables = dose_tables()
    tables["participants"].append(person("P3"))
    tables["diary"] += [practice("P3", 1, side) for side in ("left", "right")]
    by_arm = weekly_by_arm(study_of(tables)).set_index(["arm", "week"])
    assert by_arm.loc[("Stretch", 1), "done"] == 4.0  # (6 + 2) / 2
    assert by_arm.loc[("Stretch", 2), "participants"] == 1
    assert by_arm.loc[("Usual care", 1), "prescribed"] == 0.0


def test_weekly_minutes_without_arms_and_without_a_prescription() -> None:
    """Nothing prescribed to anybody: what was done is still summed, for everybody together."""
    checked = study_of(dose_tables())
    study = dataclasses.replace(checked, protocol=checked.protocol.model_copy(update={"arms": {}}))
    weekly, by_arm = weekly_minutes(study), weekly_by_arm(study)
    assert (weekly["minutes_prescribed"] == 0.0).all()
    assert set(by_arm["arm"]) == {"All participants"}
    # 6 x 2 min on two named sides are 6 min a side; P2 wrote nothing and was asked for nothing: zero.
    assert weekly.loc[weekly["week"] == 1, "minutes_done"].tolist() == [6.0, 0.0]
    assert by_arm.set_index("week").loc[1, "done"] == 3.0


def test_participant_flow_adds_up_and_can_be_drawn() -> None:
    tables = dose_tables()
    tables["participants"].append(person("P3"))
    stages = {
        "P1": ("assessed", "randomised", "received", "analysed"),
        "P2": ("assessed", "randomised", "lost"),
        "P3": ("assessed", "randomised", "received", "analysed"),
        "S1": ("assessed", "excluded"),
        "S2": ("assessed",),
    }
    tables["flow"] = [
        {"participant_id": name, "stage": stage, "reason": "moved away" if stage in ("lost", "excluded") else None}
        for name, reached in stages.items()
        for stage in reached
    ]
    counts = participant_flow(study_of(tables))
    check_flow(counts)
    lines = {(row.stage, row.arm, row.reason): row.count for row in counts.itertuples(index=False, name="Line")}
    assert lines[("assessed", "", "")] == 5
    assert lines[("excluded", "", "moved away")] == 1
    assert lines[("excluded", "", "not randomised, no reason recorded")] == 1
    assert lines[("allocated", "Stretch", "")] == 2
    assert lines[("allocated", "Usual care", "")] == 1
    assert lines[("lost", "Usual care", "moved away")] == 1
    assert lines[("lost", "Stretch", "")] == 0
    assert lines[("analysed", "Usual care", "")] == 0


def test_participant_flow_without_a_flow_table() -> None:
    tables = dose_tables()
    tables["measurements"].append(reading("P1", "week_12", 1, 35.0))
    counts = participant_flow(study_of(tables))
    check_flow(counts)
    assert counts["stage"].tolist() == ["allocated", "analysed"] * 2
    assert counts["count"].tolist() == [1, 1, 1, 0]


def test_flow_that_does_not_add_up_is_refused() -> None:
    wrong = pd.DataFrame([("randomised", "", "", 3), ("allocated", "A", "", 2)], columns=list(FLOW_COUNTS))
    with pytest.raises(FitError, match="3 randomised, but 2"):
        assert_flow_adds_up(wrong)
