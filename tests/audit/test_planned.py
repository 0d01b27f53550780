"""What was planned and what is there, counted by hand on four people."""

from __future__ import annotations

import pandas as pd
import pytest
from audit_cases import small_audit
from made_studies import protocol_text, study_of

from studykit.audit.planned import planned_visits
from studykit.errors import DesignError

Reading = tuple[object, ...]


def three_trials(person: str, visit: str, day: str | None, side: str, rater: str = "r1") -> list[Reading]:
    return [(person, visit, day, side, rater, trial, 60.0 + trial) for trial in (1, 2, 3)]


def four_people() -> list[Reading]:
    """A: all there. B: one side at the second visit, a trial lacking at the first. C: second visit 20 days late and by
    two therapists. D: first visit only."""
    return [
        *three_trials("A", "baseline", "2025-01-06", "left"),
        *three_trials("A", "baseline", "2025-01-06", "right"),
        *three_trials("A", "week_6", "2025-02-17", "left"),
        *three_trials("A", "week_6", "2025-02-17", "right"),
        *three_trials("B", "baseline", "2025-01-08", "left")[:2],
        *three_trials("B", "baseline", "2025-01-08", "right"),
        *three_trials("B", "week_6", "2025-02-18", "left"),
        *three_trials("C", "baseline", "2025-01-06", "left"),
        *three_trials("C", "baseline", "2025-01-06", "right"),
        *three_trials("C", "week_6", "2025-03-09", "left", "r2"),
        *three_trials("C", "week_6", "2025-03-09", "right", "r2"),
        *three_trials("C", "week_6", "2025-03-09", "right", "r3"),
        *three_trials("D", "baseline", "2025-02-03", "left"),
        *three_trials("D", "baseline", "2025-02-03", "right"),
    ]


ENROLLED = {"A": "2025-01-06", "B": "2025-01-06", "C": "2025-01-06", "D": "2025-02-03"}


def test_every_visit_is_set_beside_its_plan() -> None:
    found = planned_visits(small_audit(four_people(), ENROLLED))
    at = found.visits.set_index(["participant_id", "visit"])
    # The last reading inside a window is B's of 18 February; D's second visit (17 March) was not due then.
    assert found.last_day == pd.Timestamp("2025-02-18")
    assert found.not_due == 1
    assert ("D", "week_6") not in at.index
    assert at["held"].all()
    assert at["cells_planned"].tolist() == [2] * 7
    assert at["trials_planned"].tolist() == [6] * 7
    assert at.loc[("B", "week_6"), ["cells_read", "trials_done"]].tolist() == [1, 3]
    assert at.index[~at["sides_done"]].tolist() == [("B", "week_6")]
    assert at.index[~at["trials_complete"]].tolist() == [("B", "baseline"), ("B", "week_6")]
    assert at.index[at["in_window"] == False].tolist() == [("C", "week_6")]  # noqa: E712 - a column that may lack
    assert at.loc[("C", "week_6"), "days_off"] == 20.0
    assert at.loc[("B", "baseline"), "days_off"] == 2.0
    assert at.loc[("C", "week_6"), "rater_id"] == "r2"
    assert found.fields == ("measured_on",)


def test_a_visit_that_did_not_take_place_is_due_once_its_window_has_closed() -> None:
    later = [*four_people(), *three_trials("D", "baseline", "2025-02-04", "left")[:0]]
    rows = [row for row in later if row[:2] != ("B", "week_6")]
    late = [*rows, *three_trials("A", "week_6", "2025-02-24", "left")]
    found = planned_visits(
        small_audit([*late, *three_trials("E", "baseline", "2025-03-20", "left")], {**ENROLLED, "E": "2025-03-20"})
    )
    at = found.visits.set_index(["participant_id", "visit"])
    assert not at.loc[("B", "week_6"), "held"]
    assert pd.isna(at.loc[("B", "week_6"), "rater_id"])
    # D's window ends on 24 March, four days after the last reading.
    assert ("D", "week_6") not in at.index


def test_a_mistyped_year_makes_nothing_due() -> None:
    wrong = [*four_people(), *three_trials("D", "week_6", "2035-03-17", "left")]
    assert planned_visits(small_audit(wrong, ENROLLED)).last_day == pd.Timestamp("2025-02-18")


def test_without_dates_every_visit_is_due_and_no_day_is_known() -> None:
    rows = [(*row[:2], None, *row[3:]) for row in four_people()]
    found = planned_visits(small_audit(rows, dict.fromkeys(ENROLLED)))
    assert (len(found.visits), found.not_due, found.last_day) == (8, 0, None)
    assert found.visits["days_off"].isna().all()
    assert found.visits["in_window"].isna().all()


def test_what_is_planned_follows_the_group() -> None:
    """In a group in which nobody was read on both sides one side is planned."""
    rows = [row for row in four_people() if row[3] == "left"]
    assert set(planned_visits(small_audit(rows, ENROLLED)).visits["cells_planned"]) == {1}


def test_nothing_planned_is_refused() -> None:
    empty = study_of(protocol_text(design="audit", arms={}))
    with pytest.raises(DesignError, match="needs planned visits and participants"):
        planned_visits(empty)
