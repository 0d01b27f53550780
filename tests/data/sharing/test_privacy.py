"""Identifiers and small groups are seen, counted and never repeated."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shared_studies import PROTOCOL, people, study_of

from studykit.data.sharing.privacy import (
    DATE,
    DAYS,
    EMAIL,
    HEADING,
    NAME,
    NUMBER,
    SMALL,
    TEXT,
    concerns_frame,
    concerns_of,
    people_standing_out,
)
from studykit.data.study import Study


def kinds_at(study: Study, place: str, **options: object) -> set[str]:
    return {concern.kind for concern in concerns_of(study, **options) if concern.place == place}  # type: ignore[arg-type]


def sites(word: str) -> Study:
    """Eight participants, one of whom has this word as site."""
    return study_of(participants=people(8, site=[word, *["quay"] * 7]), smallest=2)


@pytest.mark.parametrize(
    ("cell", "kind"),
    [
        ("zebedee.quillfeather@example.org", EMAIL),
        ("14.05.1962", DATE),
        ("born 1962-05-14", DATE),
        ("5/14/62", DATE),
        ("14 May 1962", DATE),
        ("3. März 1971", DATE),
        ("MRN 00482913", NUMBER),
        ("943 476 5919", NUMBER),
        ("+44 20 7946 0958", NUMBER),
        ("(030) 901820", NUMBER),
        ("19620514", NUMBER),
        ("Zebedee Quillfeather", NAME),
        ("Quillfeather, Zebedee", NAME),
        ("Zebedee J. Quillfeather", NAME),
        ("Ömer Ümit", NAME),
        ("seen by Dr Quillfeather", NAME),
        ("Mrs. Q", NAME),
    ],
)
def test_what_identifies_a_person_is_seen(cell: str, kind: str) -> None:
    assert kind in kinds_at(sites(cell), "participants.site")


@pytest.mark.parametrize("cell", ["quay", "north_quay", "ward 12", "room 4-2", "site A", "95.5", "12 weeks", "12345"])
def test_plain_words_are_not_taken_for_identifiers(cell: str) -> None:
    assert kinds_at(sites(cell), "participants.site") <= {SMALL}


@pytest.mark.parametrize("code", ["Quillfeather", "zebedee", "ZQ19620514", "Zebedee Quillfeather", "00482913"])
def test_codes_that_are_names_or_numbers_are_seen(code: str) -> None:
    study = study_of(participants={"participant_id": [code, "P2"]})
    assert kinds_at(study, "participants.participant_id") & {NAME, NUMBER}
    study = study_of(raters={"rater_id": [code, "r1"]})
    assert kinds_at(study, "raters.rater_id") & {NAME, NUMBER}


@pytest.mark.parametrize("code", ["P1", "F001", "AB", "rater_1", "goniometer_2", "KNEE-12", "p1_bcdfghjkmnpq"])
def test_plain_codes_are_no_identifiers(code: str) -> None:
    study = study_of(participants={"participant_id": [code]}, raters={"rater_id": [code]})
    assert not kinds_at(study, "participants.participant_id") | kinds_at(study, "raters.rater_id")


def test_a_place_that_enough_people_share_is_no_name() -> None:
    shared = study_of(participants=people(8, site=["South Quay"] * 5 + ["x"] * 3))
    assert NAME not in kinds_at(shared, "participants.site")
    rare = study_of(participants=people(8, site=["South Quay"] * 4 + ["x"] * 4))
    assert NAME in kinds_at(rare, "participants.site")


@pytest.mark.parametrize(("table", "column"), [("measurements", "note"), ("events", "description"), ("flow", "reason")])
def test_free_text_is_refused_whatever_it_says_until_somebody_looked(table: str, column: str) -> None:
    study = study_of(**{table: {"participant_id": ["P1"], column: ["all well"]}})
    assert kinds_at(study, f"{table}.{column}") == {TEXT}
    assert not kinds_at(study, f"{table}.{column}", looked_at=[f"{table}.{column}"])


def test_looking_clears_a_name_and_never_an_address_or_a_number() -> None:
    note = {"participant_id": ["P1", "P2", "P3"], "note": ["a@b.org", "14.05.1962", "00482913"]}
    study = study_of(measurements=note)
    assert kinds_at(study, "measurements.note", looked_at=["measurements.note"]) == {EMAIL, DATE, NUMBER}


def test_a_covariate_that_is_called_after_an_identifier_is_seen() -> None:
    protocol = PROTOCOL.replace("[covariates.sport]\nlabel", "[covariates.surname]\nlabel")
    study = study_of(protocol=protocol, participants=people(2, surname=["x", "y"]))
    assert HEADING in kinds_at(study, "participants.surname")
    born = PROTOCOL.replace('"Hours at work"', '"Day of birth"').replace("high = 60\n", "")
    study = study_of(protocol=born, participants=people(2, work_h=[19620514.0, 19710303.0]))
    assert {HEADING, NUMBER} <= kinds_at(study, "participants.work_h")


def test_words_that_the_protocol_allows_by_name_are_no_names() -> None:
    protocol = PROTOCOL.replace('label = "Sport"\n', 'label = "Sport"\nallowed = ["Table Tennis"]\n')
    cells = people(2, sport=["Table Tennis", None])
    assert NAME not in kinds_at(study_of(protocol=protocol, participants=cells), "participants.sport")
    assert NAME in kinds_at(study_of(participants=cells), "participants.sport")


def test_no_value_is_ever_repeated() -> None:
    canaries = ["Zebedee Quillfeather", "14.05.1962", "MRN00482913", "zq@example.org"]
    study = study_of(
        participants={"participant_id": canaries, "site": canaries, "sport": canaries, "age_years": [71.25, 8, 9, 10]},
        measurements={"participant_id": canaries, "note": canaries, "instrument": canaries},
        raters={"rater_id": canaries, "profession": canaries},
    )
    concerns = concerns_of(study)
    said = concerns_frame(concerns).to_csv() + repr(concerns)
    assert len(concerns) > 10
    for canary in [*canaries, "Zebedee", "1962", "00482913", "71.25"]:
        assert canary not in said


@given(st.lists(st.sampled_from(["female", "male", None]), min_size=1, max_size=30), st.integers(2, 8))
def test_small_groups_are_counted_as_by_hand(sexes: list[str | None], smallest: int) -> None:
    """Second route: counting with the standard library."""
    study = study_of(smallest=smallest, participants=people(len(sexes), sex=sexes))
    few = {sex: size for sex, size in Counter(sexes).items() if size < smallest}
    has_column = any(sex is not None for sex in sexes)
    small = [concern for concern in concerns_of(study) if concern.kind == SMALL]
    assert sum(concern.count for concern in small) == (len(few) if has_column else 0)
    assert people_standing_out(study) == (sum(few.values()) if has_column else 0)


def test_two_harmless_columns_can_make_people_stand_out_together() -> None:
    """Five women and five men, five aged 30 and five aged 40, but only one woman of 40."""
    sexes = ["female"] * 5 + ["male"] * 5
    ages = [30.0] * 4 + [40.0] + [30.0] + [40.0] * 4
    study = study_of(participants=people(10, sex=sexes, age_years=ages))
    small = [concern for concern in concerns_of(study) if concern.kind == SMALL]
    assert [concern.columns for concern in small] == [("sex", "age_years")]
    assert "4 groups of fewer than 5 people by sex and age_years: 10 of 10 participants stand out" in small[0].sentence


def test_calendar_dates_are_counted_by_people_and_not_by_rows() -> None:
    days = ["2026-01-05"] * 6 + ["2026-01-06"] * 6
    who = [f"P{n}" for n in range(6)] + ["P1"] * 6
    study = study_of(measurements={"participant_id": who, "measured_on": days})
    (concern,) = (each for each in concerns_of(study) if each.kind == DAYS)
    assert concern.place == "measurements.measured_on"
    assert concern.sentence == "1 of 2 days are days of fewer than 5 people"
    assert not [each for each in concerns_of(study, calendar=False) if each.kind == DAYS]
