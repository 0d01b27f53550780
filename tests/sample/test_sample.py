"""Sample, missing readings and adverse events against counts and means made by hand."""

from __future__ import annotations

import math
import statistics
from pathlib import Path

import pandas as pd
import pytest

from studykit.data import Study, check_study
from studykit.errors import DesignError
from studykit.sample import baseline_of_study, events_of_study, missing_of_study, sample_of_study

TRIAL = """
raters = ["R1"]
[study]
title = "Two arms"
question = "Does it change?"
design = "trial"
primary_measure = "knee_extension_passive"
primary_visit = "last"
[arms.wait]
label = "Waiting"
control = true
[arms.hold]
label = "Holding"
[[visits]]
key = "first"
label = "First"
week = 0
[[visits]]
key = "sitting"
label = "Sitting"
week = 0
[[visits]]
key = "last"
label = "Last"
week = 6
[measures.knee_extension_passive]
[reliability]
rated_by = "every rater"
visit = "sitting"
"""
AGES = {"A": [31, 35, 42, 50, 28, 61], "B": [44, 29, 33, 57, 38, 40]}
LAST_SEEN = {"A1", "A2", "A3", "A4", "A5", "B1", "B2", "B3", "B4"}


def study_in(folder: Path, *, events: str = "") -> Study:
    """Twelve people in two arms; site "lone" has one person; three were not seen at the last visit."""
    data = folder / "data"
    data.mkdir(parents=True)
    (folder / "study.toml").write_text(TRIAL, encoding="utf-8")
    people, readings = [], []
    for arm, key in (("A", "wait"), ("B", "hold")):
        for position, age in enumerate(AGES[arm], 1):
            code = f"{arm}{position}"
            site = "lone" if code == "A1" else "big"
            mass = 70 + position if arm == "A" else ""
            people.append(f"{code},{key},{site},{'female' if position < 3 else 'male'},{age},,{mass},2024-01-08")
            readings.append(f"{code},first,2024-01-08,left,knee_extension_passive,R1,1,{-10 - position}")
            readings.append(f"{code},first,2024-01-08,right,knee_extension_passive,R1,1,{-12 - position}")
            if code in LAST_SEEN:
                readings.append(f"{code},last,2024-02-19,left,knee_extension_passive,R1,1,{-5 - position}")
            if position < 3:
                readings.append(f"{code},sitting,2024-01-08,left,knee_extension_passive,R1,1,-9")
    heads = {
        "participants": "participant_id,arm,site,sex,age_years,height_cm,mass_kg,enrolled_on",
        "measurements": "participant_id,visit,measured_on,side,measure,rater_id,trial,value",
    }
    for name, lines in (("participants", people), ("measurements", readings)):
        (data / f"{name}.csv").write_text("\n".join([heads[name], *lines]) + "\n", encoding="utf-8")
    if events:
        head = "participant_id,happened_on,description,severity,related\n"
        (data / "events.csv").write_text(head + events, encoding="utf-8")
    study = check_study(folder).study
    assert study is not None
    return study


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    events = (
        "A1,2024-01-20,Joan Canary fell on ice,mild,yes\nA1,2024-01-22,sore,severe,unclear\nB2,2024-01-22,sore,,no\n"
    )
    return study_in(tmp_path_factory.mktemp("sample") / "study", events=events)


def test_means_and_spreads_are_those_of_the_ages(study: Study) -> None:
    numbers = baseline_of_study(study).numbers()
    for group, ages in {"all": AGES["A"] + AGES["B"], "wait": AGES["A"], "hold": AGES["B"]}.items():
        # The same sums in another order: the last bits may differ.
        assert numbers[f"{group}.age_years.mean"] == pytest.approx(statistics.fmean(ages), rel=1e-14)
        assert numbers[f"{group}.age_years.sd"] == pytest.approx(statistics.stdev(ages), rel=1e-14)
        assert numbers[f"{group}.age_years.median"] == statistics.median(ages)
        assert numbers[f"{group}.participants"] == len(ages)


