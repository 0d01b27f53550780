"""Dose in a paper: its table, its sentences with their numbers, and what an open half-maximal dose becomes."""

from __future__ import annotations

import math

import pandas as pd
import pytest
from paper_cases import Fixed, fixed_sections, study_of

from studykit.answers import Section
from studykit.data import Checked
from studykit.report.dose_paper import half_dose
from studykit.report.numbers import results_document
from studykit.report.paper_tables import paper_tables
from studykit.report.print_style import print_style
from studykit.report.wording import paper_text
from studykit.table import Column, Table

CURVE = {
    "half_dose.estimate": 10.44,
    "half_dose.low": 1.43,
    "half_dose.high": 81.4,
    "half_dose.share": 0.3,
    "half_dose.share.low": 0.06,
    "half_dose.share.high": 0.77,
}
OPEN = {**CURVE, "half_dose.high": math.inf, "half_dose.share.high": 1.0}


def answer(checked: Checked, key: str, named: dict[str, float], rows: tuple[tuple[str, ...], ...]) -> Fixed:
    columns = tuple(Column(f"c{place}", "left") for place in range(len(rows[0])))
    return Fixed(
        key=key,
        title=f"Title of {key}",
        headline="Headline.",
        cautions=("Caution.",),
        methods=f"Methods of {key}.",
        provenance=study_of(checked).provenance(),
        frame=pd.DataFrame(),
        named=named,
        printed=Table(key, key, columns, rows),
    )


def sections(checked: Checked, curve: dict[str, float]) -> tuple[Section, ...]:
    slope = {"slope.estimate": 0.1959, "slope.low": 0.1253, "slope.high": 0.2667, "slope.p": 0.0004}
    done = {
        f"{key}.{name}": value
        for key, values in {"within": (-0.39, -1.18, 0.38), "between": (0.544, 0.322, 0.767)}.items()
        for name, value in zip(("estimate", "low", "high"), values, strict=True)
    }
    found = (
        answer(
            checked, "dose.randomised", slope, (("Each extra minute a week", "0.20 (0.13 to 0.27)", "<0.001", "x"),)
        ),
        answer(checked, "dose.curve", curve, (("Logarithm", "1"),)),
        answer(checked, "dose.done", done, (("Between", "0.54 (0.32 to 0.77)", "<0.001", "other"),)),
    )
    return (*fixed_sections(study_of(checked)), Section("dose", "How does change follow dose?", found, ()))


def test_table_joins_asked_curve_and_done(small: Checked) -> None:
    tables = {table.key: table for table in paper_tables(study_of(small), sections(small, CURVE))}
    rows = tables["dose_effects"].rows
    assert [row[0] for row in rows] == ["As randomised", "Curve", "As done, an association"]
    assert rows[0][1:] == ("Each extra minute a week", "0.20 (0.13 to 0.27)", "<0.001")
    assert rows[1][2] == "10 (1.4 to 81)"
    assert rows[2][3] == "<0.001"
    assert "Curve. Methods of dose.curve." in tables["dose_effects"].notes


def test_without_answers_there_is_no_table(small: Checked) -> None:
    keys = [table.key for table in paper_tables(study_of(small), fixed_sections(study_of(small)))]
    assert "dose_effects" not in keys


def test_sentences_take_their_numbers_from_the_results(small: Checked) -> None:
    document = results_document(small, sections(small, CURVE))
    text = paper_text(study_of(small).protocol, document)
    said = " ".join(sentence.text for sentence in text.results)
    assert "differed by 0.20° (0.13 to 0.27°) for each extra minute a week asked for" in said
    assert "half of its most at 10 (1.4 to 81) minutes a week" in said
    assert "an association and no effect" in said
    assert "0.54° (0.32 to 0.77°)" in said
    used = {(one.answer, one.name) for sentence in text.results for one in sentence.numbers}
    assert {
        ("dose.randomised", "slope.estimate"),
        ("dose.curve", "half_dose.low"),
        ("dose.done", "within.high"),
    } <= used
    assert "Methods of dose.done." in text.methods


def test_an_open_interval_is_said_in_words(small: Checked) -> None:
    document = results_document(small, sections(small, OPEN))
    said = " ".join(one.text for one in paper_text(study_of(small).protocol, document).results)
    assert "the interval of the half-maximal dose was open" in said
    assert "half of its most at" not in said


@pytest.mark.parametrize(
    ("estimate", "low", "high", "words"),
    [
        (8.0, 2.0, math.inf, "8.0 (2.0 to no upper limit)"),
        (math.inf, 30.0, math.inf, "none (30 to no upper limit)"),
        (0.0, 0.0, 4.5, "none (0 to 4.5)"),
    ],
)
def test_half_dose_in_words(estimate: float, low: float, high: float, words: str) -> None:
    assert half_dose({"half_dose.estimate": estimate, "half_dose.low": low, "half_dose.high": high}) == words


@pytest.mark.parametrize(
    ("english", "german"),
    [
        ("Each extra minute a week, on a straight line", "Jede Minute je Woche mehr, auf einer Geraden"),
        (
            "60\N{NO-BREAK SPACE}s rather than 30\N{NO-BREAK SPACE}s",
            "60\N{NO-BREAK SPACE}s statt 30\N{NO-BREAK SPACE}s",
        ),
        (
            "Half-maximal dose of the saturating curve (minutes a week)",
            "Halbmaximale Dosis der Sättigungskurve (Minuten je Woche)",
        ),
        ("10 (1.4 to 81)", "10 (1,4 bis 81)"),
        ("8.0 (2.0 to no upper limit)", "8,0 (2,0 bis ohne obere Grenze)"),
    ],
)
def test_words_of_dose_are_known_in_german(english: str, german: str) -> None:
    assert print_style(language="de", decimal_mark=",").of_text(english) == german


def test_every_heading_of_the_table_is_known_in_german(small: Checked) -> None:
    table = next(one for one in paper_tables(study_of(small), sections(small, CURVE)) if one.key == "dose_effects")
    printed = print_style(language="de").of_table(table)
    known = [column.heading for column in table.columns if column.heading != "p"]
    assert not set(known) & {column.heading for column in printed.columns}
