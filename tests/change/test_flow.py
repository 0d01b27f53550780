"""The participant flow as an answer: counts by hand, one sentence where they do not add up."""

from __future__ import annotations

import dataclasses

import pandas as pd
import pytest
from made_studies import made_audit, made_trial, protocol_text, study_of

from studykit.change import ParticipantFlow, flow_of_study
from studykit.change.flow import OTHER_REASONS, join_small_reasons
from studykit.data.study import Study
from studykit.errors import DesignError, FitError

TRIAL = made_trial(12)


def flow_rows(**stages: list[str]) -> pd.DataFrame:
    """`lost=["P001 moved away"]`: person and, after a space, the reason."""
    rows = [
        (entry.split(" ", 1)[0], stage, entry.split(" ", 1)[1] if " " in entry else None)
        for stage, entries in stages.items()
        for entry in entries
    ]
    return pd.DataFrame(rows, columns=["participant_id", "stage", "reason"])


def with_flow(flow: pd.DataFrame, without_last: tuple[str, ...] = ()) -> Study:
    rows = TRIAL.table("measurements")
    gone = rows["participant_id"].isin(without_last) & (rows["visit"] == "week_12")
    text = protocol_text(more="[privacy]\nsmallest_group = 2")
    return study_of(text, measurements=rows[~gone], participants=TRIAL.table("participants"), flow=flow)


EVERYBODY = [f"P{n:03d}" for n in range(12)]
FLOW = flow_rows(
    assessed=[*EVERYBODY, "S1", "S2", "S3"],
    excluded=["S1 declined", "S2 declined", "S3 recent surgery"],
    randomised=EVERYBODY,
    received=EVERYBODY,
    lost=["P001 moved away", "P003 no time", "P002 no time"],
    analysed=[person for person in EVERYBODY if person not in ("P001", "P003")],
)
ANSWER = flow_of_study(with_flow(FLOW, without_last=("P001", "P002", "P003")))


def test_numbers_are_those_counted_by_hand() -> None:
    numbers = ANSWER.numbers()
    assert (numbers["assessed"], numbers["excluded"], numbers["randomised"]) == (15, 3, 12)
    # Even numbers are in usual care, odd ones in the other arm; six each.
    assert [numbers[f"usual.{stage}"] for stage in ("allocated", "received", "lost", "analysed", "measured")] == [
        6, 6, 1, 6, 5,
    ]  # fmt: skip
    assert [numbers[f"hold_60.{stage}"] for stage in ("allocated", "lost", "analysed", "measured")] == [6, 2, 4, 4]


def test_headline_table_and_figure_say_the_same() -> None:
    assert ANSWER.headline == (
        "Of 15 assessed, 3 excluded, 12 randomised, 9 of 12 (75%) have a reading of the primary measure "
        "(Knee flexion lying face down) at Week 12."
    )
    table = ANSWER.table()
    assert [column.heading for column in table.columns] == ["Stage", "Usual care", "60 s hold"]
    assert ("Lost", "1", "2") in table.rows
    assert ("– no time", "1", "1") in table.rows
    assert (f"– {OTHER_REASONS}", "0", "1") in table.rows
    assert ("Primary measure read at Week 12", "5", "4") in table.rows
    assert "Excluded: 3 (declined: 2 and other reasons: 1)." in table.notes
    assert any(note.startswith("Reasons that fewer than 2 people gave are joined") for note in table.notes)
    assert not any(word in f"{table.rows}{table.notes}{drawing_words(ANSWER)}" for word in ("surgery", "moved away"))
    drawing = ANSWER.figure()
    assert "15 assessed, 3 excluded and 12 randomised" in drawing.alt
    assert drawing.clipped_texts() == []


def drawing_words(answer: ParticipantFlow) -> str:
    drawing = answer.figure()
    return f"{drawing.alt} {[text.get_text() for axes in drawing.figure.axes for text in axes.texts]}"


