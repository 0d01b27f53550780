"""Who did as asked, and who was still practising, against sums by hand."""

from __future__ import annotations

import dataclasses

import pytest
from diary_cases import days_of, with_choices, with_diary
from made_studies import made_trial

from studykit.errors import DesignError
from studykit.sensitivity.practice import adherent_people, still_practising
from studykit.vocabulary import DIARY

STUDY = with_diary()
PEOPLE = STUDY.table("participants")
PLACE = {who: place for place, who in enumerate(PEOPLE["participant_id"])}
TREATED = {who for who, arm in zip(PEOPLE["participant_id"], PEOPLE["arm"], strict=True) if arm == "hold_60"}


def test_adherence_is_minutes_done_over_minutes_asked() -> None:
    """10 minutes a week are asked for; who practises d days does 2 d of them in the weeks with a diary."""
    enough = adherent_people(STUDY, "missing")
    for who in TREATED:
        # A week without any row is not known; people who practise on no day have no known week at all.
        assert (who in enough) == (days_of(PLACE[who]) >= 4), who
    assert set(PEOPLE["participant_id"]) - TREATED <= enough


def test_gaps_taken_as_nothing_done_lower_adherence() -> None:
    enough = adherent_people(STUDY, "nothing done")
    for who in TREATED:
        weeks = 6 if PLACE[who] % 5 == 0 else 12
        assert (who in enough) == (days_of(PLACE[who]) * weeks / (5 * 12) >= 0.8 - 1e-9), who


def test_exactly_the_share_asked_for_is_enough() -> None:
    study = with_choices(STUDY, enough_adherence=0.8)
    four_days = next(who for who in TREATED if days_of(PLACE[who]) == 4)  # 8 of 10 minutes
    assert four_days in adherent_people(study, "missing")
    assert four_days not in adherent_people(with_choices(STUDY, enough_adherence=0.81), "missing")


def test_still_practising_looks_at_the_two_weeks_before_a_visit() -> None:
    found = still_practising(STUDY, STUDY.protocol.visits)
    for who in PEOPLE["participant_id"]:
        if who not in TREATED:
            assert found.loc[who].all()
            continue
        days, stopped = days_of(PLACE[who]) > 0, PLACE[who] % 5 == 0
        assert found.loc[who, "week_6"] == days
        assert found.loc[who, "week_12"] == (days and not stopped)


def test_without_a_diary_or_a_prescription_nothing_is_known() -> None:
    with pytest.raises(DesignError, match="There is no diary"):
        adherent_people(made_trial(20), "missing")
    arms = {key: arm.model_copy(update={"dose": None}) for key, arm in STUDY.protocol.arms.items()}
    nothing = dataclasses.replace(STUDY, protocol=STUDY.protocol.model_copy(update={"arms": arms}))
    assert not nothing.table(DIARY).empty
    with pytest.raises(DesignError, match="Nothing was prescribed"):
        adherent_people(nothing, "missing")
