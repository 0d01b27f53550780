"""Study days, pseudonyms, bands and columns left out: what changes, what stays, and that there is always a way out."""

from __future__ import annotations

import hashlib

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shared_studies import people, study_of

from studykit.data.sharing.privacy import IDENTIFIERS, concerns_of
from studykit.data.sharing.shareable import DAY_ZERO, LEFT_OUT, STUDY_DAYS, Sharing, one_way_out, pseudonym, shareable
from studykit.errors import CallError

KEY = bytes(range(32))


def hmac_by_hand(key: bytes, message: bytes) -> bytes:
    """HMAC-SHA256 from its definition: H(key ^ opad, H(key ^ ipad, message)), blocks of 64 bytes (RFC 2104)."""
    block = key.ljust(64, b"\0")
    inner = hashlib.sha256(bytes(byte ^ 0x36 for byte in block) + message).digest()
    return hashlib.sha256(bytes(byte ^ 0x5C for byte in block) + inner).digest()


def test_hand_made_hmac_gives_the_published_value() -> None:
    """Test case 2 of RFC 4231 (Nystrom 2005): key "Jefe", data "what do ya want for nothing?"; from memory."""
    assert hmac_by_hand(b"Jefe", b"what do ya want for nothing?").hex() == (
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    )


@given(st.text(max_size=30))
def test_pseudonym_is_the_hmac_in_letters(code: str) -> None:
    number = int.from_bytes(hmac_by_hand(KEY, f"participant_id\0{code}".encode("utf-8", "surrogatepass")), "big")
    letters = "bcdfghjkmnpqrstvwxz"
    expected = "p1_" + "".join(letters[number // 19**place % 19] for place in range(12))
    assert pseudonym(code, kind="participant_id", key=KEY) == expected


def test_pseudonyms_depend_on_key_and_kind_and_are_the_same_in_every_table() -> None:
    study = study_of(
        participants=people(3),
        raters={"rater_id": ["r1", "P1"]},
        measurements={"participant_id": ["P3", "P1", "P1"], "rater_id": ["r1", "P1", "r1"], "value": [1.0, 2.0, 3.0]},
        diary={"participant_id": ["P2", "P1"]},
    )
    shared = shareable(study, Sharing(key=KEY))
    names = {code: pseudonym(code, kind="participant_id", key=KEY) for code in ("P1", "P2", "P3")}
    assert set(shared.tables["participants"]["participant_id"]) == set(names.values())
    assert set(shared.tables["diary"]["participant_id"]) == {names["P1"], names["P2"]}
    readings = shared.tables["measurements"].set_index("value")["participant_id"]
    assert dict(readings) == {1.0: names["P3"], 2.0: names["P1"], 3.0: names["P1"]}
    assert pseudonym("P1", kind="rater_id", key=KEY) != names["P1"]
    assert pseudonym("P1", kind="participant_id", key=KEY[::-1]) != names["P1"]
    assert shared.protocol.raters == tuple(pseudonym(code, kind="rater_id", key=KEY) for code in ("r1", "r2"))


def test_rows_follow_the_pseudonyms_so_that_the_old_order_tells_nothing() -> None:
    study = study_of(participants=people(40, age_years=[float(n) for n in range(40)]))
    shared = shareable(study, Sharing(key=KEY)).tables["participants"]
    assert list(shared["participant_id"]) == sorted(shared["participant_id"])
    assert list(shared["age_years"]) != sorted(shared["age_years"])


def test_a_missing_code_stays_missing() -> None:
    study = study_of(prescriptions={"participant_id": [None, "P1"], "arm": ["a", None]})
    shared = shareable(study, Sharing(key=KEY)).tables["prescriptions"]
    assert shared["participant_id"].isna().sum() == 1


def test_a_short_key_is_refused_and_a_key_is_never_shown() -> None:
    with pytest.raises(CallError, match="at least 16"):
        Sharing(key=b"short")
    assert "x" * 20 not in repr(Sharing(key=b"x" * 20))


def test_study_days_keep_every_distance_within_a_person_and_lose_the_calendar() -> None:
    study = study_of(
        participants={"participant_id": ["P1", "P2"], "enrolled_on": ["2026-01-10", "2025-06-01"]},
        measurements={
            "participant_id": ["P1", "P1", "P2", "P3", "P3"],
            "measured_on": ["2026-01-08", "2026-04-01", "2025-06-01", "2024-02-29", "2024-03-02"],
        },
        flow={
            "participant_id": ["P1", "P3"],
            "stage": ["lost", "assessed"],
            "happened_on": ["2026-02-10", "2024-02-28"],
        },
    )
    shared = shareable(study, Sharing(dates=STUDY_DAYS))

    def days(table: str, column: str) -> list[int]:
        return [int(day) for day in (shared.tables[table][column] - pd.Timestamp(DAY_ZERO)).dt.days]

    assert days("participants", "enrolled_on") == [0, 0]
    assert days("measurements", "measured_on") == [-2, 81, 0, 1, 3]  # P3 never enrolled: counted from the first date
    assert days("flow", "happened_on") == [31, 0]
    assert study.tables["participants"]["enrolled_on"].iloc[0] == pd.Timestamp("2026-01-10")  # the study is as it was


@pytest.mark.parametrize("people", [["P1", "P2"], ["P1"], []])
def test_a_study_without_dates_has_no_days_to_count_and_stays_as_it_is(people: list[str]) -> None:
    study = study_of(
        participants={"participant_id": people}, measurements={"participant_id": ["P1", "P2"], "value": [1.0, 2.0]}
    )
    shared = shareable(study, Sharing(dates=STUDY_DAYS))
    for name, frame in study.tables.items():
        pd.testing.assert_frame_equal(shared.tables[name], frame)


def test_bands_hold_their_middle_and_stay_within_the_protocol() -> None:
    ages = [0.0, 9.99, 10.0, 34.5, 119.0, None]
    hours = [0.0, 19.0, 20.0, 39.0, 60.0, None]
    study = study_of(participants=people(6, age_years=ages, work_h=hours))
    shared = shareable(study, Sharing(coarsen={"participants.age_years": 10, "participants.work_h": 40}))
    np.testing.assert_array_equal(shared.tables["participants"]["age_years"], [5, 5, 15, 35, 115, np.nan])
    # 60 lies in the band from 40 to 80, whose middle is the limit of 60 itself
    np.testing.assert_array_equal(shared.tables["participants"]["work_h"], [20, 20, 20, 20, 60, np.nan])


def test_columns_left_out_are_empty_and_a_needed_one_holds_a_word() -> None:
    study = study_of(
        participants=people(2, site=["a", "b"]),
        events={"participant_id": ["P1", "P2"], "description": ["fell", None]},
    )
    shared = shareable(study, Sharing(leave_out=("participants.site", "events.description")))
    assert shared.tables["participants"]["site"].isna().all()
    assert shared.tables["participants"]["site"].dtype == study.tables["participants"]["site"].dtype
    assert shared.tables["events"]["description"].tolist()[0] == LEFT_OUT
    assert pd.isna(shared.tables["events"]["description"].tolist()[1])


@pytest.mark.parametrize(
    ("sharing", "words"),
    [
        ({"leave_out": ("people.site",)}, "no table"),
        ({"leave_out": ("participants.shoe_size",)}, "no column 'shoe_size'"),
        ({"leave_out": ("measurements.value",)}, "cannot be left out"),
        ({"leave_out": ("participants.participant_id",)}, "cannot be left out"),
        ({"leave_out": ("participants.arm",)}, "cannot be left out"),
        ({"looked_at": ("note",)}, "no table"),
        ({"coarsen": {"participants.sex": 10}}, "cannot be made into bands"),
        ({"coarsen": {"measurements.value": 10}}, "cannot be made into bands"),
        ({"coarsen": {"participants.age_years": 0}}, "above 0"),
        ({"coarsen": {"participants.age_years": float("nan")}}, "above 0"),
    ],
)
def test_choices_that_are_not_possible_are_refused(sharing: dict[str, object], words: str) -> None:
    with pytest.raises(CallError, match=words):
        shareable(study_of(participants=people(2)), Sharing(**sharing))  # type: ignore[arg-type]
    with pytest.raises(CallError, match="allowed are 'calendar', 'study days'"):
        Sharing(dates="weeks")


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["female", "male", None]),
            st.one_of(st.none(), st.floats(18, 90)),
            st.sampled_from(["quay", "ship", "South Quay"]),
            st.sampled_from(["chess", "rowing", None]),
            st.floats(150, 200),
        ),
        min_size=1,
        max_size=25,
    )
)
def test_there_is_always_a_way_out(rows: list[tuple[str | None, float | None, str, str | None, float]]) -> None:
    sexes, ages, sites, sports, heights = zip(*rows, strict=True)
    study = study_of(
        participants=people(
            len(rows),
            sex=sexes,
            age_years=ages,
            site=sites,
            sport=sports,
            height_cm=heights,
            enrolled_on=["2026-01-05"] * len(rows),
        ),
        measurements={"participant_id": ["P1"], "note": ["Zebedee Quillfeather"], "measured_on": ["2026-01-05"]},
        events={"participant_id": ["P1"], "description": ["fell"], "happened_on": ["2026-02-05"]},
    )
    way = one_way_out(study, Sharing())
    left = concerns_of(shareable(study, way), calendar=way.dates != STUDY_DAYS, looked_at=way.looked_at)
    assert not [concern for concern in left if not set(concern.columns) & IDENTIFIERS]
    assert not set(way.looked_at)  # nobody is said to have looked


def test_the_way_out_keeps_what_it_can() -> None:
    """Ages by ten years are enough here; leaving the column out would be too much."""
    study = study_of(participants=people(20, age_years=[30.0 + n / 4 for n in range(20)], sex=["male"] * 20))
    way = one_way_out(study, Sharing())
    assert way.coarsen == {"participants.age_years": 10.0}
    assert way.leave_out == ()
    assert way.dates == "calendar"  # no dates, nothing to count
