"""Headings: by their own name or as declared; what is missing, misspelt, repeated or unknown."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
from intake_cases import (
    HEADINGS,
    ROW,
    gathered,
    gathered_csv,
    only_finding,
    protocol_with,
    rules,
)

from studykit.data.intake.gathering import gather
from studykit.protocol.cells import table_columns


def test_a_missing_required_column_is_an_error_with_a_hint_and_said_once(tmp_path: Path) -> None:
    result = gathered_csv(tmp_path, ROW, headings="Participant ID,measure,rater_id,trial,value")
    finding = only_finding(result)
    assert (finding["rule"], finding["severity"]) == ("missing_column", "error")
    assert "did you mean 'Participant ID'" in finding["message"]
    assert len(result.tables["measurements"]) == 1


def test_a_misspelt_optional_column_is_an_error_and_an_unknown_one_a_suspicion(tmp_path: Path) -> None:
    result = gathered_csv(tmp_path, ROW + ",x,y", headings=HEADINGS + ",Mesured_on,shoe size")
    assert rules(result) == ["misspelt_heading", "unknown_heading"]
    assert result.findings["severity"].tolist() == ["error", "suspicion"]
    assert "did you mean 'measured_on'" in result.findings["message"].iloc[0]


def test_declared_headings_are_read_and_ignored_ones_left_out(tmp_path: Path) -> None:
    declared = {"headings": {"Patient": "participant_id"}, "ignore": ["shoe size"]}
    headings = "Patient,measure,rater_id,trial,value,shoe size"
    result = gathered_csv(tmp_path, ROW + ",44", headings=headings, tables={"measurements": declared})
    assert rules(result) == []
    assert result.headings["measurements"]["participant_id"] == "Patient"
    assert result.headings["measurements"]["note"] == "note"


def test_declarations_that_the_sheet_or_the_table_does_not_know(tmp_path: Path) -> None:
    declared = {"headings": {"Patient": "participant_id"}, "fixed": {"sidde": "left"}, "units": {"valu": "cm"}}
    result = gathered_csv(tmp_path, ROW, tables={"measurements": declared})
    assert rules(result) == ["unknown_column_declared", "unknown_column_declared", "declared_heading_missing"]
    assert "did you mean 'side'" in result.findings["message"].iloc[0]


def test_repeated_headings_and_two_headings_for_one_column_are_errors(tmp_path: Path) -> None:
    repeated = gathered_csv(tmp_path, ROW + ",41", headings=HEADINGS + ",value")
    assert rules(repeated)[0] == "heading_repeated"
    assert repeated.tables["measurements"]["value"].tolist() == [40.0]
    declared = {"headings": {"Angle": "value"}}
    twice = gathered_csv(tmp_path, ROW + ",41", headings=HEADINGS + ",Angle", tables={"measurements": declared})
    assert rules(twice)[0] == "column_given_twice"


def test_a_column_without_a_heading_that_holds_something_is_a_suspicion(tmp_path: Path) -> None:
    assert rules(gathered_csv(tmp_path, ROW + ",", headings=HEADINGS + ",")) == []
    finding = only_finding(gathered_csv(tmp_path, ROW + ",x", headings=HEADINGS + ","))
    assert finding["rule"] == "no_heading"
    assert "first: row 2" in finding["message"]


def test_fixed_words_hold_for_every_row(tmp_path: Path) -> None:
    fixed = {"rater_id": "R9", "measured_on": "2024-03-04"}
    result = gathered_csv(
        tmp_path,
        "P1,lunge,1,40",
        headings="participant_id,measure,trial,value",
        tables={"measurements": {"fixed": fixed}},
    )
    assert rules(result) == []
    row = result.tables["measurements"].iloc[0]
    assert (row["rater_id"], row["measured_on"]) == ("R9", pd.Timestamp("2024-03-04"))
    assert result.texts["measurements"]["rater_id"].tolist() == ["R9"]


def test_a_fixed_word_that_cannot_be_read_or_that_a_heading_gives_too(tmp_path: Path) -> None:
    bad = gathered_csv(tmp_path, ROW, tables={"measurements": {"fixed": {"measured_on": "spring"}}})
    assert only_finding(bad)["rule"] == "not_a_date"
    both = gathered_csv(tmp_path, ROW, tables={"measurements": {"fixed": {"rater_id": "R9"}}})
    assert only_finding(both)["rule"] == "column_given_twice"


def test_declared_covariates_are_columns_of_the_participants(tmp_path: Path) -> None:
    covariates = {"shoe_size": {"label": "Shoe", "kind": "number"}, "team": {"label": "Team", "kind": "words"}}
    protocol = protocol_with(covariates=covariates)
    gathered(tmp_path, {"participants.csv": "participant_id,shoe_size,team\nP1,44,red\nP2,big,blue\n"})
    result = gather(tmp_path, protocol)
    assert table_columns("participants", protocol)[-2:] == ("shoe_size", "team")
    assert result.tables["participants"]["shoe_size"].tolist()[0] == 44.0
    assert result.tables["participants"]["team"].tolist() == ["red", "blue"]
    assert rules(result) == ["not_a_number", "no_measurements"]
