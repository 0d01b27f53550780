"""Single people, checks of the model and raters in a paper: table, sentences and reporting items from fixed numbers."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest
from paper_cases import MEASURE, Fixed, fixed_sections, study_of

from studykit.answers import Section
from studykit.data import Checked, Study
from studykit.protocol.analysis_model import AnalysisPart, ImportantChange
from studykit.report.facts import facts_of
from studykit.report.guideline_tables import guideline_tables
from studykit.report.numbers import results_document
from studykit.report.paper_tables import paper_tables, responders_table
from studykit.report.wording import paper_text
from studykit.table import Column, Table

RESPONDERS = {
    **{"wait.people": 6.0, "hold.people": 5.0},
    **{"wait.improved": 1.0, "wait.improved.share": 1 / 6, "wait.improved.low": 0.03, "wait.improved.high": 0.564},
    **{"wait.worsened": 0.0, "wait.worsened.share": 0.0, "wait.worsened.low": 0.0, "wait.worsened.high": 0.39},
    **{"hold.improved": 4.0, "hold.improved.share": 0.8, "hold.improved.low": 0.376, "hold.improved.high": 0.964},
    **{"hold.improved.difference": 0.633, "hold.improved.difference_low": 0.06},
    **{"hold.improved.difference_high": 0.85},
    **{"hold.worsened": 0.0, "hold.worsened.share": 0.0, "hold.worsened.low": 0.0, "hold.worsened.high": 0.434},
}
RESPONSE = {
    **{"wait.sd_change": 2.0, "hold.sd_change": 3.0},
    **{"hold.response_sd": 1.7, "hold.response_sd.low": -0.9, "hold.response_sd.high": 2.6},
}


def fixed(study: Study, kind: str, named: dict[str, float]) -> Fixed:
    printed = Table(f"{kind}_{MEASURE}", "T", (Column("Arm", "left"),), (), (f"Note of {kind}.",))
    return Fixed(
        key=f"{kind}.{MEASURE}",
        title=f"Title of {kind}",
        headline=f"Headline of {kind}.",
        cautions=(),
        methods=f"Methods of {kind}.",
        provenance=study.provenance(),
        frame=pd.DataFrame(),
        named=named,
        printed=printed,
    )


def sections(study: Study) -> tuple[Section, ...]:
    people = (fixed(study, "responders", RESPONDERS), fixed(study, "individual_response", RESPONSE))
    conduct = (fixed(study, "rater_drift", {"apart.p": 0.404}), fixed(study, "digits", {}))
    checks = Section("checks", "Does it fit?", (fixed(study, "diagnostics", {}),), ())
    return (*fixed_sections(study), checks, Section("w", "W", people, ()), Section("c", "C", conduct, ()))


def test_table_of_single_people_pulls_shares_and_spread(small: Checked) -> None:
    study = study_of(small)
    (table,) = [table for table in paper_tables(study, sections(study)) if table.key == "responders"]
    assert table.rows == (
        ("Waiting & 100% rest", "6", "1: 17% (3 to 56%)", "0: 0% (0 to 39%)", "control", "control"),
        ("Holding", "5", "4: 80% (38 to 96%)", "0: 0% (0 to 43%)", "63 points (6 to 85)", "1.7° (−0.9 to 2.6°)"),
    )
    assert table.notes == ("Note of responders.", "Methods of responders.", "Methods of individual_response.")


def test_without_a_control_group_there_is_no_difference_and_no_spread(small: Checked) -> None:
    study = study_of(small)
    shares = fixed(study, "responders", {k: v for k, v in RESPONDERS.items() if "difference" not in k})
    table = responders_table(study.protocol, {shares.key: shares})
    assert table is not None
    assert [len(row) for row in table.rows] == [4, 4]
    assert table.columns[0].heading == "Group"
    assert responders_table(study.protocol, {}) is None


def test_sentences_take_their_numbers_from_results(small: Checked) -> None:
    study = study_of(small)
    text = paper_text(study.protocol, results_document(small, sections(study)))
    said = " ".join(sentence.text for sentence in text.results).replace("\N{NO-BREAK SPACE}", " ")
    assert "In “Holding”, 4 of 5 participants with both readings, 80% (38 to 96%), improved by more than" in said
    assert "Against “Waiting & 100% rest” that share differed by 63 points (6 to 85) in “Holding”." in said
    assert "with a standard deviation of 1.7° (−0.9 to 2.6°) in “Holding”." in said
    assert "moved alike over the months of the study gave p = 0.404." in said
    for kind in ("responders", "individual_response", "diagnostics", "rater_drift", "digits"):
        assert f"Methods of {kind}." in text.methods


@pytest.mark.parametrize(
    ("guideline", "item", "words"),
    [
        ("consort", "12b", "Methods of responders. Methods of individual_response."),
        ("consort", "17b", "Headline of responders. Shares are absolute; no relative effect is given."),
        ("sampl", "7", "Headline of diagnostics. Methods of diagnostics."),
        ("sampl", "12", "to be written"),
    ],
)
def test_reporting_items_are_answered(small: Checked, guideline: str, item: str, words: str) -> None:
    study = study_of(small)
    tables = guideline_tables(facts_of(study, sections(study), used=50, set_aside=2))
    (table,) = [table for table in tables if table.key == f"guideline_{guideline}"]
    assert words in {row[0]: row[2] for row in table.rows}[item]


def test_the_important_change_of_a_protocol_answers_its_item(small: Checked) -> None:
    study = study_of(small)
    part = AnalysisPart(important_change=ImportantChange(value=5.0, source="A made-up survey."))
    told = replace(study, protocol=study.protocol.model_copy(update={"analysis": part}))
    tables = guideline_tables(facts_of(told, sections(told), used=50, set_aside=2))
    (table,) = [table for table in tables if table.key == "guideline_sampl"]
    answer = {row[0]: row[2] for row in table.rows}["12"]
    assert answer == "5.0° in Passive knee extension. Source: A made-up survey."


def test_an_audit_is_asked_where_it_cut_and_how_raters_read(small: Checked) -> None:
    study = study_of(small)
    part = study.protocol.study.model_copy(update={"design": "audit"})
    audit = replace(study, protocol=study.protocol.model_copy(update={"study": part}))
    tables = guideline_tables(facts_of(audit, sections(audit), used=50, set_aside=2))
    (table,) = [table for table in tables if table.key == "guideline_strobe"]
    answers = {row[0]: row[2] for row in table.rows}
    assert "Headline of rater_drift. Headline of digits." in answers["9"]
    assert "beyond the MDC of one person" in answers["16b"]
    assert "Shares are absolute" in answers["16c"]
