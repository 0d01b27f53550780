"""How an audit was kept, in a paper: sentences whose every number stands in results.json, and reporting items."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from audit_cases import THERAPISTS, answers_of_audit, audit, checked_as

from studykit.answers import Section
from studykit.change import flow_of_study
from studykit.data.study import Study
from studykit.formatting import percent
from studykit.report.facts import facts_of
from studykit.report.guideline_tables import guideline_tables
from studykit.report.numbers import results_document
from studykit.report.wording import PaperText, paper_text
from studykit.sample import missing_of_study

Made = tuple[Study, tuple[Section, ...], dict[str, Any]]


@pytest.fixture(scope="module")
def made() -> Made:
    study = audit(double=0.3, shift_deg={"t2": 6.0}, keep=0.9)
    sections = answers_of_audit(study)
    return study, sections, results_document(checked_as(study), sections)


def text_of(made: Made) -> PaperText:
    return paper_text(made[0].protocol, made[2])


def test_sentences_say_how_the_record_was_kept(made: Made) -> None:
    said = " ".join(sentence.text for sentence in text_of(made).results)
    numbers = made[2]["answers"]["audit.completeness"]["numbers"]
    done, due = int(numbers["all.all.visits.done"]), int(numbers["all.all.visits.of"])
    assert done < due == 180
    assert f"Of {due} visits that were due {done} took place, {percent(done / due)} (" in said
    assert "All planned sides and measures were read at 100%" in said
    assert "visits with a date" in said
    assert "readings of the same limb by two therapists numbered" in said
    charts = made[2]["answers"]["audit.chart.knee_flexion_prone"]["numbers"]
    assert charts["charted"] == len(THERAPISTS)
    assert charts["with_signal"] >= 1
    assert f"numbered 3, of which {charts['with_signal']:.0f} had a signal" in said


def test_every_number_of_a_sentence_stands_in_the_results_at_full_precision(made: Made) -> None:
    answers = made[2]["answers"]
    of_audit = [one for sentence in text_of(made).results for one in sentence.numbers if one.answer.startswith("audit")]
    assert {one.answer for one in of_audit} == {
        "audit.completeness",
        "audit.timeliness",
        "audit.double_readings",
        "audit.chart.knee_flexion_prone",
    }
    for one in of_audit:
        assert one.value == answers[one.answer]["numbers"][one.name]
        assert not one.name.startswith(THERAPISTS)  # no therapist is named in a paper


def test_what_an_audit_could_not_answer_is_left_out(made: Made) -> None:
    less = copy.deepcopy(made[2])
    del less["answers"]["audit.double_readings"]
    less["answers"]["audit.timeliness"]["numbers"]["all.all.days_median"] = None
    said = " ".join(sentence.text for sentence in paper_text(made[0].protocol, less).results)
    assert "visits that were due" in said
    assert "readings of the same limb" not in said
    assert "off the planned day" not in said


def test_methods_of_the_record_are_told_once(made: Made) -> None:
    methods = list(text_of(made).methods)
    for key in ("audit.completeness", "audit.timeliness", "audit.double_readings", "audit.chart.knee_flexion_prone"):
        assert methods.count(made[2]["answers"][key]["methods"]) == 1


def test_reporting_items_are_answered_from_the_record(made: Made) -> None:
    study, sections, document = made
    tables = guideline_tables(facts_of(study, sections, used=1, set_aside=0))
    (strobe,) = [table for table in tables if table.key == "guideline_strobe"]
    answered = {row[0]: row[2] for row in strobe.rows}
    answers = document["answers"]
    assert answers["audit.completeness"]["headline"] in answered["14b"]
    assert answers["audit.timeliness"]["headline"] in answered["14c"]
    assert answers["audit.double_readings"]["headline"] in answered["8"]
    assert answers["audit.chart.knee_flexion_prone"]["headline"] in answered["9"]
    assert answers["audit.double_readings"]["methods"] in answered["12a"]
    assert "2025" in answered["5"]
    assert "fewer than 5 people" in answered["12b"]
    assert {answered[item] for item in ("2", "6a", "10", "19", "20", "21", "22")} == {"to be written"}


def test_a_pathway_in_which_the_measure_is_never_read_is_not_counted_as_lost() -> None:
    arms = {"knee": "Knee pathway", "shoulder": "Shoulder pathway"}
    study = audit(people=40, arms=arms)
    readings = study.table("measurements")
    people = study.table("participants").set_index("participant_id")["arm"]
    own = readings[readings["participant_id"].map(people) == "knee"].reset_index(drop=True)
    part = Study(study.protocol, {**{n: study.table(n) for n in study.tables}, "measurements": own}, study.findings)
    sections = (Section("flow", "F", (flow_of_study(part), missing_of_study(part)), ()),)
    said = " ".join(
        sentence.text for sentence in paper_text(part.protocol, results_document(checked_as(part), sections)).results
    )
    assert "In “Knee pathway”, 20 of 20 participants" in said
    assert "Shoulder pathway" not in said
