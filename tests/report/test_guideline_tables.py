"""Reporting items: every number of the guideline once, answered from the study or to be written, nothing made up."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from paper_cases import MEASURE, fixed_sections, study_of

from studykit.answers import Section
from studykit.data import Checked
from studykit.report.facts import SUBJECTS, Facts, facts_of
from studykit.report.guideline_tables import ANSWERED_ALREADY, ORDER, TO_BE_WRITTEN, guideline, guideline_tables
from studykit.table import Table

CONSORT = (
    "1a 1b 2a 2b 3a 3b 4a 4b 5 6a 6b 7a 7b 8a 8b 9 10 11a 11b 12a 12b 13a 13b 14a 14b 15 16 17a 17b 18 19 20 21 22 23 "
    "24 25"
)
STROBE = "1a 1b 2 3 4 5 6a 6b 7 8 9 10 11 12a 12b 12c 12d 12e 13a 13b 13c 14a 14b 14c 15 16a 16b 16c 17 18 19 20 21 22"
NUMBERS = {
    "consort": CONSORT.split(),
    "strobe": STROBE.split(),
    "grras": [str(n) for n in range(1, 16)],
    "tidier": [str(n) for n in range(1, 13)],
    "sampl": [str(n) for n in range(1, 16)],
}
"""Item numbers of the published checklists (CONSORT 2010: 37; STROBE: 22 with parts; GRRAS: 15; TIDieR: 12)."""


def facts(small: Checked, sections: tuple[Section, ...] | None = None) -> Facts:
    study = study_of(small)
    return facts_of(study, fixed_sections(study) if sections is None else sections, used=50, set_aside=2)


def table_of(tables: list[Table], key: str) -> dict[str, str]:
    (found,) = [table for table in tables if table.key == f"guideline_{key}"]
    return {row[0]: row[2] for row in found.rows}


@pytest.mark.parametrize("key", ORDER)
def test_every_item_stands_once_in_the_order_of_the_guideline(key: str) -> None:
    assert [item.number for item in guideline(key).items] == NUMBERS[key]


@pytest.mark.parametrize("key", ORDER)
def test_a_guideline_names_its_source_and_that_the_words_are_ours(key: str) -> None:
    one = guideline(key)
    assert re.search(r"\(\d{4}\)", one.source)
    assert "from memory" in one.source
    assert one.items
    assert len({item.asked for item in one.items}) == len(one.items)


def test_every_subject_is_asked_for_by_some_item() -> None:
    asked = {subject for key in ORDER for item in guideline(key).items for subject in item.subjects}
    assert asked == set(SUBJECTS)


def test_a_trial_is_asked_these_guidelines(small: Checked) -> None:
    keys = [table.key for table in guideline_tables(facts(small))]
    assert keys == [f"guideline_{key}" for key in ("consort", "grras", "tidier", "sampl")]


def test_answers_come_from_the_study(small: Checked) -> None:
    tables = guideline_tables(facts(small))
    consort, tidier, grras = (table_of(tables, key) for key in ("consort", "tidier", "grras"))
    assert consort["2b"] == "Does holding change the knee?"
    assert consort["3a"].startswith("2 arms: “Waiting & 100% rest” (control) and “Holding”.")
    assert "22.5 minutes a week" in consort["5"]
    assert consort["17a"] == f"Headline of difference.{MEASURE}: 4.1° (2.0 to 6.2°)."
    assert consort["19"].startswith("1 adverse event in 1 of 12 participants")
    assert tidier["1"] == "Heel prop."
    assert grras["11"].startswith(f"Methods of reliability.{MEASURE}")


@pytest.mark.parametrize("item", ["2a", "4a", "7a", "8a", "9", "10", "14b", "20", "22", "23", "25"])
def test_what_no_study_folder_knows_is_to_be_written(small: Checked, item: str) -> None:
    assert table_of(guideline_tables(facts(small)), "consort")[item] == TO_BE_WRITTEN


def test_a_title_that_does_not_name_the_design_answers_nothing(small: Checked) -> None:
    assert table_of(guideline_tables(facts(small)), "consort")["1a"] == TO_BE_WRITTEN
    assert table_of(guideline_tables(facts(small)), "grras")["1"] == TO_BE_WRITTEN


def test_without_answers_nothing_is_claimed(small: Checked) -> None:
    tables = guideline_tables(facts(small, ()))
    assert [table.key for table in tables] == [f"guideline_{key}" for key in ("consort", "tidier", "sampl")]
    consort = table_of(tables, "consort")
    assert [consort[item] for item in ("12a", "13a", "15", "16", "17a", "19")] == [TO_BE_WRITTEN] * 6


def test_items_answered_are_counted_below_the_table(small: Checked) -> None:
    for table in guideline_tables(facts(small)):
        answered = sum(row[2] != TO_BE_WRITTEN for row in table.rows)
        assert table.notes[0].startswith(f"{answered} of {len(table.rows)} items have an answer")
        assert 0 < answered < len(table.rows)


def test_a_reliability_study_gets_its_items_once(small: Checked) -> None:
    known = facts(small)
    already = replace(known, results={**known.results, ANSWERED_ALREADY: known.results["sample"]})
    assert "guideline_grras" not in [table.key for table in guideline_tables(already)]


def test_no_day_and_no_person_is_printed(small: Checked) -> None:
    said = " ".join(row[2] for table in guideline_tables(facts(small)) for row in table.rows)
    assert "Canary" not in said
    assert not re.search(r"\d{4}-\d\d-\d\d", said)
    assert not re.search(r"\bP\d\d\b", said)
