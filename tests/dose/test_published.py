"""Common practice and published doses: marked for what they are, and the arms that meet them."""

from __future__ import annotations

import pytest
from dose_cases import dose_study, dose_text
from made_studies import protocol_text, study_of

from studykit.dose.published import published_doses, published_of_study
from studykit.errors import DesignError
from studykit.protocol import Dose

SEEN = {"abstract seen", "summary seen, article not", "common practice, no source"}


def test_every_entry_says_how_far_it_was_looked_at() -> None:
    known = published_doses()
    assert known.common_practice.seen == "common practice, no source"
    assert {one.seen for one in known.published} <= SEEN - {"common practice, no source"}
    assert all(one.source and one.found and one.asked for one in known.published)
    assert len({one.key for one in known.published}) == len(known.published)


def test_common_practice_is_one_minute_on_four_to_six_days() -> None:
    practice = published_doses().common_practice
    assert practice.minutes_per_week == (4.0, 6.0)
    assert (practice.hold_s_least, practice.weeks) == (60.0, 12.0)


@pytest.mark.parametrize(
    ("hold_s", "days", "weeks", "meets"),
    [
        (60, 6, 12, True),
        (60, 4, 12, True),
        (59, 6, 12, False),
        (60, 3, 12, False),
        (60, 7, 12, False),
        (60, 6, 8, False),
    ],
)
def test_an_arm_meets_it_when_hold_days_and_weeks_do(hold_s: float, days: float, weeks: float, meets: bool) -> None:
    dose = Dose(hold_s=hold_s, repetitions=1, sessions_per_day=1, days_per_week=days, weeks=weeks)
    assert published_doses().common_practice.met_by(dose) is meets


def test_answer_names_the_arms_that_meet_it() -> None:
    found = published_of_study(dose_study([0.0] * 5))
    numbers = found.numbers()
    assert numbers["h60d6.meets_common_practice"] == 1.0
    assert numbers["h60d3.meets_common_practice"] == 0.0
    assert "“H60d6” was asked for that" in found.headline
    assert found.table().rows[0][-1] == "common practice, no source"
    assert len(found.table().rows) == len(found.to_frame())
    assert any("no advice for a person" in caution for caution in found.cautions)


def test_no_arm_is_said_as_such() -> None:
    doses = {"a": dose_text(30, 3), "b": dose_text(45, 3)}
    found = published_of_study(dose_study([0.0, 0.0], arms={"a": (30, 3), "b": (45, 3)}, doses=doses))
    assert "In this study no arm was asked for that." in found.headline


def test_a_study_without_any_dose_has_nothing_to_set_beside() -> None:
    with pytest.raises(DesignError, match="No dose was asked for"):
        published_of_study(study_of(protocol_text()))
