"""What enters a model of change: trials as the protocol says, nothing left out without a word."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from made_studies import MEASURE, TRIAL_ARMS, made_audit, made_trial, protocol_text, readings_frame, study_of

from studykit.change.readings import change_visits, readings_for_change
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.protocol import parse_protocol


def small(trials_used: str = "mean", **changes: object) -> Study:
    """Four people in two arms, two visits, one side, three trials: 10, 12 and 17 at first; 5 more later."""
    values = np.zeros((4, 2, 1, 3)) + np.array([10.0, 12.0, 17.0]) + np.array([0.0, 5.0])[:, None, None]
    values += np.arange(4.0)[:, None, None, None]
    readings = readings_frame(values, visits=("baseline", "week_12"), sides=("left",))
    people = pd.DataFrame({"participant_id": [f"P00{n}" for n in range(4)], "arm": ["usual", "hold_60"] * 2})
    text = protocol_text(visits=("baseline", "week_12"), weeks=(0, 12), lines=f'trials_used = "{trials_used}"')
    tables = {"measurements": readings, "participants": people, **changes}
    return study_of(text, **tables)  # type: ignore[arg-type]


@pytest.mark.parametrize(("trials_used", "first"), [("mean", 13.0), ("best", 17.0)])
def test_trials_are_taken_as_the_protocol_says(trials_used: str, first: float) -> None:
    readings = readings_for_change(small(trials_used))
    at_start = readings.rows[(readings.rows["participant_id"] == "P000") & (readings.rows["visit"] == "baseline")]
    assert at_start["value"].tolist() == [first]
    assert len(readings.rows) == 8
    assert trials_used in readings.outcome_words


def test_all_trials_are_kept_when_the_protocol_says_so() -> None:
    readings = readings_for_change(small("all"))
    assert len(readings.rows) == 24
    assert readings.outcome_words == "a single trial of one limb at one visit"


def test_the_order_of_the_sheet_does_not_matter() -> None:
    study = made_trial(8)
    shuffled = study.table("measurements").sample(frac=1.0, random_state=3)
    other = study_of(protocol_text(), measurements=shuffled, participants=study.table("participants").iloc[::-1])
    pd.testing.assert_frame_equal(readings_for_change(other).rows, readings_for_change(study).rows)


def test_change_of_people_is_the_mean_over_sides_measured_twice() -> None:
    values = np.array([[[10.0, 20.0], [13.0, 25.0]], [[10.0, np.nan], [14.0, 30.0]]])
    people = readings_for_change(made_audit(values)).change_of_people()
    assert people.set_index("participant_id")["change"].to_dict() == {"P000": 4.0, "P001": 4.0}


def with_gap(rule: str) -> Study:
    study = made_trial(8)
    rows = study.table("measurements")
    gone = (rows["participant_id"] == "P003") & (rows["visit"] == "week_6")
    text = protocol_text(lines=f'missing_visits = "{rule}"')
    return study_of(text, measurements=rows[~gone], participants=study.table("participants"))


def test_all_observed_visits_keeps_everybody_and_says_so() -> None:
    readings = readings_for_change(with_gap("all observed visits"))
    assert readings.rows["participant_id"].nunique() == 8
    assert readings.notes == (
        "7 of 8 participants were measured at every visit; as the protocol says, all visits that were made are used.",
    )


def test_complete_participants_leaves_out_and_counts() -> None:
    readings = readings_for_change(with_gap("complete participants"))
    assert set(readings.rows["participant_id"]) == {f"P00{n}" for n in range(8)} - {"P003"}
    assert readings.notes == (
        "7 of 8 participants were measured at every visit; as the protocol says, only they are used (1 left out).",
    )


def test_people_without_an_arm_are_left_out_and_counted() -> None:
    people = pd.DataFrame({"participant_id": [f"P00{n}" for n in range(4)], "arm": ["usual", "hold_60", "usual", None]})
    rows = small().table("measurements")
    extra = rows[rows["participant_id"] == "P001"].assign(participant_id="P004")
    more = pd.concat([people, pd.DataFrame({"participant_id": ["P004"], "arm": ["hold_60"]})])
    readings = readings_for_change(small(participants=more, measurements=pd.concat([rows, extra])))
    assert readings.notes[0] == "1 participant without an arm left out (2 outcomes)."
    assert "P003" not in set(readings.rows["participant_id"])


@pytest.mark.parametrize("named", ['visit = "sitting"', 'sessions = ["baseline", "sitting"]'])
def test_a_sitting_held_for_reliability_is_set_apart(named: str) -> None:
    text = protocol_text(
        visits=("baseline", "sitting", "week_12"),
        weeks=(0, 0, 12),
        more=f'[reliability]\nrated_by = "every rater"\n{named}',
    )
    visits, notes = change_visits(parse_protocol(text))
    assert [visit.key for visit in visits] == ["baseline", "week_12"]
    assert notes == ("Sitting (same week as Baseline) was held to compare raters and is not used here.",)


def test_a_visit_of_its_own_week_stays_even_if_raters_were_compared_there() -> None:
    text = protocol_text(more='[reliability]\nrated_by = "every rater"\nvisit = "week_6"')
    visits, notes = change_visits(parse_protocol(text))
    assert [visit.key for visit in visits] == ["baseline", "week_6", "week_12"]
    assert notes == ()


def without(study: Study, **where: str) -> Study:
    """The study without the readings in which every named column has the given value."""
    rows = study.table("measurements")
    arms = study.table("participants").set_index("participant_id")["arm"]
    hit = pd.Series(True, index=rows.index)
    for column, value in where.items():
        hit &= (rows["participant_id"].map(arms) if column == "arm" else rows[column]) == value
    return study_of(protocol_text(), measurements=rows[~hit], participants=study.table("participants"))


def constant(study: Study) -> Study:
    rows = study.table("measurements").assign(value=120.0)
    return study_of(protocol_text(), measurements=rows, participants=study.table("participants"))


def one_each(study: Study) -> Study:
    rows = study.table("measurements")
    kept = rows[rows["participant_id"].isin(["P000", "P001"])]
    return study_of(protocol_text(), measurements=kept, participants=study.table("participants"))


TRIAL = made_trial(8)


@pytest.mark.parametrize(
    ("study", "sentence"),
    [
        (without(TRIAL, visit="baseline"), "Nobody has a reading of .* at Baseline, so there is no change to Week 12"),
        (without(TRIAL, visit="week_12"), "Nobody has a reading of .* at Week 12"),
        (without(TRIAL, measure=MEASURE), "There is no reading of .* at any visit"),
        (without(TRIAL, arm="usual"), "Nobody in the control arm has a reading"),
        (without(TRIAL, arm="hold_60"), "Only the control arm has readings"),
        (without(TRIAL, arm="hold_60", visit="week_12"), "Nobody in 60 s hold has a reading of .* at Week 12"),
        (constant(TRIAL), "Every reading of .* is the same number"),
        (one_each(TRIAL), "Only one participant in Usual care and 60 s hold has a reading"),
    ],
)
def test_what_cannot_be_answered_is_refused_in_one_sentence(study: Study, sentence: str) -> None:
    with pytest.raises(DesignError, match=sentence):
        readings_for_change(study)


def test_a_pathway_that_nobody_measured_at_the_baseline_is_refused() -> None:
    values = np.random.default_rng(1).normal(90.0, 5.0, (12, 3, 1))
    values[6:, 0] = np.nan
    sentence = "Nobody in Pathway b has a reading of knee flexion lying face down at Baseline, so there is no change"
    with pytest.raises(DesignError, match=f"(?i){sentence}"):
        readings_for_change(made_audit(values, pathways=["a"] * 6 + ["b"] * 6))


def test_a_graded_measure_has_no_mean_change() -> None:
    study = study_of(protocol_text(more="[measures.half_kneeling_lunge]"))
    with pytest.raises(DesignError, match="is graded: a difference of grades is no amount"):
        readings_for_change(study, "half_kneeling_lunge")


def test_arms_stand_in_the_order_of_the_protocol() -> None:
    assert list(readings_for_change(TRIAL).arms) == list(TRIAL_ARMS)
