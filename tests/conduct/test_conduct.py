"""The answers about conduct together: what cannot be answered beside the other is a caution, and nobody is named."""

from __future__ import annotations

import dataclasses
import re

import pandas as pd
import pytest
from dated_cases import dated_trial
from made_studies import protocol_text, study_of

from studykit.conduct import DigitPreference, RaterDrift, conduct_of_study
from studykit.errors import DesignError

GRADED = protocol_text(
    design="reliability",
    arms={},
    measure="half_kneeling_lunge",
    more='[reliability]\nrated_by = "every rater"\nvisit = "baseline"',
)
STUDY = dated_trial(60)
RESULTS = conduct_of_study(STUDY)


def test_drift_and_digits_are_answered() -> None:
    assert [type(result) for result in RESULTS] == [RaterDrift, DigitPreference]


@pytest.mark.parametrize("result", RESULTS, ids=lambda result: result.key)
def test_every_answer_is_whole_and_names_no_participant(result: RaterDrift | DigitPreference) -> None:
    figure = result.figure()
    said = f"{result.headline} {result.cautions} {result.methods} {result.table()} {result.numbers()}"
    assert result.headline.endswith(".")
    assert "nan" not in result.headline
    assert result.methods.endswith(".")
    assert not re.search(r"\bP\d{3}\b", said + figure.svg() + figure.alt + figure.caption)
    assert not re.search(r"\d{4}-\d\d-\d\d", said + figure.alt + figure.caption)
    assert all(isinstance(value, float) for value in result.numbers().values())


def test_without_dates_digits_are_left_with_a_caution() -> None:
    rows = STUDY.table("measurements").assign(measured_on=pd.NaT)
    results = conduct_of_study(dataclasses.replace(STUDY, tables={**STUDY.tables, "measurements": rows}))
    assert [type(result) for result in results] == [DigitPreference]
    assert any("has a date" in caution for caution in results[0].cautions)


def test_numbers_do_not_depend_on_the_order_of_rows() -> None:
    mixed = STUDY.table("measurements").sample(frac=1.0, random_state=2).reset_index(drop=True)
    again = conduct_of_study(dataclasses.replace(STUDY, tables={**STUDY.tables, "measurements": mixed}))
    assert [result.numbers() for result in again] == [result.numbers() for result in RESULTS]


def test_nothing_to_answer_is_refused_in_sentences() -> None:
    with pytest.raises(DesignError, match=r"graded.*no last digit"):
        conduct_of_study(study_of(GRADED))