def test_first_readings_are_means_over_the_sides_of_a_person(study: Study) -> None:
    numbers = baseline_of_study(study).numbers()
    # Person n reads -10 - n and -12 - n: mean -11 - n, over n = 1..6 that is -14.5 exactly.
    assert numbers["wait.knee_extension_passive.mean"] == -14.5
    assert numbers["wait.knee_extension_passive.known"] == 6.0


def test_counts_add_up_and_a_word_of_one_person_is_not_named(study: Study) -> None:
    baseline = baseline_of_study(study)
    numbers = baseline.numbers()
    assert (numbers["all.sex.female"], numbers["all.sex.male"]) == (4.0, 8.0)
    assert (numbers["all.site.big"], numbers["all.site.other"]) == (11.0, 1.0)
    assert "lone" not in " ".join(cell for row in baseline.table().rows for cell in row)


def test_a_characteristic_that_one_arm_lacks_says_so(study: Study) -> None:
    rows = {row[0]: row[1:] for row in baseline_of_study(study).table().rows}
    assert rows["Body mass (kg)"][2] == "not recorded"
    assert rows["Body mass (kg)"][0].endswith("; 6 known")
    assert any("Body mass (6)" in caution for caution in baseline_of_study(study).cautions)


def test_numbers_of_fewer_people_than_the_smallest_group_are_not_summarised(study: Study) -> None:
    few = {name: study.table(name) for name in study.tables}
    people = few["participants"]
    people.loc[people.index > 2, "mass_kg"] = math.nan
    baseline = baseline_of_study(Study(study.protocol, {**few, "participants": people}, study.findings))
    rows = {row[0]: row[1:] for row in baseline.table().rows}
    assert rows["Body mass (kg)"][:2] == ("fewer than 5 known", "fewer than 5 known")
    assert math.isnan(baseline.numbers()["all.mass_kg.mean"])


def test_no_test_compares_the_arms(study: Study) -> None:
    baseline = baseline_of_study(study)
    assert not [name for name in baseline.numbers() if name.endswith((".p", ".t", ".f"))]
    assert {column.heading.split(" (")[0] for column in baseline.table().columns[1:]} == {"All", "Waiting", "Holding"}


def test_missing_readings_are_counted_by_visit_and_arm(study: Study) -> None:
    missing = missing_of_study(study)
    numbers = missing.numbers()
    start = "knee_extension_passive.last"
    assert [numbers[f"{start}.{group}.missing"] for group in ("all", "wait", "hold")] == [3.0, 1.0, 2.0]
    assert [numbers[f"{start}.{group}.measured"] for group in ("all", "wait", "hold")] == [9.0, 5.0, 4.0]
    assert "sitting" not in set(missing.to_frame()["visit"])
    assert "missing for 3 of 12 participants (25%)" in missing.headline


def test_missing_and_measured_make_the_expected(study: Study) -> None:
    counts = missing_of_study(study).to_frame()
    assert (counts["measured"] + counts["missing"] == counts["participants"]).all()
    arms = counts[counts["group"] != "all"].groupby(["measure", "visit"])[["measured", "missing"]].sum()
    everybody = counts[counts["group"] == "all"].set_index(["measure", "visit"])[["measured", "missing"]]
    pd.testing.assert_frame_equal(arms, everybody.sort_index(), check_dtype=False)


def test_events_and_people_with_events_are_told_apart(study: Study) -> None:
    events = events_of_study(study)
    numbers = events.numbers()
    assert [numbers[f"all.{kind}"] for kind in ("participants", "participants_with_event", "events")] == [
        12.0,
        2.0,
        3.0,
    ]
    assert [numbers[f"wait.severity_{word}"] for word in ("mild", "moderate", "severe")] == [1.0, 0.0, 1.0]
    assert numbers["hold.severity_unknown"] == 1.0
    for group in ("all", "wait", "hold"):
        for start in ("severity_", "related_"):
            parts = [value for name, value in numbers.items() if name.startswith(f"{group}.{start}")]
            assert sum(parts) == numbers[f"{group}.events"]


