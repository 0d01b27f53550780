"""Dose as done: what the slope within a participant is blind to, statsmodels, gaps, and what cannot be told."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from dose_cases import dose_study, practice_study

from studykit.change.beside import MdcBeside
from studykit.change.readings import readings_for_change
from studykit.dose.done import DoseDone, done_of
from studykit.dose.exposure import Exposure, exposure_of, people_of, periods_of
from studykit.errors import DesignError

PEOPLE = 40
WEEKS = np.array([0.0, 4.0, 8.0, 12.0])
MDC = MdcBeside(2.0, 1.5, 3.0, 0.95, "MDC at 95%")


def practised(seed: int, *, spread: float = 6.0) -> np.ndarray:
    """(people, 12) minutes of each week: an own level and much chance."""
    rng = np.random.default_rng(seed)
    level = rng.uniform(6, 20, (PEOPLE, 1))
    return np.clip(level + rng.normal(0, spread, (PEOPLE, 12)), 0.0, None)


def changed(minutes: np.ndarray, slope: float) -> np.ndarray:
    """(people, 4) change from minutes done up to each visit."""
    done = np.concatenate([np.zeros((len(minutes), 1)), np.cumsum(minutes, axis=1)], axis=1)
    return slope * done[:, WEEKS.astype(int)]


def exposed(minutes: np.ndarray, values: np.ndarray, *, gaps: str = "missing", **asked: object) -> Exposure:
    study = practice_study(minutes, values, **asked)  # type: ignore[arg-type]
    return exposure_of(study, readings_for_change(study), gaps=gaps)


def noisy(seed: int, minutes: np.ndarray, *, slope: float = 0.1, noise: float = 0.6) -> np.ndarray:
    rng = np.random.default_rng(seed)
    own = rng.normal(0, 5, (PEOPLE, 1)) + rng.normal(0, 0.2, (PEOPLE, 1)) * WEEKS
    return 60.0 + own + changed(minutes, slope) + rng.normal(0, noise, (PEOPLE, 4))


def test_minutes_up_to_each_visit_are_pace_times_weeks_and_departures() -> None:
    """Rows by hand: what was done by a visit is the sum of the weeks before it, and its split adds up to it again."""
    minutes = practised(1)
    rows = exposed(minutes, noisy(2, minutes)).rows
    done = np.concatenate([np.zeros((PEOPLE, 1)), np.cumsum(minutes, axis=1)], axis=1)[:, WEEKS.astype(int)]
    person = rows["participant_id"].str[1:].astype(int).to_numpy()
    place = rows["weeks"].map({week: place for place, week in enumerate(WEEKS)}).to_numpy()
    assert rows["minutes"].to_numpy() == pytest.approx(done[person, place], rel=1e-12, abs=1e-9)
    left = rows["minutes"] - rows["pace"] * rows["weeks"] - rows["deviation"]
    # What is left is each person's own level of the least-squares line: the same at all four visits.
    assert left.groupby(rows["participant_id"]).std().max() == pytest.approx(0.0, abs=1e-9)


def test_slope_is_found_where_drift_and_practice_share_a_trait() -> None:
    """Hardly any noise; whoever practises more also drifts more: within is the truth, between is not."""
    minutes = practised(3)
    level = minutes.mean(axis=1, keepdims=True)
    drift = 0.05 * (level - level.mean())
    rng = np.random.default_rng(4)
    values = 60.0 + rng.normal(0, 5, (PEOPLE, 1)) + drift * WEEKS + changed(minutes, 0.1)
    found = exposed(minutes, values + rng.normal(0, 0.05, values.shape)).per_minute.set_index("key")
    within, between = found.loc["within"], found.loc["between"]
    assert within["estimate"] == pytest.approx(0.1, abs=4.0 * within["std_error"])
    assert within["std_error"] < 0.003
    assert between["low"] > 0.12


def test_a_steady_course_of_each_person_does_not_reach_the_slope_within() -> None:
    """Any line over the weeks added to each person's angles; the weights of the fit move a little, the slope hardly."""
    minutes = practised(5)
    values = noisy(6, minutes)
    plain = exposed(minutes, values).per_minute.set_index("key").loc["within"]
    level = minutes.mean(axis=1, keepdims=True)
    moved = exposed(minutes, values + 0.1 * (level - level.mean()) * WEEKS).per_minute.set_index("key").loc["within"]
    # The line is orthogonal to the departures; what remains is the weight of each person's own response, a hundredth
    # of the standard error here.
    assert moved["estimate"] == pytest.approx(plain["estimate"], abs=0.02 * plain["std_error"])


def test_model_agrees_with_statsmodels() -> None:
    """Second route: intercept and slope by person (unstructured) and a response of each person's own, by MixedLM."""
    minutes = practised(7)
    own = np.random.default_rng(70).normal(0.1, 0.1, (PEOPLE, 1))
    found = exposed(minutes, noisy(8, minutes, slope=0.0) + own * changed(minutes, 1.0))
    # In tens of minutes every variance is well above the 0.01 below which statsmodels warns of a boundary.
    rows = found.rows.assign(
        week=found.rows["visit"].str.removeprefix("week_").astype(float),
        between=found.rows["pace_beyond_arm"] * found.rows["weeks"] / 10.0,
        tens=found.rows["deviation"] / 10.0,
    )
    other = smf.mixedlm(
        "value ~ C(visit) + between + tens",
        rows,
        groups=rows["participant_id"],
        re_formula="~week",
        vc_formula={"own": "0 + tens"},
    ).fit(reml=True, method=["powell", "nm"], maxiter=2000)
    at = found.per_minute.set_index("key")["estimate"]
    # Powell and Nelder-Mead carry three to four digits of the variances; the slopes depend on them weakly.
    assert at["within"] == pytest.approx(other.fe_params["tens"] / 10.0, rel=2e-3)
    assert at["between"] == pytest.approx(other.fe_params["between"] / 10.0, rel=2e-3)
    assert at["difference"] == pytest.approx(at["between"] - at["within"], rel=1e-9)


