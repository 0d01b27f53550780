"""The answers about single people: what every answer owes, what cannot be answered, and that nobody is in a file."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from made_studies import MEASURE, made_audit, made_trial
from people_cases import ARMS, IMPORTANT, MDC, MDC_BOTH, one_limb_study, trial

from studykit.change import change_of_study
from studykit.errors import DesignError
from studykit.individuals import IndividualResponse, RegressionToTheMean, Responders, SinglePeople, for_whom
from studykit.result import Result

STUDY = trial(more=IMPORTANT)
RESULTS = for_whom(STUDY, mdc=MDC, mdc_both_limbs=MDC_BOTH)
AUDIT = made_audit(
    60.0
    + np.random.default_rng(6).normal(0, 5, (20, 1, 1))
    + np.random.default_rng(7).normal(0, 2, (20, 3, 2))
    + np.array([0.0, 2.0, 5.0])[:, None]
)
AUDIT_RESULTS = for_whom(AUDIT, mdc=MDC, mdc_both_limbs=MDC_BOTH)


def test_a_trial_has_four_answers_and_an_audit_three() -> None:
    assert [type(result) for result in RESULTS] == [Responders, SinglePeople, IndividualResponse, RegressionToTheMean]
    assert [type(result) for result in AUDIT_RESULTS] == [Responders, SinglePeople, RegressionToTheMean]
    kinds = ("responders", "single_people", "individual_response", "regression_to_the_mean")
    assert [result.key for result in RESULTS] == [f"{kind}.{MEASURE}" for kind in kinds]


@pytest.mark.parametrize("result", [*RESULTS, *AUDIT_RESULTS], ids=lambda result: result.key)
def test_every_answer_is_whole(result: Result) -> None:
    assert result.headline.endswith(".")
    assert "nan" not in f"{result.headline} {' '.join(result.cautions)} {result.methods}"
    assert "MDC of one person" in result.headline
    assert result.cautions
    assert len(set(result.cautions)) == len(result.cautions)
    assert result.methods.endswith(".")
    assert not result.to_frame().empty
    assert result.table().rows
    assert all(isinstance(value, float) for value in result.numbers().values())
    assert result.to_html().index("headline") < result.to_html().index("<table")


def test_without_a_control_group_the_spread_of_responses_is_refused_in_one_sentence() -> None:
    (said,) = [caution for caution in AUDIT_RESULTS[0].cautions if "Without a control group" in caution]
    assert said.count(".") == 1
    assert any("There is no control group" in caution for caution in AUDIT_RESULTS[0].cautions)
    assert not any("control" in heading.heading for heading in AUDIT_RESULTS[0].table().columns)


def test_an_audit_speaks_of_groups_and_claims_no_effect() -> None:
    for result in AUDIT_RESULTS:
        claims = f"{result.headline} {result.methods} {result.title}".lower()
        assert not re.search(r"\beffect of|\bbecause of|\bdue to|\bworked|\bcaused?\b|\barm\b|\ballocat", claims)


def test_without_an_mdc_the_rest_still_stands() -> None:
    results = for_whom(STUDY)
    assert [type(result) for result in results] == [SinglePeople, IndividualResponse, RegressionToTheMean]
    assert any("no minimal detectable change" in caution for caution in results[0].cautions)
    assert "MDC" not in results[0].headline
    figure = results[0].figure()
    assert figure is not None
    assert "MDC" not in figure.alt + figure.caption


def test_two_visits_without_an_mdc_answer_only_what_a_control_group_can() -> None:
    rng = np.random.default_rng(5)
    arms = ["c", "a"] * 15
    study = one_limb_study(rng.normal(50, 5, (30, 1)) + rng.normal(0, 2, (30, 2)), design="trial", arms=arms)
    results = for_whom(study)
    assert [type(result) for result in results] == [IndividualResponse]
    assert any("cannot be told from error" in caution for caution in results[0].cautions)
    assert any("is not known" in caution for caution in results[0].cautions)


def test_when_nothing_can_be_answered_every_reason_is_given() -> None:
    values = np.random.default_rng(5).normal(50, 5, (20, 2))
    with pytest.raises(DesignError, match=r"no minimal detectable change.*Without a control group.*is not known"):
        for_whom(one_limb_study(values, design="audit"))


def test_a_change_that_was_fitted_before_is_used() -> None:
    change = change_of_study(STUDY, mdc=MDC)[0]
    again = for_whom(STUDY, mdc=MDC, mdc_both_limbs=MDC_BOTH, change=change)
    assert [result.numbers() for result in again] == [result.numbers() for result in RESULTS]


def test_numbers_do_not_depend_on_the_order_of_rows() -> None:
    mixed = STUDY.table("measurements").sample(frac=1.0, random_state=1).reset_index(drop=True)
    again = for_whom(replace(STUDY, tables={**STUDY.tables, "measurements": mixed}), mdc=MDC, mdc_both_limbs=MDC_BOTH)
    assert [result.numbers() for result in again] == [result.numbers() for result in RESULTS]


@pytest.mark.parametrize("result", [*RESULTS, *AUDIT_RESULTS], ids=lambda result: result.key)
def test_nobody_is_in_numbers_tables_words_or_pictures(result: Result) -> None:
    """Codes of people are P000, P001, ...; a person's own change is no number of an answer."""
    table = result.table()
    figure = result.figure()
    said = [
        result.headline,
        *result.cautions,
        result.methods,
        *table.notes,
        *(cell for row in table.rows for cell in row),
    ]
    said += [json.dumps(result.numbers()), "" if figure is None else figure.svg() + figure.alt + figure.caption]
    assert not re.search(r"\bP\d{3}\b", " ".join(said))
    people = RESULTS[1].to_frame()["change_deg"]
    assert not set(result.numbers().values()) & set(people[people.abs() > 0.0])


