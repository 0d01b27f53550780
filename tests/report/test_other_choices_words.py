"""Sentences about missing visits and other choices: every number from results.json, and silence where it must be."""

from __future__ import annotations

import copy
from dataclasses import replace
from typing import Any

import pytest
from paper_cases import MEASURE, fixed_sections, study_of

from studykit.data import Checked
from studykit.report.facts import facts_of
from studykit.report.numbers import results_document
from studykit.report.wording import paper_text

FILLED = {
    "estimate": 3.9,
    "low": 1.6,
    "high": 6.2,
    "filled_in": 2.0,
    "plausible": 8.0,
    "changes_if_worse_by": 5.5,
    "changes_if_better_by": None,
}


@pytest.fixture(scope="module")
def document(small: Checked) -> dict[str, Any]:
    made = results_document(small, fixed_sections(study_of(small)))
    numbers = {f"hold.{name}": value for name, value in FILLED.items()}
    made["answers"][f"filled_in.{MEASURE}"] = {"numbers": numbers, "methods": "Filled in after Rubin (1987)."}
    others = {"hold.lowest": 3.25, "hold.highest": 4.75, "hold.other_analyses": 9.0}
    made["answers"][f"sensitivity.{MEASURE}"] = {"numbers": others, "methods": "Robust: Bell and McCaffrey 2002."}
    return made


def said(small: Checked, document: dict[str, Any]) -> str:
    return " ".join(one.text for one in paper_text(study_of(small).protocol, document).results)


def changed(document: dict[str, Any], **numbers: float | None) -> dict[str, Any]:
    other = copy.deepcopy(document)
    for name, value in numbers.items():
        other["answers"][f"filled_in.{MEASURE}"]["numbers"][f"hold.{name}"] = value
    return other


def test_the_tipping_point_is_said(small: Checked, document: dict[str, Any]) -> None:
    text = said(small, document)
    filled = "with missing visits filled in, differed from “Waiting & 100% rest” by 3.9° (1.6 to 6.2°) in “Holding”."
    assert filled in text
    assert "The conclusion about “Holding” changes if those who left it did 5.5° worse than expected." in text
    assert "In 9 other analyses the estimate for “Holding” lay between 3.2° and 4.8°." in text


def test_a_conclusion_that_holds_is_said_to_hold_up_to_a_limit(small: Checked, document: dict[str, Any]) -> None:
    text = said(small, changed(document, changes_if_worse_by=None))
    assert "The conclusion about “Holding” holds even if those who left it did up to 8.0° worse than expected." in text
    assert "changes if those who left it" not in text


@pytest.mark.parametrize("numbers", [{"low": -1.0}, {"filled_in": 0.0}], ids=["zero inside", "nobody left"])
def test_nothing_is_said_about_a_conclusion_that_is_none(
    small: Checked, document: dict[str, Any], numbers: dict[str, float]
) -> None:
    assert "The conclusion about" not in said(small, changed(document, **numbers))


def test_methods_and_references_are_named(small: Checked, document: dict[str, Any]) -> None:
    text = paper_text(study_of(small).protocol, document)
    assert "Filled in after Rubin (1987)." in text.methods
    assert any(one.startswith("Rubin DB (1987)") for one in text.references)
    assert any(one.startswith("Bell RM, McCaffrey DF (2002)") for one in text.references)


def test_reporting_items_point_at_these_answers(small: Checked) -> None:
    study = study_of(small)
    known = facts_of(study, fixed_sections(study), used=1, set_aside=0)
    assert known.about("sensitivity") == known.about("sensitivity_methods") == known.about("estimand") == ""
    some = next(iter(known.results.values()))
    more = {
        f"filled_in.{MEASURE}": replace(some, title="What if those who left did worse?", methods="Filled in."),
        f"sensitivity.{MEASURE}": replace(some, title="Does the answer hold?", methods="Robust."),
        "estimands": replace(some, headline="Treatment policy."),
    }
    told = replace(known, results={**known.results, **more})
    assert "“Does the answer hold?”" in told.about("sensitivity")
    assert told.about("sensitivity_methods") == "Robust. Filled in."
    assert told.about("estimand") == "Treatment policy."
    assert "Besides, missing visits were filled in, under “What if those who left did worse?”." in told.about(
        "missing_rule"
    )
