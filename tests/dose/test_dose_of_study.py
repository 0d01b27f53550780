"""All questions about dose together: each stands or is refused on its own."""

from __future__ import annotations

import numpy as np
import pytest
from dose_cases import dose_study, practice_study
from made_studies import made_trial

from studykit.change import change_of_study
from studykit.change.longitudinal import ChangeByArm
from studykit.data.study import Study
from studykit.dose import dose_of_study, dose_questions
from studykit.errors import DesignError
from studykit.vocabulary import MEASUREMENTS


def test_a_trial_without_a_diary_answers_all_but_dose_done() -> None:
    study = dose_study([0.0, 1.0, 2.0, 2.5, 3.0])
    assert [result.key for result in dose_of_study(study)] == ["dose.randomised", "dose.curve", "dose.published"]
    done = next(question for question in dose_questions(study) if question.key == "dose.done")
    with pytest.raises(DesignError, match="no diary"):
        done.answer()


def test_an_audit_answers_dose_done_only() -> None:
    rng = np.random.default_rng(1)
    minutes = rng.uniform(5, 20, (30, 12))
    study = practice_study(minutes, 60.0 + rng.normal(0, 3, (30, 1)) + rng.normal(0, 1, (30, 4)))
    assert [result.key for result in dose_of_study(study)] == ["dose.done", "dose.published"]
    for question in dose_questions(study)[:2]:
        with pytest.raises(DesignError, match="Nobody was allocated to a dose by chance"):
            question.answer()


def test_a_study_without_dose_says_why_for_each_question() -> None:
    with pytest.raises(DesignError, match=r"Dose as randomised: No arm.*Dose as done: There is no diary"):
        dose_of_study(made_trial())


def test_a_trial_that_was_read_at_the_baseline_only_says_so() -> None:
    study = dose_study([0.0, 1.0, 2.0, 2.5, 3.0])
    readings = study.table(MEASUREMENTS)
    tables = {**study.tables, MEASUREMENTS: readings[readings["visit"] == "baseline"].reset_index(drop=True)}
    questions = dose_questions(Study(study.protocol, tables, study.findings))
    for question in questions[:2]:
        with pytest.raises(DesignError, match=r"Nobody has a reading of .* at Week 12"):
            question.answer()


def test_answer_about_change_at_hand_is_used_as_it_is() -> None:
    study = dose_study([0.0, 1.0, 2.0, 2.5, 3.0])
    change = next(result for result in change_of_study(study) if isinstance(result, ChangeByArm))
    own = {result.key: result.numbers() for result in dose_of_study(study)}
    for question in dose_questions(study, change=change)[:2]:
        given = question.answer().numbers()
        assert given == pytest.approx(own[question.key], rel=1e-7, nan_ok=True)


def test_numbers_are_the_same_on_a_second_run() -> None:
    study = dose_study([0.0, 1.0, 2.0, 2.5, 3.0])
    first, second = ([result.numbers() for result in dose_of_study(study)] for _ in range(2))
    assert first == second


def test_every_answer_shows_itself() -> None:
    for result in dose_of_study(dose_study([0.0, 1.0, 2.0, 2.5, 3.0])):
        assert result.headline
        assert result.methods
        assert result.cautions
        assert result.to_html().startswith('<p class="headline">')
        assert len(result.to_frame())
