"""Months and therapists: joined until enough people stand behind each group, and never one small group alone."""

from __future__ import annotations

import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from studykit.audit.groups import OTHERS, months_of, therapists_of


def visits(counts: dict[str, int], *, held: bool = True) -> pd.DataFrame:
    rows = [
        (pd.Timestamp(f"{month}-10"), f"{month} {n}", held) for month, count in counts.items() for n in range(count)
    ]
    return pd.DataFrame(rows, columns=["planned_on", "participant_id", "held"]).assign(visit="first")


def held_by(counts: dict[str, int]) -> pd.DataFrame:
    rows = [(code, f"{code} {n}") for code, count in counts.items() for n in range(count)]
    return pd.DataFrame(rows, columns=["rater_id", "participant_id"])


def test_small_months_are_joined_with_the_month_that_follows() -> None:
    found = months_of(visits({"2024-11": 6, "2024-12": 2, "2025-01": 3, "2025-02": 7, "2025-03": 1}), 5)
    assert found.labels == {
        "2024-11": "Nov 2024",
        "2024-12": "Dec 2024 to Jan 2025",
        "2025-02": "Feb to Mar 2025",
    }
    assert found.of["2025-01"] == "2024-12"
    assert found.joined == 4


def test_people_count_where_they_came() -> None:
    both = pd.concat([visits({"2025-01": 6}), visits({"2025-02": 9}, held=False)])
    assert list(months_of(both, 5).labels.values()) == ["Jan to Feb 2025"]


def test_visits_without_a_day_are_in_no_month() -> None:
    frame = visits({"2025-01": 6})
    frame.loc[0, "planned_on"] = pd.Timestamp("2025-01-11")
    frame.loc[6] = [pd.NaT, "late", True, "first"]
    assert list(months_of(frame, 5).of) == ["2025-01"]


def test_study_days_have_no_months() -> None:
    """Every first visit on one day, every second on another: the dates say nothing of the calendar."""
    frame = pd.concat([visits({"2000-01": 8}), visits({"2000-02": 8}).assign(visit="second")])
    assert months_of(frame, 5).labels == {}


def test_a_therapist_with_few_people_never_stands_alone_as_others() -> None:
    """One small therapist is joined with the next smallest; otherwise `others` would be that one."""
    found = therapists_of(held_by({"AB": 9, "CD": 3, "EF": 7, "GH": 20}), 5)
    assert found.labels == {"AB": "AB", "GH": "GH", OTHERS: "others (2)"}
    assert found.of == {"AB": "AB", "CD": OTHERS, "EF": OTHERS, "GH": "GH"}


def test_therapists_stand_in_the_order_of_their_codes() -> None:
    assert list(therapists_of(held_by({"Z": 30, "A": 6, "M": 12}), 5).labels) == ["A", "M", "Z"]


@given(st.lists(st.integers(1, 12), min_size=1, max_size=8), st.integers(2, 8))
def test_no_group_is_smaller_than_the_smallest_unless_there_is_only_one(sizes: list[int], smallest: int) -> None:
    frame = held_by({f"T{n}": size for n, size in enumerate(sizes)})
    found = therapists_of(frame, smallest)
    people = frame.groupby(frame["rater_id"].map(found.of))["participant_id"].nunique()
    assert len(people) == len(found.labels)
    assert len(people) == 1 or int(people.min()) >= smallest
    months = months_of(visits({f"2025-{n + 1:02d}": size for n, size in enumerate(sizes)}), smallest)
    assert set(months.of.values()) == set(months.labels)
    assert len(months.of) == (len(sizes) if len(sizes) > 1 else 0)
