"""Each person's change and its place beside the MDC, checked by hand on a handful of people."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from made_studies import MEASURE, made_audit, made_trial, protocol_text, readings_frame, study_of

from studykit.change import MdcBeside
from studykit.change.readings import readings_for_change
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.individuals.changes import PersonChanges, changes_of_people

ONE = MdcBeside(4.0, 3.0, 5.0, 0.95, "one limb")
BOTH = MdcBeside(3.0, 2.0, 4.0, 0.95, "both limbs")
NAN = float("nan")
CHANGES = [(5.0, 1.4), (-3.5, -3.7), (3.4, 3.4), (4.2, NAN), (3.9, NAN), (0.0, 0.0), (NAN, -4.5)]
"""Change of the left and the right limb of seven people."""


def seven(measure: str = MEASURE) -> Study:
    values = np.full((7, 2, 2, 1), 60.0)
    values[:, 1, :, 0] += np.array(CHANGES)
    rows = readings_frame(values, visits=("first", "last"), measure=measure)
    text = protocol_text(
        design="audit", arms={}, visits=("first", "last"), weeks=(0, 6), primary_visit="last", measure=measure
    )
    return study_of(
        text, measurements=rows, participants=pd.DataFrame({"participant_id": [f"P{n:03d}" for n in range(7)]})
    )


def placed(study: Study, mdc: MdcBeside | None = ONE, both: MdcBeside | None = BOTH) -> PersonChanges:
    return changes_of_people(study, readings_for_change(study), mdc, both)


def test_change_is_the_mean_over_limbs_read_at_both_visits() -> None:
    people = placed(seven()).people
    assert people["change"].tolist() == pytest.approx([3.2, -3.6, 3.4, 4.2, 3.9, 0.0, -4.5])
    assert people["limbs"].tolist() == [2, 2, 2, 1, 1, 2, 1]
    assert people["baseline"].tolist() == [60.0] * 7


def test_each_is_held_against_the_mdc_of_what_was_averaged() -> None:
    people = placed(seven()).people
    assert people["mdc"].tolist() == [3.0, 3.0, 3.0, 4.0, 4.0, 3.0, 4.0]
    assert people["beside"].tolist() == [
        "improved",
        "worsened",
        "improved",
        "improved",
        "within",
        "within",
        "worsened",
    ]


def test_without_an_mdc_of_both_limbs_that_of_one_is_used() -> None:
    people = placed(seven(), both=None).people
    assert set(people["mdc"]) == {4.0}
    assert people["beside"].tolist() == ["within", "within", "within", "improved", "within", "within", "worsened"]


def test_without_an_mdc_nobody_is_placed() -> None:
    changes = placed(seven(), None, None)
    assert set(changes.people["beside"]) == {""}
    assert not changes.has_mdc


@pytest.mark.parametrize(("better", "first"), [("lower", "worsened"), ("neither", "went_up"), ("higher", "improved")])
def test_what_is_better_is_the_measures_own(better: str, first: str) -> None:
    study = seven()
    measure = study.protocol.measures[MEASURE].model_copy(update={"better": better})
    protocol = study.protocol.model_copy(update={"measures": {MEASURE: measure}})
    turned = Study(protocol, dict(study.tables), study.findings)
    assert placed(turned).people["beside"].iloc[0] == first


def test_small_groups_are_counted_and_not_shown() -> None:
    """Nine people in two pathways, five and four, the smallest group being five."""
    values = np.random.default_rng(3).normal(50, 4, (9, 2, 1)) + np.array([0.0, 3.0])[:, None]
    changes = placed(made_audit(values, pathways=["a", "b"] * 4 + ["a"]))
    assert list(changes.arms) == ["a"]
    assert set(changes.shown["arm"]) == {"a"}
    assert changes.small == ("Pathway b",)
    assert changes.small_note() == ("1 group of fewer than 5 people with both readings is not shown.",)


def test_no_group_large_enough_is_refused() -> None:
    values = np.random.default_rng(3).normal(50, 4, (4, 2, 1))
    with pytest.raises(DesignError, match="No group has 5 people with a reading at both visits"):
        placed(made_audit(values))


def test_who_left_is_counted_by_arm() -> None:
    study = made_trial(40, missing=0.3, seed=4)
    readings = readings_for_change(study)
    changes = changes_of_people(study, readings, ONE, BOTH)
    for arm in changes.arms:
        rows = readings.rows[readings.rows["arm"] == arm]
        last = rows.loc[rows["visit"] == "week_12", "participant_id"].nunique()
        assert changes.not_measured[arm] == rows["participant_id"].nunique() - last
        assert len(changes.of_arm(arm)) == last