def test_effects_are_twelve_times_the_slope_by_a_minute() -> None:
    minutes = practised(9)
    found = exposed(minutes, noisy(10, minutes))
    assert found.effects["estimate"].to_numpy() == pytest.approx(12.0 * found.per_minute["estimate"].to_numpy())
    assert found.effects["df"].to_numpy() == pytest.approx(found.per_minute["df"].to_numpy())


def with_gaps(seed: int) -> np.ndarray:
    """A whole week of the second period not written down, in every fourth person."""
    minutes = practised(seed)
    minutes[::4, 5] = np.nan
    return minutes


def test_gaps_are_not_known_by_default_and_idle_on_request() -> None:
    minutes = with_gaps(11)
    values = noisy(12, np.nan_to_num(minutes))
    missing, idle = (exposed(minutes, values, gaps=gaps) for gaps in ("missing", "nothing done"))
    # The visits of weeks 8 and 12 come after the gap of week 6, in 10 of 40 people.
    assert missing.left_out == 20
    assert len(missing.rows) == 4 * PEOPLE - 20
    assert idle.left_out == 0
    assert len(idle.rows) == 4 * PEOPLE


def answered(*, more: str = "") -> DoseDone:
    minutes = with_gaps(13)
    return done_of(practice_study(minutes, noisy(14, np.nan_to_num(minutes)), more=more), mdc=MDC)


def test_other_reading_of_gaps_stands_beside_the_protocol_s() -> None:
    found = answered()
    assert found.exposure.gaps == "missing"
    assert found.other is not None
    assert found.other.gaps == "nothing done"
    assert len(found.table().columns) == 4
    numbers = found.numbers()
    assert numbers["within.estimate"] != numbers["other_gaps.within.estimate"]
    turned = answered(more='[analysis]\ndiary_gaps = "nothing done"')
    assert turned.exposure.gaps == "nothing done"
    assert turned.numbers()["within.estimate"] == pytest.approx(numbers["other_gaps.within.estimate"], rel=1e-6)


def test_answer_is_called_an_association_beside_the_mdc() -> None:
    found = answered()
    assert "association and no effect" in found.headline
    assert "MDC of one person is 2.0°" in found.headline
    assert found.cautions[0].startswith("An association, never an effect")
    assert any("no proof of a longer muscle" in caution for caution in found.cautions)
    assert "association" in found.table().title
    assert set(found.to_frame()["gaps"]) == {"missing", "nothing done"}


def test_points_of_the_picture_are_people_and_periods() -> None:
    minutes = practised(15)
    study = practice_study(minutes, noisy(16, minutes))
    readings = readings_for_change(study)
    found = exposure_of(study, readings, gaps="missing")
    people, periods = people_of(found, readings), periods_of(found, readings)
    assert len(people) == PEOPLE
    assert len(periods) == 3 * PEOPLE
    # Departures of one person begin and end on the person's line only in sum; those of a period are differences.
    assert periods.groupby("participant_id")["minutes"].size().unique().tolist() == [3]
    assert people["minutes"].mean() == pytest.approx(0.0, abs=1e-9)
    drawing = done_of(study, mdc=MDC).figure()
    assert drawing is not None
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []
    marks = [len(line.get_xdata()) for axes in drawing.figure.axes for line in axes.lines if line.get_marker() == "o"]
    assert marks == [PEOPLE, 3 * PEOPLE]


def test_two_visits_have_no_slope_within_a_participant() -> None:
    minutes = practised(17)
    values = noisy(18, minutes)[:, [0, 3]]
    found = exposed(minutes, values, weeks=(0.0, 12.0))
    assert list(found.effects["key"]) == ["between"]
    assert any("three visits" in sentence for sentence in found.refused)


def test_the_same_practice_in_everybody_is_refused() -> None:
    minutes = np.full((PEOPLE, 12), 10.0)
    with pytest.raises(DesignError, match="Everybody of one arm did the same"):
        exposed(minutes, noisy(19, minutes))


def test_without_a_diary_nothing_is_said() -> None:
    with pytest.raises(DesignError, match="There is no diary"):
        done_of(dose_study([0.0] * 5), mdc=None)


def test_too_few_people_with_a_known_dose_are_refused() -> None:
    minutes = np.full((PEOPLE, 12), np.nan)
    minutes[:2] = 10.0
    with pytest.raises(DesignError, match="2 of 40 participants have a known dose"):
        exposed(minutes, noisy(20, np.nan_to_num(minutes)))


def test_groups_that_are_too_small_are_not_drawn() -> None:
    minutes = with_gaps(21)
    study = practice_study(minutes, noisy(22, np.nan_to_num(minutes)), more="[privacy]\nsmallest_group = 50")
    assert done_of(study, mdc=None).figure() is None


def test_frame_of_points_has_no_participant_that_was_seen_once() -> None:
    minutes = practised(23)
    values = noisy(24, minutes)
    values[0, 1:] = np.nan
    study = practice_study(minutes, values)
    readings = readings_for_change(study)
    found = exposure_of(study, readings, gaps="missing")
    assert "P000" not in set(people_of(found, readings)["participant_id"])
    assert found.participants == PEOPLE - 1
    assert isinstance(found.rows, pd.DataFrame)
