"""Who left, and when: counts that add up, and small groups that are not described."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_studies import made_audit, made_trial

from studykit.errors import DataError
from studykit.missing_visits import drop_out_of_study, people_by_visit
from studykit.pictures.still_measured import still_measured_picture

ARMS = {"usual": "Usual care", "hold_60": "60 s hold"}


@settings(max_examples=10)
@given(missing=st.floats(0.0, 0.5), seed=st.integers(0, 100))
def test_everybody_is_counted_once(missing: float, seed: int) -> None:
    study = made_trial(40, arms=ARMS, missing=missing, seed=seed)
    drop = drop_out_of_study(study)
    for row in drop.by_arm.itertuples():
        assert row.every_visit + row.came_back + row.left + row.never_measured == row.participants == 20
        last = drop.by_visit[(drop.by_visit["arm"] == row.arm) & (drop.by_visit["visit"] == "week_12")]
        assert int(last["measured"].iloc[0]) == row.every_visit + row.came_back


def test_counts_by_hand() -> None:
    values = np.random.default_rng(1).normal(50, 5, (10, 3, 1))
    values[0, 1] = np.nan  # missed a visit, came back
    values[1, 2] = np.nan  # left after week 6
    values[2, 1:] = np.nan  # left after the baseline
    drop = drop_out_of_study(made_audit(values))
    row = drop.by_arm.iloc[0]
    assert [row[name] for name in ("participants", "every_visit", "came_back", "left")] == [10, 7, 1, 2]
    assert drop.by_visit["measured"].tolist() == [10, 8, 8]
    assert row["baseline_mean_stayed"] == pytest.approx(values[[0, *range(3, 10)], 0, 0].mean())
    assert np.isnan(row["baseline_mean_left"])  # two people: fewer than the smallest group that may be shown
    assert drop.table().rows[0][-1] == "fewer than 5"
    assert "2 of 10 in “All participants”" in drop.headline


def test_a_person_without_any_reading_is_not_forgotten() -> None:
    values = np.random.default_rng(1).normal(50, 5, (12, 3, 1))
    values[5] = np.nan
    drop = drop_out_of_study(made_audit(values))
    assert drop.by_arm["never_measured"].tolist() == [1]
    assert len(people_by_visit(made_audit(values)).values) == 12


def test_the_mean_over_limbs_of_the_mean_of_each() -> None:
    study = made_trial(12, arms=ARMS, trials=3)
    people = people_by_visit(study)
    rows = study.table("measurements")
    of_limb = rows.groupby(["participant_id", "visit", "side"])["value"].mean()
    wanted = of_limb.groupby(level=["participant_id", "visit"]).mean().unstack("visit")
    for person in people.values.index:
        assert people.values.loc[person].to_numpy() == pytest.approx(wanted.loc[person, people.values.columns])


def test_the_picture_refuses_a_frame_without_its_columns() -> None:
    frame = drop_out_of_study(made_trial(12, arms=ARMS)).to_frame()
    with pytest.raises(DataError, match="lacks the column 'share'"):
        still_measured_picture(frame.drop(columns="share"), measure="Angle")
    with pytest.raises(DataError, match="has no row"):
        still_measured_picture(frame.iloc[:0], measure="Angle")