def test_a_small_arm_is_in_no_part_of_any_answer() -> None:
    """Three arms of 20, one cut down to four people: no row, number, mark or frame holds it."""
    rows, people = STUDY.table("measurements"), STUDY.table("participants")
    few = people[people["arm"] == "hold_30"]["participant_id"].iloc[4:]
    kept = rows[~rows["participant_id"].isin(few)].reset_index(drop=True)
    results = for_whom(replace(STUDY, tables={**STUDY.tables, "measurements": kept}), mdc=MDC, mdc_both_limbs=MDC_BOTH)
    assert len(results) == 4
    for result in results:
        figure = result.figure()
        assert not any("hold_30" in name for name in result.numbers())
        assert ARMS["hold_30"] not in " ".join(cell for row in result.table().rows for cell in row)
        assert ARMS["hold_30"] not in result.headline
        assert figure is None or ARMS["hold_30"] not in figure.alt
        frame = result.to_frame()
        assert "arm" not in frame or "hold_30" not in set(frame["arm"])
    assert any("1 group of fewer than 5 people" in note for note in results[0].table().notes)
    figure = results[1].figure()
    assert figure is not None
    assert "not shown" in figure.caption


def test_a_smallest_group_of_the_protocol_is_kept_to() -> None:
    study = made_trial(30, more="[privacy]\nsmallest_group = 16")
    with pytest.raises(DesignError, match="No group has 16 people"):
        for_whom(study, mdc=MDC)


def test_graded_and_single_visit_studies_are_refused() -> None:
    first = STUDY.table("measurements").query("visit == 'baseline'").reset_index(drop=True)
    with pytest.raises(DesignError, match="Nobody has a reading"):
        for_whom(replace(STUDY, tables={**STUDY.tables, "measurements": first}), mdc=MDC)


def test_results_are_short_to_print() -> None:
    assert all(len(repr(result)) < 8000 for result in RESULTS)
    assert isinstance(RESULTS[1].to_frame(), pd.DataFrame)
