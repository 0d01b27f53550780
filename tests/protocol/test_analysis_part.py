"""The [analysis] table: what it says when nothing is written, and every mistake in it with its line."""

from __future__ import annotations

import pytest

from studykit.errors import ProtocolError
from studykit.protocol import parse_protocol
from tests.protocol.test_mistakes import SOUND, told

AREA = '[covariates.area]\nlabel = "Area"\nkind = "words"\nallowed = ["town", "country"]\n'


def with_analysis(lines: str) -> str:
    return SOUND + AREA + "[analysis]\n" + lines


def test_nothing_written_means_the_documented_choices() -> None:
    part = parse_protocol(SOUND).analysis
    assert part.covariates == part.strata == ()
    assert (part.multiplicity, part.diary_gaps, part.enough_adherence) == ("each on its own", "missing", 0.8)
    assert part.important_change is None
    assert part.course == "free"


def test_written_choices_are_read() -> None:
    part = parse_protocol(
        with_analysis(
            'covariates = ["age_years"]\nstrata = ["site", "area"]\nmultiplicity = "holm"\n'
            'important_change = { value = 5, source = "A made-up consensus" }\n'
        )
    ).analysis
    assert part.covariates == ("age_years",)
    assert part.strata == ("site", "area")
    assert part.important_change is not None
    assert part.important_change.value == 5.0


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('covariates = ["age_year"]', "did you mean “age_years”"),
        ('covariates = ["arm"]', "not a declared column"),
        ('covariates = ["sex", "sex"]', "already among the covariates"),
        ('covariates = ["sex"]\nstrata = ["sex"]', "already among the covariates"),
        ('strata = ["age_years"]', "holds numbers"),
        ('multiplicity = "all"', "multiplicity"),
        ('course = "curve"', "course"),
        ('course = "straight line"', "visits are in 2 different weeks"),
        ("enough_adherence = 80", "enough_adherence"),
        ("imputations = 1", "imputations"),
        ("important_change = { value = 5 }", "source"),
        ('important_change = { value = -5, source = "x" }', "value"),
    ],
)
def test_a_mistake_is_one_sentence_with_its_line(line: str, words: str) -> None:
    text = with_analysis(line + "\n")
    problems = told(text)
    assert len(problems) == 1
    number, sentence = problems[0]
    assert words in sentence or words.replace("“", '"').replace("”", '"') in sentence
    assert text.split("\n")[number - 1].split(" = ")[0] in {"covariates", "strata", line.split(" = ")[0]}


def test_a_line_over_three_weeks_is_taken() -> None:
    middle = '[[visits]]\nkey = "week_6"\nlabel = "Week 6"\nweek = 6\n'
    last = '[[visits]]\nkey = "week_12"'
    text = with_analysis('course = "straight line"\n').replace(last, middle + last)
    assert parse_protocol(text).analysis.course == "straight line"


def test_the_example_above_is_sound_without_the_mistakes() -> None:
    try:
        parse_protocol(with_analysis(""))
    except ProtocolError as problem:
        pytest.fail(str(problem))
