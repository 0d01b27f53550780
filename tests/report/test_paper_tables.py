"""The tables that join several answers say what those answers say, number by number."""

from __future__ import annotations

import pytest
from paper_cases import MEASURE, Fixed, fixed_sections, study_of

from studykit.answers import Section
from studykit.data import Checked
from studykit.report.paper_tables import all_tables, change_tables, dose_table, paper_tables, reliability_table
from studykit.result import Result
from studykit.table import Column, Table


def results_of(sections: tuple[Section, ...]) -> dict[str, Result]:
    return {result.key: result for section in sections for result in section.results}


def test_reliability_prints_each_number_as_its_own_answer_does(small: Checked) -> None:
    study = study_of(small)
    table = reliability_table(study.protocol, results_of(fixed_sections(study)))
    assert table is not None
    printed = [row[1] for row in results_of(fixed_sections(study))[f"reliability.{MEASURE}"].table().rows]
    assert table.rows == (("Passive knee extension", "12 (24 limbs)", "2", "96", *printed),)
    assert [column.heading for column in table.columns][:4] == ["Measure", "Participants", "Raters", "Readings"]
    assert "SEM between raters" in " ".join(table.notes)


def test_change_and_difference_stand_side_by_side_with_their_counts(small: Checked) -> None:
    study = study_of(small)
    (table,) = change_tables(study.protocol, results_of(fixed_sections(study)))
    assert table.rows == (
        ("Waiting & 100% rest", "Last visit", "5", "1.2 (−0.8 to 3.2)", "control"),
        ("Holding", "Last visit", "5", "5.3 (3.1 to 7.5)", "4.1 (2.0 to 6.2)"),
    )
    assert any("MDC" in note for note in table.notes)


def test_without_a_comparison_there_is_no_column_for_it(small: Checked) -> None:
    study = study_of(small)
    results = results_of(fixed_sections(study))
    del results[f"difference.{MEASURE}"]
    (table,) = change_tables(study.protocol, results)
    assert [column.heading for column in table.columns][:3] == ["Group", "Visit", "Measured"]
    assert len(table.columns) == 4


def test_dose_asked_for_stands_beside_dose_done(small: Checked) -> None:
    study = study_of(small)
    table = dose_table(study.protocol, results_of(fixed_sections(study)))
    assert table is not None
    # 90 s x 3 x 1 x 5 / 60 = 22.5 minutes a week.
    assert table.rows[0][2:] == ("22.5", "13.5", "60% (55% to 65%)", "1 of 6")


def test_without_a_diary_what_was_done_is_not_recorded(small: Checked) -> None:
    table = dose_table(study_of(small).protocol, {})
    assert table is not None
    assert table.rows[0][3:] == ("not recorded",) * 3


def test_a_question_without_an_answer_has_no_table(small: Checked) -> None:
    study = study_of(small)
    assert reliability_table(study.protocol, {}) is None
    assert change_tables(study.protocol, {}) == []
    assert [table.key for table in paper_tables(study, ())] == ["dose"]


def test_responders_and_sensitivity_come_with_their_own_tables(small: Checked) -> None:
    study = study_of(small)
    base = fixed_sections(study)
    known = results_of(base)["adherence"]
    assert isinstance(known, Fixed)
    for key in ("responders", "sensitivity"):
        table = Table(key, key, (Column("Arm", "left"),), ())
        more = Fixed(
            **{name: getattr(known, name) for name in ("headline", "cautions", "methods", "provenance", "frame")},
            key=key,
            title=key,
            named={},
            printed=table,
        )
        assert table in all_tables(small, study, (*base, Section(key, key, (more,), ())))


def test_every_table_has_a_name_of_its_own(small: Checked) -> None:
    study = study_of(small)
    keys = [table.key for table in all_tables(small, study, fixed_sections(study))]
    assert len(keys) == len(set(keys))
    assert {"sample", "missing", "events", "reliability", "dose", f"change_by_visit_{MEASURE}"} <= set(keys)


def test_the_sample_table_holds_no_p_value(small: Checked) -> None:
    study = study_of(small)
    sample = results_of(fixed_sections(study))["sample"].table()
    heads = " ".join(column.heading for column in sample.columns).lower()
    assert "p " not in heads.replace("passive", "")
    assert not [cell for row in sample.rows for cell in row if cell.startswith(("<", "0.0"))]


@pytest.mark.parametrize("number_of_people", [6])
def test_headings_give_the_size_of_each_arm(small: Checked, number_of_people: int) -> None:
    heads = [column.heading for column in results_of(fixed_sections(study_of(small)))["sample"].table().columns]
    assert heads[2].replace("\N{NO-BREAK SPACE}", " ").endswith(f"(n = {number_of_people})")
