"""Sentences take every number from results.json by its key; none is typed."""

from __future__ import annotations

import copy
import csv
import io
import re
import tomllib
from importlib import resources
from typing import Any

import pytest
from paper_cases import MEASURE, fixed_sections, study_of

from studykit.data import Checked
from studykit.errors import DataError
from studykit.report.numbers import results_document
from studykit.report.templates import PRINTERS, fill
from studykit.report.wording import PaperText, methods_markdown, numbers_csv, paper_text, results_markdown

TEMPLATES: dict[str, dict[str, str]] = tomllib.loads(
    resources.files("studykit.report").joinpath("sentences.toml").read_text(encoding="utf-8")
)
ALLOWED_DIGITS = {"SHA-256"}
"""The name of the hash is the only digit that a template may hold outside its blanks."""


@pytest.fixture(scope="module")
def document(small: Checked) -> dict[str, Any]:
    return results_document(small, fixed_sections(study_of(small)))


@pytest.fixture(scope="module")
def text(small: Checked, document: dict[str, Any]) -> PaperText:
    return paper_text(study_of(small).protocol, document)


@pytest.mark.parametrize("part", TEMPLATES)
def test_no_digit_is_typed_in_a_template(part: str) -> None:
    for name, template in TEMPLATES[part].items():
        outside = re.sub(r"\{[^{}]*\}", "", template)
        for allowed in ALLOWED_DIGITS:
            outside = outside.replace(allowed, "")
        assert not re.search(r"\d", outside), name


def test_every_way_of_printing_is_known() -> None:
    used = {found for part in TEMPLATES.values() for t in part.values() for found in re.findall(r"\|([a-z]+)\}", t)}
    assert used <= set(PRINTERS)


def test_results_are_these_sentences(text: PaperText) -> None:
    said = [sentence.text.replace("\N{NO-BREAK SPACE}", " ") for sentence in text.results]
    differed = "differed from “Waiting & 100% rest” by 4.1° (2.0 to 6.2°) in “Holding” (p < 0.001)."
    assert f"Passive knee extension at Last visit {differed}" in said
    assert "Mean age (standard deviation) was 35.5 (3.6) years." in said
    assert "The number of adverse events recorded was 1, in 1 of 12 participants." in said
    assert "Passive knee extension at Last visit was missing for 1 of 12 participants." in said
    assert any("13.5 of 22.5 minutes a week" in sentence for sentence in said)
    assert any("1.7° (1.3 to 2.5°)" in sentence and "4.8° (3.6 to 7.0°)" in sentence for sentence in said)


def test_every_number_of_a_sentence_is_traced_to_its_key(text: PaperText, document: dict[str, Any]) -> None:
    lines = list(csv.DictReader(io.StringIO(numbers_csv(text))))
    assert len(lines) == sum(len(sentence.numbers) for sentence in text.results) > 20
    for line in lines:
        assert float(line["value"]) == document["answers"][line["answer"]]["numbers"][line["number"]]
        assert line["printed"] in text.results[int(line["sentence"]) - 1].text
    for sentence in text.results:
        printed = " ".join(one.text for one in sentence.numbers)
        words = sentence.text.replace("100% rest", "").replace("95%\N{NO-BREAK SPACE}CI", "")
        assert set(re.findall(r"\d+(?:\.\d+)?", words)) <= set(re.findall(r"\d+(?:\.\d+)?", printed)), sentence.text


def test_another_number_in_results_json_changes_the_sentence(small: Checked, document: dict[str, Any]) -> None:
    other = copy.deepcopy(document)
    other["answers"][f"difference.{MEASURE}"]["numbers"]["last.hold.difference"] = 5.0
    said = " ".join(sentence.text for sentence in paper_text(study_of(small).protocol, other).results)
    assert "5.0° (2.0 to 6.2°)" in said
    assert "4.1°" not in said


def test_a_number_that_is_not_there_is_named(document: dict[str, Any]) -> None:
    with pytest.raises(DataError, match=r"needs the number 'sem\.wrong' of 'reliability"):
        fill(f"{{reliability.{MEASURE}|sem.wrong|count}}", document, {})
    with pytest.raises(DataError, match="needs the answer 'nothing'"):
        fill("{nothing|sem|count}", document, {})
    with pytest.raises(DataError, match="needs the word 'measure'"):
        fill("<measure>", document, {})
    with pytest.raises(DataError, match="prints a number as 'loudly'"):
        fill("{events|all.events|loudly}", document, {})


def test_a_number_that_could_not_be_estimated_silences_its_sentence(small: Checked, document: dict[str, Any]) -> None:
    other = copy.deepcopy(document)
    other["answers"]["sample"]["numbers"]["all.age_years.mean"] = None
    assert fill("{sample|all.age_years.mean|tenth}", other, {}) is None
    said = " ".join(sentence.text for sentence in paper_text(study_of(small).protocol, other).results)
    assert "Mean age" not in said


def test_any_number_that_a_study_does_not_have_costs_its_sentences_and_nothing_else(
    small: Checked, document: dict[str, Any]
) -> None:
    protocol = study_of(small).protocol
    whole = [sentence.text for sentence in paper_text(protocol, document).results]
    silenced = 0
    for answer, content in document["answers"].items():
        for name in content["numbers"]:
            rest = {**content, "numbers": {key: value for key, value in content["numbers"].items() if key != name}}
            other = {**document, "answers": {**document["answers"], answer: rest}}
            said = paper_text(protocol, other).results
            assert all((one.answer, one.name) != (answer, name) for sentence in said for one in sentence.numbers)
            silenced += len(said) < len(whole)
    assert silenced > 20


def test_an_answer_that_is_not_there_has_no_sentence(small: Checked, document: dict[str, Any]) -> None:
    empty = {**document, "answers": {}}
    said = paper_text(study_of(small).protocol, empty)
    assert [sentence.numbers for sentence in said.results] == [()]


def test_methods_say_the_choices_that_were_made(text: PaperText, document: dict[str, Any]) -> None:
    said = " ".join(text.methods).replace("\N{NO-BREAK SPACE}", " ")
    assert "hold heel prop for 90 s, 3 repetitions, 1 session a day on 5 days a week for 6 weeks: 22.5 minutes" in said
    assert f"Methods of difference.{MEASURE} after Kenward and Roger (1997)." in said
    assert document["provenance"]["data_sha256"] in said
    for name, version in document["provenance"]["versions"].items():
        assert version in said, name


def test_references_are_those_of_the_methods_named_and_marked_as_recalled(text: PaperText) -> None:
    assert len(text.references) == 1
    assert text.references[0].startswith("Kenward MG, Roger JH (1997).")
    assert "recalled, not looked up" in methods_markdown(text)


def test_markdown_holds_every_sentence(text: PaperText) -> None:
    page = results_markdown(text)
    assert page.startswith("# Results\n")
    assert all(sentence.text.split(" by ")[0].replace("&", "&amp;") in page for sentence in text.results)


def test_reliability_without_an_interval_is_not_told_but_its_counts_are(
    small: Checked, document: dict[str, Any]
) -> None:
    other = copy.deepcopy(document)
    del other["answers"][f"reliability.{MEASURE}"]["numbers"]["icc.low"]
    said = [sentence.text for sentence in paper_text(study_of(small).protocol, other).results]
    assert not any("standard error of measurement" in text for text in said)
    counts = "The numbers of participants, raters and readings behind this were 12, 2 and 96."
    assert counts in said
