"""Minutes done against minutes prescribed, by hand."""

from __future__ import annotations

import pandas as pd
import pytest
from made_studies import protocol_text, study_of

from studykit.change import Adherence, adherence_of_study
from studykit.data.study import Study
from studykit.errors import DesignError

DOSE = "{ hold_s = 60, repetitions = 4, sessions_per_day = 1, days_per_week = 3, weeks = 2 }"
"""4 minutes a day, 12 a week, for two weeks."""


def diary(done: dict[str, list[int]]) -> pd.DataFrame:
    """Person -> days (0 is the day of enrolment) with 4 x 60 s, on no named side."""
    rows = [
        (person, pd.Timestamp("2026-01-05") + pd.Timedelta(days=day)) for person, days in done.items() for day in days
    ]
    frame = pd.DataFrame(rows, columns=["participant_id", "done_on"])
    return frame.assign(hold_s=60.0, repetitions=4)


def study(done: dict[str, list[int]], *, people: int = 6, dosed: bool = True, arms: bool = True) -> Study:
    participants = pd.DataFrame(
        {
            "participant_id": [f"P{n}" for n in range(people)],
            "arm": ["usual", "hold_60"] * (people // 2) if arms else None,
            "enrolled_on": pd.Timestamp("2026-01-05"),
        }
    )
    text = protocol_text(
        design="trial" if arms else "audit",
        arms=None if arms else {},
        visits=("baseline", "week_2"),
        weeks=(0, 2),
        primary_visit="week_2",
        doses={"hold_60": DOSE} if dosed else None,
    )
    own = pd.DataFrame(
        {
            "participant_id": participants["participant_id"],
            "technique": "stretch",
            "hold_s": 60.0,
            "repetitions": 4,
            "sessions_per_day": 1.0,
            "days_per_week": 3.0,
            "weeks": 2.0,
        }
    )
    extra = {} if arms else {"prescriptions": own}
    return study_of(text, participants=participants, diary=diary(done), **extra)


DONE = {"P1": [0, 2, 4, 7, 9, 11], "P3": [0, 7], "P5": [1, 2]}
"""P1 all of it, P3 a third in either week, P5 two thirds in week 1 and no entry in week 2."""


def answered(**options: bool) -> Adherence:
    return adherence_of_study(study(DONE, **options))


def test_numbers_are_those_worked_out_by_hand() -> None:
    numbers = answered().numbers()
    assert numbers["hold_60.participants"] == 3
    assert numbers["hold_60.minutes_prescribed_per_week"] == 12.0
    # Known weeks: 12, 12, 4, 4, 8 minutes; week 2 of P5 has no entry.
    assert numbers["hold_60.minutes_done_per_week"] == 8.0
    assert (numbers["hold_60.weeks_known"], numbers["hold_60.weeks_without_diary"]) == (5, 1)
    # Shares of the three: 1, 1/3, 2/3; quartiles by linear interpolation.
    assert numbers["hold_60.adherence_median"] == pytest.approx(2 / 3)
    assert numbers["hold_60.adherence_low_quarter"] == pytest.approx(0.5)
    assert numbers["hold_60.adherence_high_quarter"] == pytest.approx(5 / 6)


def test_an_arm_without_a_dose_is_not_shown() -> None:
    answer = answered()
    assert not any(key.startswith("usual") for key in answer.numbers())
    assert [row[0] for row in answer.table().rows] == ["60 s hold"]


def test_frame_by_week_headline_and_table_agree() -> None:
    answer = answered()
    frame = answer.to_frame()
    assert frame["week"].tolist() == [1, 2]
    assert frame["minutes_done"].tolist() == [8.0, 8.0]
    assert frame["participants"].tolist() == [3, 2]
    assert "67% (50% to 83%) in “60 s hold” (8.0 of 12.0 minutes a week)" in answer.headline
    assert answer.table().rows == (("60 s hold", "3 of 3", "12.0", "8.0", "67% (50% to 83%)", "1 of 6"),)
    assert any(caution.startswith("1 of 6 participant-weeks have no entry") for caution in answer.cautions)
    assert answer.figure().clipped_texts() == []


def test_an_audit_without_pathways_is_one_group() -> None:
    answer = answered(arms=False)
    assert answer.numbers()["all.participants_with_diary"] == 3
    assert answer.table().rows[0][0] == "All participants"


@pytest.mark.parametrize(
    ("made", "sentence"),
    [
        (study({}), "There is no diary"),
        (study(DONE, dosed=False), "nothing was prescribed"),  # minutes of no prescription at all are numbers too
        (study({"P0": [1]}), "No diary entry falls into a week in which something was prescribed"),
    ],
)
def test_what_cannot_be_answered_is_refused_in_a_sentence(made: Study, sentence: str) -> None:
    with pytest.raises(DesignError, match=sentence):
        adherence_of_study(made)
