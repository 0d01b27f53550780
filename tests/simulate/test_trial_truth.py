"""The made-up trial does what its truth says: formulas against large samples; the same seed, the same numbers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pydantic import ValidationError

from studykit.simulate import TrialTruth, simulate_trial, true_change_deg
from studykit.simulate.people import (
    balanced_allocation,
    change_at_visits_deg,
    draw_days_done,
    draw_last_visit,
    draw_people,
    draw_readings,
)
from studykit.simulate.truth import DropOut, gain_deg_per_week, mean_minutes_done
from studykit.vocabulary import COLUMNS, DIARY, FLOW, MEASUREMENTS, PARTICIPANTS, PRESCRIPTIONS

NOBODY_LEAVES = DropOut(start_logit=-60.0, per_deg_logit=0.0)
STANDARD_ERRORS = 5.0
"""A mean of a sample lies within five standard errors of its truth but once in 1.7 million draws; seeds are fixed."""


def within(sample: np.ndarray, truth: float) -> bool:
    standard_error = sample.std(ddof=1) / np.sqrt(sample.size)
    return bool(abs(sample.mean() - truth) < STANDARD_ERRORS * standard_error)


@pytest.fixture(scope="module")
def many() -> TrialTruth:
    return TrialTruth(participants=200_000, sitting_participants=0, trials=1)


def test_true_change_of_each_arm_is_the_mean_of_a_large_sample(many: TrialTruth) -> None:
    rng = np.random.default_rng(1)
    people = draw_people(many, rng=rng)
    change = change_at_visits_deg(many, people, draw_days_done(many, people, rng=rng))
    assert np.all(change[:, 0] == 0.0)
    table = true_change_deg(many)
    for position, arm in enumerate(many.arms):
        expected = table.loc[table["arm"] == arm.key, "change_deg"].to_numpy()
        for visit in (1, 2, 3):
            assert within(change[people.arm == position, visit], expected[visit - 1]), (arm.key, visit)


def test_recorded_readings_change_as_the_truth_says(many: TrialTruth) -> None:
    """The same by the whole route, errors of raters and days and rounding to whole degrees included."""
    tables = simulate_trial(
        many.model_copy(update={"participants": 20_000, "drop_out": NOBODY_LEAVES, "trials": 3}),
        rng=np.random.default_rng(2),
        diary=False,
    )
    mean = tables[MEASUREMENTS].groupby(["participant_id", "visit"])["value"].mean().unstack("visit")
    arm = tables[PARTICIPANTS].set_index("participant_id")["arm"].reindex(mean.index)
    table = true_change_deg(many).set_index(["arm", "visit"])["change_deg"]
    for key in arm.unique():
        change = (mean["week_12"] - mean["baseline"])[arm == key].to_numpy()
        assert within(change, table[key, "week_12"]), key


def test_minutes_done_are_the_mean_of_a_large_sample(many: TrialTruth) -> None:
    rng = np.random.default_rng(3)
    people = draw_people(many, rng=rng)
    days = draw_days_done(many, people, rng=rng)
    for position, arm in enumerate(many.arms[1:], start=1):
        done = days[people.arm == position] * arm.minutes_per_day
        assert within(done.mean(axis=1), float(mean_minutes_done(many, arm).mean()))
    assert days[people.arm == 0].max() == 0


def test_true_change_by_hand_when_everybody_does_everything() -> None:
    """With p = 1 nothing is left to chance: 12 x 0.6 x 24 / (24 + 8) + 12 x 0.03 = 5.76 degrees, 24 minutes a week."""
    truth = TrialTruth()
    surely = truth.adherence.model_copy(update={"start_logit": 60.0})
    table = true_change_deg(truth.model_copy(update={"adherence": surely})).set_index(["arm", "visit"])
    assert table.loc[("hold_60_days_6", "week_12"), "change_deg"] == pytest.approx(5.76, abs=1e-12)  # rounding only
    assert table.loc[("hold_60_days_6", "week_12"), "more_than_first_arm_deg"] == pytest.approx(5.4, abs=1e-12)
    equal_minutes = table.loc[[("hold_60_days_3", "week_12"), ("hold_30_days_6", "week_12")], "change_deg"]
    assert equal_minutes.iloc[0] == pytest.approx(equal_minutes.iloc[1], abs=1e-12)  # rounding only
    assert table.loc[("no_stretch", "week_12"), "change_deg"] == pytest.approx(0.36, abs=1e-12)  # rounding only


def test_gain_is_zero_at_zero_and_half_at_the_half_point() -> None:
    truth = TrialTruth()
    gain = gain_deg_per_week(truth, np.array([0.0, 8.0]))
    assert gain.tolist() == [0.0, 0.3]


def test_dose_done_is_confounded_and_dose_prescribed_is_not(many: TrialTruth) -> None:
    """Within one arm those who do more also drift more; between arms the drift is the same."""
    rng = np.random.default_rng(4)
    people = draw_people(many, rng=rng)
    days = draw_days_done(many, people, rng=rng).sum(axis=1)
    arm = people.arm == 4
    assert np.corrcoef(days[arm], people.drift_deg_per_week[arm])[0, 1] > 0.4
    for position in range(5):
        assert within(people.drift_deg_per_week[people.arm == position], many.change.drift_deg_per_week)


def test_readings_have_the_spread_of_the_truth() -> None:
    truth = TrialTruth(participants=40_000, sitting_participants=40_000, raters=2)
    rng = np.random.default_rng(5)
    people = draw_people(truth, rng=rng)
    readings = draw_readings(truth, people, np.zeros((truth.participants, 4)), rng=rng)
    spread, rounding = truth.spread, truth.spread.read_out_deg**2 / 12.0
    trial = readings.sitting_deg.var(axis=3, ddof=1).mean()
    # four standard errors of a variance of 40,000 x 2 x 2 x 2 differences are below 1.5 % of it
    assert trial == pytest.approx(spread.trial_sd_deg**2 + rounding, rel=0.015)
    between_limbs = np.diff(readings.sitting_deg.mean(axis=(2, 3)), axis=1).var(ddof=1) / 2
    expected = spread.limb_sd_deg**2 + spread.limb_day_sd_deg**2 + (spread.trial_sd_deg**2 + rounding) / 6
    assert between_limbs == pytest.approx(expected, rel=0.03)  # four standard errors of a variance of 40,000
    by_rater = readings.sitting_deg.mean(axis=(1, 3))
    rater_differences = np.diff(by_rater, axis=1).var(ddof=1) / 2
    expected = spread.person_rater_sd_deg**2 + (spread.trial_sd_deg**2 + rounding) / 6
    assert rater_differences == pytest.approx(expected, rel=0.03)  # as above
    assert np.all(readings.value_deg == np.rint(readings.value_deg))


def test_an_instrument_without_steps_is_not_rounded() -> None:
    truth = TrialTruth()
    fine = truth.model_copy(update={"spread": truth.spread.model_copy(update={"read_out_deg": 0.0})})
    people = draw_people(truth, rng=np.random.default_rng(6))
    still = np.zeros((truth.participants, 4))
    exact = draw_readings(fine, people, still, rng=np.random.default_rng(7)).value_deg
    read = draw_readings(truth, people, still, rng=np.random.default_rng(7)).value_deg
    assert np.unique(exact).size == exact.size
    assert np.array_equal(np.rint(exact), read)


def test_leaving_depends_on_the_last_recorded_change_alone() -> None:
    truth = TrialTruth(drop_out=DropOut(start_logit=0.0, per_deg_logit=-2.0))
    value = np.zeros((40_000, 4, 2, 3))
    value[:20_000, 1:] = 1.0
    last = draw_last_visit(truth, value, rng=np.random.default_rng(7))
    at_week_4 = last >= 1
    left = (last == 1) & at_week_4
    # logit -2 and logit 0: 0.1192 and 0.5 of about 10,000 each, standard error 0.005
    assert left[:20_000].sum() / at_week_4[:20_000].sum() == pytest.approx(0.1192, abs=0.02)
    assert left[20_000:].sum() / at_week_4[20_000:].sum() == pytest.approx(0.5, abs=0.02)


def test_allocation_is_balanced_in_blocks() -> None:
    arm = balanced_allocation(120, 5, np.random.default_rng(8))
    assert np.bincount(arm).tolist() == [24] * 5
    assert all(np.bincount(block).tolist() == [2] * 5 for block in arm.reshape(-1, 10))


def test_same_seed_same_tables_and_the_diary_changes_no_reading() -> None:
    truth = TrialTruth()
    one, two = (simulate_trial(truth, rng=np.random.default_rng(9)) for _ in range(2))
    without = simulate_trial(truth, rng=np.random.default_rng(9), diary=False)
    for name, table in one.items():
        pd.testing.assert_frame_equal(table, two[name])
        if name != DIARY:
            pd.testing.assert_frame_equal(table, without[name])
    assert without[DIARY].empty
    assert not one[DIARY].empty


def test_tables_have_the_columns_of_the_vocabulary() -> None:
    tables = simulate_trial(TrialTruth(), rng=np.random.default_rng(10))
    assert list(tables) == list(COLUMNS)
    for name, table in tables.items():
        own = [column for column in table.columns if column in COLUMNS[name]]
        assert own == list(COLUMNS[name])


def test_nobody_is_measured_or_stretches_after_leaving() -> None:
    tables = simulate_trial(TrialTruth(), rng=np.random.default_rng(11))
    flow = tables[FLOW]
    lost = flow[flow["stage"] == "lost"].set_index("participant_id")["happened_on"]
    assert 5 <= lost.size <= 60
    for name, date in ((MEASUREMENTS, "measured_on"), (DIARY, "done_on")):
        left_on = tables[name]["participant_id"].map(lost)
        assert not (tables[name][date] > left_on).any()
    everybody = set(tables[PARTICIPANTS]["participant_id"])
    complete = tables[MEASUREMENTS].loc[tables[MEASUREMENTS]["visit"] == "week_12", "participant_id"]
    assert set(complete) == everybody - set(lost.index)


def test_a_week_of_the_diary_never_holds_more_days_than_prescribed() -> None:
    tables = simulate_trial(TrialTruth(), rng=np.random.default_rng(12))
    people = tables[PARTICIPANTS].set_index("participant_id")
    diary = tables[DIARY].join(people[["arm", "enrolled_on"]], on="participant_id")
    diary["week"] = (diary["done_on"] - diary["enrolled_on"]).dt.days // 7
    assert diary["week"].between(0, 11).all()
    days = diary.groupby(["participant_id", "week"])["done_on"].nunique()
    planned = tables[PRESCRIPTIONS].set_index("arm")["days_per_week"]
    assert (days <= days.index.get_level_values(0).map(people["arm"]).map(planned)).all()
    assert not diary.duplicated(["participant_id", "done_on", "side"]).any()


def test_truth_survives_its_file(tmp_path: Path) -> None:
    truth = TrialTruth(seed=5, participants=31, raters=4)
    truth.save(tmp_path / "truth.toml")
    assert TrialTruth.load(tmp_path / "truth.toml") == truth


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"visit_weeks": (0, 4)}, "one entry per visit"),
        ({"visit_weeks": (0,), "visit_keys": ("baseline",)}, "at least 2 items"),
        ({"visit_weeks": (1, 4, 8, 12)}, "start at 0"),
        ({"visit_weeks": (0, 4, 4, 12)}, "start at 0 and rise"),
        ({"sitting_participants": 121}, "more participants"),
        ({"particpants": 10}, "Extra inputs"),
    ],
)
def test_impossible_truth_is_refused(wrong: dict[str, object], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        TrialTruth.model_validate(wrong)


def test_error_of_one_reading_by_hand() -> None:
    """sqrt(1.2² + 1/12) and sqrt(1.2² + 1/12 + 1.0² + 0.5²)."""
    spread = TrialTruth().spread
    assert spread.sem_deg(other_raters=False) == pytest.approx(1.2342339054, abs=1e-9)  # ten digits by hand
    assert spread.sem_deg(other_raters=True) == pytest.approx(1.6653327996, abs=1e-9)


@pytest.mark.parametrize(
    "sizes",
    [
        {"participants": 1, "sitting_participants": 0, "raters": 1, "trials": 1, "visit_weeks": (0, 1)},
        {"participants": 1500, "sitting_participants": 1500, "raters": 2, "trials": 2, "visit_weeks": (0, 26)},
    ],
)
def test_trials_of_other_sizes(sizes: dict[str, object]) -> None:
    truth = TrialTruth.model_validate({**sizes, "visit_keys": ("before", "after"), "drop_out": NOBODY_LEAVES})
    tables = simulate_trial(truth, rng=np.random.default_rng(13))
    readings = tables[MEASUREMENTS]
    sitting = readings["visit"] == truth.sitting_visit
    assert (~sitting).sum() == truth.participants * 2 * 2 * truth.trials
    assert sitting.sum() == truth.sitting_participants * 2 * truth.raters * truth.trials
    key = ["participant_id", "visit", "side", "rater_id", "trial"]
    assert not readings.duplicated(key).any()
    assert tables[PARTICIPANTS]["participant_id"].is_unique


def test_every_week_until_somebody_leaves_stands_in_the_diary() -> None:
    """A week in which nothing was done is one row of no repetitions and no discomfort for each limb."""
    tables = simulate_trial(TrialTruth(drop_out=NOBODY_LEAVES), rng=np.random.default_rng(14))
    people = tables[PARTICIPANTS].set_index("participant_id")
    diary = tables[DIARY].join(people[["arm", "enrolled_on"]], on="participant_id")
    week = (diary["done_on"] - diary["enrolled_on"]).dt.days // 7
    weeks = week.groupby(diary["participant_id"]).nunique()
    asked = people.index[people["arm"] != "no_stretch"]
    assert weeks.reindex(asked).tolist() == [12] * 96
    assert not diary["arm"].eq("no_stretch").any()
    nothing = diary["repetitions"] == 0
    assert nothing.sum() > 0
    assert diary["discomfort_0_10"].isna().equals(nothing.astype(bool))
    in_week = diary.assign(week=week).groupby(["participant_id", "week"])["repetitions"]
    assert in_week.size()[in_week.min() == 0].eq(2).all()
