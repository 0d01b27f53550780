"""Which random terms the plan of a study calls for, and what the change model refuses or says in words."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from made_studies import made_audit

from studykit.change.model import fit_change
from studykit.change.readings import readings_for_change
from studykit.change.terms import random_terms
from studykit.errors import DesignError


def test_terms_follow_from_who_was_measured_how_often() -> None:
    def rows(**columns: list[object]) -> pd.DataFrame:
        return pd.DataFrame(columns)

    one_limb = rows(participant_id=list("aabb"), side=["one"] * 4, visit=list("1212"), rater_id=["r"] * 4)
    assert random_terms(one_limb) == (("participant_id",),)
    both = rows(
        participant_id=list("aaaabbbb"), side=["l", "r"] * 4, visit=list("11221122"), rater_id=["r", "r", "s", "s"] * 2
    )
    assert random_terms(both) == (
        ("participant_id",),
        ("participant_id", "side"),
        ("participant_id", "visit"),
        ("rater_id",),
    )
    trials = pd.concat([one_limb, one_limb])
    assert random_terms(trials) == (("participant_id",), ("participant_id", "visit"))
    two_raters = pd.concat([both.assign(rater_id="r"), both.assign(rater_id="s")])
    assert ("participant_id", "side", "visit") in random_terms(two_raters)
    assert ("participant_id", "side", "visit", "rater_id") not in random_terms(two_raters)
    assert ("participant_id", "side", "visit", "rater_id") in random_terms(pd.concat([two_raters, two_raters]))


def test_nobody_seen_twice_is_no_change() -> None:
    values = np.full((10, 2, 1), np.nan)
    values[:5, 0, 0] = np.arange(5.0)
    values[5:, 1, 0] = np.arange(5.0) + 2
    readings = readings_for_change(made_audit(values))
    with pytest.raises(DesignError, match="0 of 10 participants have a reading both at Baseline and at Week 6"):
        fit_change(readings, confidence=0.95, shared_baseline=False)


def test_a_variance_of_zero_is_said_in_words() -> None:
    rng = np.random.default_rng(8)
    values = 50 + rng.normal(0, 1, (12, 2, 2))
    values += 3.0 * np.array([1.0, -1.0])  # limbs differ in the same way in everybody, and people do not differ
    model = fit_change(readings_for_change(made_audit(values)), confidence=0.95, shared_baseline=False)
    assert any("was estimated as zero" in sentence for sentence in model.boundary)


def test_everybody_changing_by_the_same_amount_is_no_interval() -> None:
    values = 50 + np.arange(8.0)[:, None, None] + np.array([0.0, 3.0])[:, None] + np.zeros((8, 2, 2))
    with pytest.raises(DesignError, match=r"32 outcomes of 8 participants cannot carry the model\. .* exactly"):
        fit_change(readings_for_change(made_audit(values)), confidence=0.95, shared_baseline=False)