def test_what_happened_is_printed_nowhere(study: Study) -> None:
    for result in sample_of_study(study):
        said = f"{result.to_html()} {result.to_frame().to_string()} {result.numbers()}"
        assert "Canary" not in said
        assert "fell" not in said


def test_no_event_recorded_is_an_answer_with_a_caution(tmp_path: Path) -> None:
    events = events_of_study(study_in(tmp_path / "none"))
    assert events.headline == "No adverse event was recorded among 12 participants."
    assert events.numbers()["all.events"] == 0.0
    assert "does not mean none happened" in events.cautions[0]


def test_a_study_that_knows_nothing_about_people_says_so(study: Study) -> None:
    tables = {name: study.table(name) for name in study.tables}
    bare = tables["participants"]
    for column in ("age_years", "height_cm", "mass_kg"):
        bare[column] = math.nan
    bare["sex"], bare["site"] = None, None
    nothing = {**tables, "participants": bare, "measurements": tables["measurements"].iloc[:0]}
    with pytest.raises(DesignError, match="Nothing is recorded about the participants"):
        baseline_of_study(Study(study.protocol, nothing, study.findings))


def test_a_measure_without_a_better_direction_is_averaged_where_others_take_the_best_trial(study: Study) -> None:
    knee = study.protocol.measures["knee_extension_passive"]
    tilt = knee.model_copy(update={"key": "tilt", "name": "Pelvic tilt", "better": "neither"})
    chosen = study.protocol.study.model_copy(update={"trials_used": "best"})
    protocol = study.protocol.model_copy(
        update={"study": chosen, "measures": {"knee_extension_passive": knee, "tilt": tilt}}
    )
    read = study.table("measurements")
    second = read.assign(trial=2, value=read["value"] + 4.0)
    rows = pd.concat([read, second, read.assign(measure="tilt"), second.assign(measure="tilt")], ignore_index=True)
    twice = Study(protocol, {**study.tables, "measurements": rows}, study.findings, study.rows_in, study.rows_set_aside)
    frame = baseline_of_study(twice).to_frame().set_index(["characteristic", "group"])
    means = frame["mean"].xs("all", level="group")
    # limb means of -10-p and -12-p, p = 1..6; the second trial lies 4 higher: the best is 4 above, the mean 2 above
    assert means["knee_extension_passive"] == pytest.approx(-14.5 + 4.0)
    assert means["tilt"] == pytest.approx(-14.5 + 2.0)
    labels = frame["label"].xs("all", level="group")
    assert labels["tilt"] == "Pelvic tilt at First, mean of trials (no direction is better)"


def test_without_a_list_of_participants_those_who_were_measured_are_counted(study: Study) -> None:
    tables = {name: study.table(name) for name in study.tables}
    tables["participants"] = tables["participants"].iloc[:0]
    bare = Study(study.protocol, tables, study.findings)
    sample, missing, events = sample_of_study(bare)
    assert sample.headline.startswith("12 people in the readings (there is no list of participants); 1 characteristic")
    assert "missing for 3 of 12 participants (25%)" in missing.headline
    assert events.headline == (
        "3 adverse events in 2 of 12 people in the readings (17%; there is no list of participants)."
    )
    for one in (sample, missing, events):
        assert any("no list of participants" in caution for caution in one.cautions)
        assert " 0 participants" not in one.headline
        assert len(one.table().columns) == 2
    quiet = Study(study.protocol, {**tables, "events": tables["events"].iloc[:0]}, study.findings)
    assert events_of_study(quiet).headline == (
        "No adverse event was recorded among 12 people in the readings (there is no list of participants)."
    )


def test_somebody_with_an_event_and_no_reading_is_counted_without_a_list(study: Study) -> None:
    tables = {name: study.table(name) for name in study.tables}
    tables["participants"] = tables["participants"].iloc[:0]
    tables["measurements"] = tables["measurements"][tables["measurements"]["participant_id"] != "A1"]
    numbers = events_of_study(Study(study.protocol, tables, study.findings)).numbers()
    assert (numbers["all.participants"], numbers["all.participants_with_event"], numbers["all.events"]) == (12, 2, 3)
