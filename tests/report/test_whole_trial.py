"""The tables and sentences of whole studies: none is half German, and every sentence of a paper is said by one."""

from __future__ import annotations

import re
import tomllib
from importlib import resources
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from studykit.answers import Section, answer
from studykit.data import Checked, Study, check_study
from studykit.data.sharing.presenting import presentable
from studykit.protocol import Protocol
from studykit.report.numbers import results_document
from studykit.report.paper_tables import all_tables
from studykit.report.print_style import print_style

STUDIES = Path(__file__).parent.parent.parent / "synthetic_data"
SAME_IN_BOTH = {"p", "Instrument", "Signal"}
UNITS = ("(n\N{NO-BREAK SPACE}=", "\N{NO-BREAK SPACE}s", "(h)")
SENTENCES = {"provenance", "findings", "reporting_items", "dose_published", "planned_measures"}
"""Tables with cells that are sentences, citations or versions, which stay English."""


OF_OTHER_STUDIES = {
    *("assessed_all", "filled_in_change", "tips", "half_dose_open"),
    *("audit_visits", "audit_readings", "audit_days", "audit_double", "audit_chart"),
}
"""Sentences that the made-up trial does not say; other tests hold these."""


class Whole(NamedTuple):
    checked: Checked
    shown: Study
    sections: tuple[Section, ...]


@pytest.fixture(scope="module", params=["ferry_trial", "knee_goniometer"])
def whole(request: pytest.FixtureRequest) -> Whole:
    checked = check_study(STUDIES / str(request.param))
    assert checked.study is not None
    shown = presentable(checked.study)
    return Whole(checked, shown, answer(shown))


def names_of(protocol: Protocol) -> list[str]:
    """Everything that the study itself has named, longest first."""
    labels = [measure.name for measure in protocol.measures.values()]
    labels += [arm.label for arm in protocol.arms.values()] + [visit.label for visit in protocol.visits]
    labels += [covariate.label for covariate in protocol.covariates.values()] + list(protocol.raters)
    return sorted(labels, key=len, reverse=True)


def test_titles_headings_and_cells_are_german_but_for_names(whole: Whole) -> None:
    german = print_style(language="de")
    names = names_of(whole.shown.protocol)
    left: list[str] = []
    for table in all_tables(*whole):
        printed = german.of_table(table)
        texts = [(table.title, printed.title)]
        texts += [(one.heading, other.heading) for one, other in zip(table.columns, printed.columns, strict=True)]
        if table.key not in SENTENCES:
            cells = zip(table.rows, printed.rows, strict=True)
            texts += [pair for row, other in cells for pair in zip(row, other, strict=True)]
        for english, other in texts:
            rest = english
            for name in names:
                rest = rest.replace(name, "")
            for unit in UNITS:
                rest = rest.replace(unit, "")
            words = [letter for letter in rest if letter.isalpha()]
            is_key = "." in english and " " not in english
            is_reason = table.key == "participant_flow" and english.startswith("– ")  # in the words of the study
            if english == other and words and english not in SAME_IN_BOTH and not (is_key or is_reason):
                left.append(f"{table.key}: {english}")
    assert left == []


def test_every_number_of_every_sentence_has_a_place_in_the_results(whole: Whole) -> None:
    """A blank with a misspelt key would silence its sentence for ever."""
    if whole.shown.protocol.study.design != "trial":
        return
    text = resources.files("studykit.report").joinpath("sentences.toml").read_text(encoding="utf-8")
    templates: dict[str, str] = tomllib.loads(text)["results"]
    answers: dict[str, Any] = results_document(whole.checked, whole.sections)["answers"]
    for name, template in templates.items():
        if name in OF_OTHER_STUDIES:
            continue
        for answer_key, numbers in re.findall(r"\{([^{}|]+)\|([^{}|]+)\|[a-z]+\}", template):
            pattern = re.compile(re.sub(r"<[a-z_]+>", "[a-z0-9_]+", answer_key))
            keys = [key for key in answers if pattern.fullmatch(key)]
            assert keys, f"{name}: {answer_key}"
            for number in numbers.split(","):
                wanted = re.compile(re.sub(r"<[a-z_]+>", "[a-z0-9_]+", number.strip()).replace(".", r"\."))
                assert any(wanted.fullmatch(one) for key in keys for one in answers[key]["numbers"]), name
