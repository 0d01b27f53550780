"""Variance components and decision study through labels."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studykit.errors import CallError
from studykit.reliability import decision_study, icc, inter_and_intra, variance_components

REFERENCE = Path(__file__).parents[1] / "reference"
FORMULA = 1e-10  # the reference is the same formula at 15 digits
NAMES = {"target": "subject", "rater": "rater", "value": "angle"}


@pytest.fixture
def goniometer() -> pd.DataFrame:
    return pd.read_csv(REFERENCE / "data" / "eliasziw_goniometer_1994.csv")


def test_four_components_of_the_goniometer(goniometer: pd.DataFrame) -> None:
    expected = json.loads((REFERENCE / "expected" / "goniometer_eliasziw_1994.json").read_text())
    formulas = expected["eliasziw_formulas"]["random_raters"]
    got = variance_components(goniometer, **NAMES)
    assert [part.name for part in got.components] == ["participants", "raters", "participant by rater", "trials (rest)"]
    assert [part.variance for part in got.components] == pytest.approx(
        [formulas[f"var_{name}"] for name in ("subject", "rater", "subject_x_rater", "error")], rel=FORMULA
    )
    frame = got.to_frame()
    assert frame["share"].sum() == pytest.approx(1.0)
    assert (frame["sd"] ** 2).tolist() == pytest.approx(frame["variance"].tolist())


def test_decision_study_of_one_rater_and_one_trial_is_the_concurrent_answer(goniometer: pd.DataFrame) -> None:
    """Two routes: components projected to one rater and one trial, and the published inter-rater formulas."""
    study = decision_study(variance_components(goniometer, **NAMES), raters=[1, 2], trials=[1, 3])
    single = study.designs.query("raters == 1 and trials == 1").iloc[0]
    direct = inter_and_intra(goniometer, **NAMES)
    assert single["icc"] == pytest.approx(direct.inter.value, rel=FORMULA)
    assert single["sem"] == pytest.approx(direct.inter.sem, rel=FORMULA)
    assert single["mdc"] == pytest.approx(direct.inter.mdc().value, rel=FORMULA)
    means = study.designs.query("raters == 1 and trials == 3").iloc[0]
    of_means = icc(goniometer, **NAMES, mean_of_trials=True)
    assert means["icc"] == pytest.approx(of_means.value, rel=FORMULA)


def test_cheapest_design_that_reaches_a_wanted_change(goniometer: pd.DataFrame) -> None:
    components = variance_components(goniometer, **NAMES)
    got = decision_study(components, wanted_mdc=4.0)
    assert got.best is not None
    assert got.best.mdc <= 4.0
    cheaper = got.designs[got.designs["measurements"] < got.best.measurements]
    assert (cheaper["mdc"] > 4.0).all()
    dear_raters = decision_study(components, wanted_mdc=4.4, cost_rater=10.0)
    assert dear_raters.best is not None
    assert dear_raters.best.raters == 1
    none = decision_study(components, wanted_mdc=0.01)
    assert none.best is None
    assert "no design of the grid" in none.reason


def test_one_value_a_cell_gives_three_components_and_a_warning_about_trials(goniometer: pd.DataFrame) -> None:
    got = variance_components(goniometer.query("trial == 1"), **NAMES)
    assert len(got.components) == 3
    assert any("best case" in text for text in decision_study(got).cautions)


def test_raters_who_shared_no_target_give_two_components(goniometer: pd.DataFrame) -> None:
    nested = goniometer.query("rater == 'R1'")
    got = variance_components(nested, **NAMES)
    assert [part.facets for part in got.components] == [("target",), ("target", "trial")]
    assert decision_study(got, trials=[1, 2]).designs["raters"].tolist() == [1, 1]
    with pytest.raises(CallError, match="know no rater"):
        decision_study(got, raters=[2])


def test_negative_component_is_shown_as_zero_with_its_reason() -> None:
    table = np.array([[1.0, 9.0], [9.0, 1.0], [2.0, 8.0], [8.0, 2.0]])
    frame = pd.DataFrame(
        {"subject": np.repeat(list("abcd"), 2), "rater": np.tile(["x", "y"], 4), "angle": table.ravel()}
    )
    got = variance_components(frame, **NAMES)
    assert got.components[0].variance == 0.0
    assert got.components[0].reason == "negative estimate, shown as 0"
    assert any("negative estimate" in text for text in got.cautions)


def test_grid_is_checked(goniometer: pd.DataFrame) -> None:
    components = variance_components(goniometer, **NAMES)
    with pytest.raises(CallError, match="at least 1"):
        decision_study(components, trials=[0])
    with pytest.raises(CallError, match="know no session"):
        decision_study(components, sessions=[2])
    with pytest.raises(CallError, match="costs are 0 or more"):
        decision_study(components, cost_trial=-1.0)
