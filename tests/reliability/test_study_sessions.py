"""A study of several sessions: day-to-day error, retest limits, and the cheapest design that reaches a wanted MDC."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.data import Study
from studykit.errors import DesignError
from studykit.reliability import ReliabilityResult, mdc_for_change, reliability_of_study
from studykit.result import Result
from tests.reliability.sessions_cases import PLAN, days_of_angles, sessions_study

KEY = "reliability.knee_flexion_prone"
Z = 1.959963984540054 * 2**0.5


def by_key(results: list[Result]) -> dict[str, ReliabilityResult]:
    return {result.key: result for result in results if isinstance(result, ReliabilityResult)}


def check_every_part(results: list[Result]) -> None:
    for result in results:
        assert result.headline.endswith(".")
        assert "nan" not in result.headline
        assert result.table().rows
        assert result.cautions
        assert all(np.isfinite(value) for value in result.numbers().values())
        picture = result.figure()
        if picture is not None:
            assert picture.clipped_texts() == []
            assert picture.overlapping_texts() == []


def test_the_main_error_is_that_of_another_rater_on_another_day() -> None:
    rows = days_of_angles(people=20, raters=3)
    results = reliability_of_study(sessions_study(rows))
    check_every_part(results)
    named = by_key(results)
    main, parts = named[KEY].numbers(), named[f"{KEY}.components"].numbers()
    error = [name for name in parts if name.startswith("sd.") and "." not in name[3:] and name != "sd.participant"]
    assert len(error) == 5
    assert main["sem"] == pytest.approx(sum(parts[name] ** 2 for name in error) ** 0.5, rel=1e-12)
    days = sum(parts[name] ** 2 for name in error if "session" in name)
    assert main["sem_retest"] == pytest.approx(days**0.5, rel=1e-12)
    assert main["mdc95"] == pytest.approx(Z * main["sem"], rel=1e-12)
    assert main["icc"] < main["icc_retest"] < main["icc_within"]
    assert main["sem_within"] < main["sem_retest"] < main["sem"]
    assert main["sem_retest.low"] < main["sem_retest"] < main["sem_retest.high"]
    counts = {"participants": 20.0, "raters": 3.0, "readings": 240.0, "sessions": 2.0}
    assert {name: main[name] for name in counts} == counts
    assert "20 participants, 2 sessions and 3 raters" in named[KEY].headline
    assert any("Day 1 and Day 2" in text and "true change" in text for text in named[KEY].cautions)
    decision = named[f"{KEY}.decision"].numbers()
    assert decision["mdc.1x1x1"] == pytest.approx(main["mdc95"], rel=1e-12)


def test_one_rater_and_one_reading_a_day_give_the_one_way_answer() -> None:
    """The retest of one rater by hand: mean square within people, its chi-square interval."""
    rows = days_of_angles(people=18, raters=1, trials=1)
    table = rows["value"].to_numpy().reshape(18, 2)
    within = ((table - table.mean(axis=1, keepdims=True)) ** 2).sum() / 18
    got = reliability_of_study(sessions_study(rows))
    check_every_part(got)
    numbers = got[0].numbers()
    assert numbers["sem"] == pytest.approx(within**0.5, rel=1e-6)
    assert numbers["sem.low"] == pytest.approx((18 * within / stats.chi2.ppf(0.975, 18)) ** 0.5, rel=1e-6)
    assert "SEM between sessions" in got[0].table().rows[1][0]
    decision = by_key(got)[f"{KEY}.decision"]
    assert set(decision.to_frame()["trials"]) == {1}
    assert any("what more readings in a session would buy is not known" in text for text in decision.cautions)
    picture = decision.figure()
    assert picture is not None
    assert "by number of sessions" in picture.alt


def test_retest_limits_are_those_of_the_differences_between_days() -> None:
    rows = days_of_angles(people=18, raters=1, trials=1)
    table = rows["value"].to_numpy().reshape(18, 2)
    gap = table[:, 1] - table[:, 0]
    got = by_key(reliability_of_study(sessions_study(rows)))
    retest = got[f"{KEY}.retest"].numbers()
    assert retest["Day_2-Day_1.bias"] == pytest.approx(gap.mean(), rel=1e-12)
    assert retest["Day_2-Day_1.upper"] == pytest.approx(gap.mean() + 1.959963984540054 * gap.std(ddof=1), rel=1e-12)
    assert retest["Day_2-Day_1.pairs"] == 18.0
    assert f"{KEY}.limits" not in got  # one rater: nobody to compare with


def test_a_shift_of_everybody_is_said_and_counts_as_error() -> None:
    rows = days_of_angles(people=20, raters=2)
    moved = rows.assign(value=rows["value"] + 6.0 * (rows["visit"] == "day_2"))
    still, shifted = (reliability_of_study(sessions_study(frame))[0] for frame in (rows, moved))
    assert not any("moved as a whole" in text for text in still.cautions)
    assert any("Readings moved as a whole from Day 1 to Day 2" in text for text in shifted.cautions)
    assert shifted.numbers()["sem_retest"] > still.numbers()["sem_retest"] + 1.0


def test_both_limbs_fixed_raters_and_gaps_are_answered() -> None:
    rows = days_of_angles(sides=2, raters=3, days=3)
    plan = (
        '[reliability]\nrated_by = "every rater"\nsessions = ["day_1", "day_2", "day_3"]\n'
        'generalise_to = "these raters"\nreadings_averaged = 2\n'
    )
    for frame in (rows, rows.drop(index=range(5, 300, 17))):
        results = reliability_of_study(sessions_study(frame, plan=plan))
        check_every_part(results)
        named = by_key(results)
        assert "32 limbs of 16 participants, 3 sessions" in named[KEY].headline
        assert any("Raters are fixed" in text for text in named[KEY].cautions)
        assert len(named[f"{KEY}.retest"].table().rows) == 9  # three pairs of days, bias and two limits each
        names = named[f"{KEY}.components"].to_frame()["name"].tolist()
        assert "days within participants" in names
        assert "days within limbs" in names
        assert named[KEY].numbers()["limbs"] == 32.0


def test_the_cheapest_design_that_reaches_the_wanted_mdc_is_named() -> None:
    rows = days_of_angles(people=24, raters=2)
    named = by_key(reliability_of_study(sessions_study(rows, plan=PLAN + "wanted_mdc = 7\n")))
    decision = named[f"{KEY}.decision"]
    designs, numbers = decision.to_frame(), decision.numbers()
    reached = designs[designs["mdc"] <= 7.0].sort_values(["measurements", "mdc"])
    assert len(reached) > 0
    best = reached.iloc[0]
    assert [numbers[f"cheapest.{name}"] for name in ("raters", "sessions", "trials")] == [
        float(best[name]) for name in ("raters", "sessions", "trials")
    ]
    assert "The cheapest design that reaches the wanted 7.0°" in decision.headline
    costly = PLAN + "wanted_mdc = 7\ncost = { session = 100, reading = 1 }\n"
    dear = by_key(reliability_of_study(sessions_study(rows, plan=costly)))[f"{KEY}.decision"]
    assert dear.numbers()["cheapest.sessions"] <= numbers["cheapest.sessions"]
    assert dear.to_frame()["cost"].min() == 101.0
    never = by_key(reliability_of_study(sessions_study(rows, plan=PLAN + "wanted_mdc = 0.5\n")))[f"{KEY}.decision"]
    assert "No design that was looked at reaches the wanted 0.50°." in never.headline
    assert "cheapest.raters" not in never.numbers()


def test_the_mdc_for_change_counts_days() -> None:
    rows = days_of_angles(people=24, raters=2, trials=1)
    got = mdc_for_change(sessions_study(rows))
    one_day = mdc_for_change(sessions_study(rows, plan='[reliability]\nrated_by = "every rater"\nvisit = "day_1"\n'))
    assert got.words == (
        "MDC at 95% between raters and sessions, for single readings, from readings in the sessions Day 1 and Day 2"
    )
    assert got.value > one_day.value


def test_a_measure_of_one_session_is_answered_as_one_occasion_and_says_so() -> None:
    rows = days_of_angles(raters=2)
    got = reliability_of_study(sessions_study(rows[rows["visit"] == "day_1"]))
    assert any("read in one session only (Day 1)" in text for text in got[0].cautions)
    assert "sessions" not in got[0].numbers()


@pytest.mark.parametrize(
    ("keep", "words"),
    [
        (lambda rows: rows[(rows["visit"] == "day_1") == (rows["participant_id"] < "P08")], "day-to-day error needs"),
        (lambda rows: rows[rows["visit"] == "day_3"], "names Day 1 and Day 2 as sessions"),
    ],
)
def test_sessions_that_nobody_shared_are_refused_in_a_sentence(keep: object, words: str) -> None:
    rows: pd.DataFrame = keep(days_of_angles(days=3))  # type: ignore[operator]
    rows = rows[rows["visit"].isin(["day_1", "day_2"])] if "needs" in words else rows
    with pytest.raises(DesignError, match=words):
        reliability_of_study(sessions_study(rows))


def test_visits_with_one_label_stay_two_sessions() -> None:
    rows = days_of_angles(people=18, raters=1, trials=1)
    study = sessions_study(rows)
    visits = tuple(visit.model_copy(update={"label": "Visit"}) for visit in study.protocol.visits)
    alike = Study(study.protocol.model_copy(update={"visits": visits}), study.tables, study.findings)
    got = by_key(reliability_of_study(alike))
    assert got[KEY].numbers()["sem"] == by_key(reliability_of_study(study))[KEY].numbers()["sem"]
    assert "Visit_(day_2)-Visit_(day_1).bias" in got[f"{KEY}.retest"].numbers()


def test_different_raters_for_every_person_are_part_of_the_day() -> None:
    rows = days_of_angles(people=21, raters=3, trials=1)
    keep = [(place // 6) % 3 == place % 3 for place in range(len(rows))]
    plan = '[reliability]\nrated_by = "different raters"\nsessions = ["day_1", "day_2"]\n'
    got = reliability_of_study(sessions_study(rows[keep], plan=plan))
    check_every_part(got)
    assert got[0].numbers()["readings"] == 42.0
    assert any("rater" in text for text in got[0].cautions)


@pytest.mark.parametrize("raters", [1, 2])
def test_grades_are_compared_between_sessions_or_between_raters_of_the_first(raters: int) -> None:
    rows = days_of_angles(people=30, raters=raters, trials=1)
    rows = rows.assign(value=((rows["value"] - 110) // 10).clip(0, 3))
    got = reliability_of_study(sessions_study(rows, measure="half_kneeling_lunge"))[0]
    wide = rows.pivot(index="participant_id", columns=["visit", "rater_id"], values="value")
    looks = [("day_1", "r1"), ("day_2", "r1")] if raters == 1 else [("day_1", "r1"), ("day_1", "r2")]
    same = float((wide[looks[0]] == wide[looks[1]]).mean())
    assert got.numbers()["percent_agreement"] == pytest.approx(same, rel=1e-12)
    assert ("one rater in 2 sessions" in got.headline) == (raters == 1)
    assert any("first session (Day 1) only" in text for text in got.cautions) == (raters == 2)


def test_reporting_items_tell_the_sessions_and_how_far_apart_they_were() -> None:
    rows = days_of_angles(people=12)
    dates = {"day_1": "2026-01-05", "day_2": "2026-01-13"}
    last = reliability_of_study(sessions_study(rows.assign(measured_on=rows["visit"].map(dates))))[-1]
    answered = dict(zip(last.to_frame()["item"], last.to_frame()["answered"], strict=True))
    assert (
        "up to 2 readings of each rater on each participant in each of 2 sessions, 96 readings in all" in answered[11]
    )
    assert "Sessions of unchanged people: Day 1 and Day 2, the first and the last 8 days apart (median)." in answered[8]