def test_reasons_of_few_people_are_joined_and_totals_stay() -> None:
    lines = [
        ("assessed", "", "", 20),
        ("excluded", "", "not randomised, no reason recorded", 1),
        ("excluded", "", "recent surgery", 1),
        ("excluded", "", "declined", 3),
        ("excluded", "", "pregnant", 1),
        ("allocated", "A", "", 7),
        ("lost", "A", "no time", 2),
        ("lost", "A", "", 1),
        ("allocated", "B", "", 7),
        ("lost", "B", "illness", 2),
        ("lost", "B", "no time", 1),
        ("lost", "B", "declined", 1),
    ]
    counts = pd.DataFrame(lines, columns=["stage", "arm", "reason", "count"])
    joined, reasons = join_small_reasons(counts, 3)
    assert reasons == 4
    assert list(joined.itertuples(index=False, name=None)) == [
        ("assessed", "", "", 20),
        ("excluded", "", "not randomised, no reason recorded", 1),
        ("excluded", "", "declined", 3),
        ("excluded", "", OTHER_REASONS, 2),
        ("allocated", "A", "", 7),
        ("lost", "A", "no time", 2),
        ("lost", "A", "", 1),
        ("allocated", "B", "", 7),
        ("lost", "B", "no time", 1),
        ("lost", "B", OTHER_REASONS, 3),
    ]
    keys = ["stage", "arm"]
    pd.testing.assert_series_equal(joined.groupby(keys)["count"].sum(), counts.groupby(keys)["count"].sum())
    pd.testing.assert_frame_equal(join_small_reasons(counts, 1)[0], counts)


def test_cautions_name_uneven_loss_and_a_flow_table_that_differs() -> None:
    said = " ".join(ANSWER.cautions)
    assert "from 67% (“60 s hold”) to 83% (“Usual care”)" in said
    assert "in “Usual care” it differs from the number with a reading at Week 12" in said


@pytest.mark.parametrize("kept", [1, 5])
def test_a_flow_table_that_was_begun_and_not_kept_is_told_apart_from_loss(kept: int) -> None:
    begun = flow_rows(randomised=EVERYBODY[:kept])
    with pytest.raises(DesignError, match="Write every person and stage into the flow table"):
        flow_of_study(with_flow(begun))


def test_without_a_flow_table_the_tables_are_counted() -> None:
    answer = flow_of_study(with_flow(flow_rows(), without_last=("P001",)))
    assert answer.numbers()["hold_60.measured"] == 5
    assert answer.headline == (
        "Of 12 participants, 11 of 12 (92%) have a reading of the primary measure "
        "(Knee flexion lying face down) at Week 12."
    )
    assert "participants and measurements tables" in answer.methods


def test_an_audit_without_pathways_has_one_column() -> None:
    values = TRIAL.table("measurements").query("trial == 1")["value"].to_numpy().reshape(12, 3, 2)
    answer = flow_of_study(made_audit(values))
    assert [column.heading for column in answer.table().columns] == ["Stage", "All participants"]
    assert "STROBE" in answer.methods
    assert answer.figure().clipped_texts() == []


def test_a_pathway_that_is_read_by_another_measure_is_no_loss() -> None:
    values = TRIAL.table("measurements").query("trial == 1")["value"].to_numpy().reshape(12, 3, 2)
    audit = made_audit(values, pathways=["knee"] * 8 + ["hip"] * 4)
    rows = audit.table("measurements")
    hip = rows["participant_id"].isin([f"P{n:03d}" for n in range(8, 12)])
    gone = (rows["participant_id"] == "P000") & (rows["visit"] == "week_12")
    whole = {name: audit.table(name) for name in audit.tables}
    answer = flow_of_study(dataclasses.replace(audit, tables={**whole, "measurements": rows[~hip & ~gone]}))
    assert answer.headline == (
        "Of 12 participants, 7 of 8 (88%) have a reading of the primary measure (Knee flexion lying face down) at "
        "Week 12; in “Pathway hip”, 4 people, another measure is read."
    )
    assert answer.numbers() == {
        "knee.allocated": 8.0, "knee.analysed": 7.0, "knee.measured": 7.0, "hip.allocated": 4.0,
    }  # fmt: skip
    assert answer.table().rows[-1] == ("Primary measure read at Week 12", "7", "another measure")
    assert "Read by another measure" in drawing_words(answer)


@pytest.mark.parametrize(
    "flow",
    [
        flow_rows(assessed=["P000", "P001"], randomised=[*EVERYBODY, "P000"]),
        flow_rows(randomised=EVERYBODY, lost=["P001 moved away"] * 7),
    ],
    ids=["randomised twice", "lost more often than allocated"],
)
def test_counts_that_do_not_add_up_are_refused_in_a_sentence(flow: pd.DataFrame) -> None:
    with pytest.raises((DesignError, FitError), match=r"add up|only 6 allocated|but the arms hold"):
        flow_of_study(with_flow(flow))
