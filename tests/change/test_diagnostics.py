"""Checks of the model: what was planted is seen, sound studies are left alone, influence is that of leaving out."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pandas as pd
import pytest
from made_studies import MEASURE, made_audit, made_trial
from scipy import stats

from studykit.change import ChangeByArm, ModelDiagnostics, change_of_study, diagnostics_of_study
from studykit.change.diagnostics import Check
from studykit.change.model import ChangeModel, fit_change
from studykit.data.study import Study
from studykit.errors import DesignError

SOUND = made_trial(40, missing=0.1)
RESULT = diagnostics_of_study(SOUND)


def check(result: ModelDiagnostics, start: str) -> Check:
    (found,) = [one for one in result.checks if one.name.startswith(start)]
    return found


def with_readings(study: Study, rows: pd.DataFrame) -> Study:
    return dataclasses.replace(study, tables={**study.tables, "measurements": rows})


def test_a_sound_study_passes_no_limit_and_has_one_sentence_a_check() -> None:
    assert not any(one.look for one in RESULT.checks)
    assert "Every check" in RESULT.headline
    assert len(RESULT.table().rows) == 5
    assert {row[2] for row in RESULT.table().rows} == {"as expected"}
    assert all(one.seen.endswith(".") for one in RESULT.checks)


def test_numbers_are_those_of_scipy_and_of_the_engine() -> None:
    change = change_of_study(SOUND)[0]
    assert isinstance(change, ChangeByArm)
    residuals = change.model.fit.residuals("standardised")
    numbers = RESULT.numbers()
    assert numbers["residual.skewness"] == pytest.approx(stats.skew(residuals), rel=1e-9)
    assert numbers["residual.largest"] == pytest.approx(np.abs(residuals).max(), rel=1e-9)
    fitted = change.model.fit.fitted(conditional=True)
    order, third = np.argsort(fitted, kind="stable"), len(fitted) // 3
    ratio = residuals[order[-third:]].std(ddof=1) / residuals[order[:third]].std(ddof=1)
    assert numbers["residual.spread_ratio"] == pytest.approx(ratio, rel=1e-9)
    found = change.model.fit.influence(pd.factorize(change.readings.rows["participant_id"], sort=True)[0])
    assert numbers["influence.largest_cooks_distance"] == pytest.approx(found.cooks_distance.max(), rel=1e-12)


def least_squares(model: ChangeModel, kept: np.ndarray) -> np.ndarray:
    """Fixed effects from some of the rows, at the variances of the model, with n x n matrices."""
    fit = model.fit
    v = fit.residual_variance * np.eye(fit.n)
    for term, covariance in zip(fit.design.terms, fit.covariances, strict=True):
        same = term.codes[:, None] == term.codes[None, :]
        v += same * (term.columns @ covariance @ term.columns.T)
    inverse, x = np.linalg.inv(v[np.ix_(kept, kept)]), fit.design.x[kept]
    solved: np.ndarray = np.linalg.solve(x.T @ inverse @ x, x.T @ inverse @ fit.response.y[kept, 0])
    return solved


def test_influence_is_what_leaving_the_participant_out_does() -> None:
    """Second routes: least squares with the whole covariance matrix without the participant's rows, and a new fit."""
    change = change_of_study(SOUND)[0]
    assert isinstance(change, ChangeByArm)
    readings, model = change.readings, change.model
    ids = sorted(readings.rows["participant_id"].unique())
    at = (model.differences["visit"] == "week_12").to_numpy()
    codes = pd.factorize(readings.rows["participant_id"], sort=True)[0]
    moved = (model.fit.influence(codes).change @ model.difference_weights[:, at])[:, 0]
    who = ids[int(np.argmax(np.abs(moved)))]
    kept = (readings.rows["participant_id"] != who).to_numpy()
    without = least_squares(model, kept) @ model.difference_weights[:, at][:, 0]
    before = model.differences.set_index("visit").loc["week_12"]
    # One dense inverse against the structured one: 1e-16 times a condition number below 1e6.
    assert before["estimate"] - without == pytest.approx(moved[ids.index(who)], rel=1e-7)
    rows = readings.rows[kept].reset_index(drop=True)
    again = fit_change(dataclasses.replace(readings, rows=rows), confidence=0.95, shared_baseline=True)
    after = again.differences.set_index("visit").loc["week_12"]
    # The most influential person also moves the variances, which are held here: up to a quarter of a standard error.
    assert before["estimate"] - after["estimate"] == pytest.approx(
        moved[ids.index(who)], abs=0.25 * before["std_error"]
    )
    assert np.abs(moved).max() == pytest.approx(RESULT.numbers()["influence.hold_60.largest_move"], rel=1e-9)


def test_a_misread_value_is_seen_in_the_residuals() -> None:
    rows = SOUND.table("measurements")
    rows.loc[rows.index[30], "value"] += 60.0
    result = diagnostics_of_study(with_readings(SOUND, rows))
    assert check(result, "Shape of the residuals").look
    assert "shape of the residuals" in result.headline


def test_errors_that_grow_with_the_angle_are_seen() -> None:
    rows = SOUND.table("measurements")
    noise = np.random.default_rng(1).normal(0, 1, len(rows))
    level = rows["value"].to_numpy()
    rows["value"] = level + noise * np.exp((level - 120.0) / 3.0)
    assert check(diagnostics_of_study(with_readings(SOUND, rows)), "Residuals against fitted").look


def test_people_who_differ_in_two_camps_or_one_far_off_are_seen() -> None:
    rows = SOUND.table("measurements")
    rows.loc[rows["participant_id"] == "P003", "value"] += 60.0
    assert check(diagnostics_of_study(with_readings(SOUND, rows)), "Effects of participants").look


def test_one_participant_who_decides_the_answer_is_seen() -> None:
    study = made_trial(16, effect_deg=0.0, seed=3)
    rows = study.table("measurements")
    far = (rows["participant_id"] == "P001") & (rows["visit"] == "week_12")
    rows.loc[far, "value"] += 30.0
    rows = rows[~rows["participant_id"].isin([f"P{n:03d}" for n in range(5, 16, 2)])].reset_index(drop=True)
    found = check(diagnostics_of_study(with_readings(study, rows)), "Influence")
    assert found.look
    assert found.numbers["influence.largest_cooks_distance"] > 1.0


def test_passing_zero_is_counted() -> None:
    """Effects near the edge: somewhere among seeds the interval rests on a single person, and the sentence says so."""
    counted = [diagnostics_of_study(made_trial(14, effect_deg=2.2, seed=s)).numbers() for s in range(6)]
    assert any(numbers["influence.passing_zero"] > 0 for numbers in counted)


def test_variances_of_zero_are_said() -> None:
    rng = np.random.default_rng(8)
    values = 50 + rng.normal(0, 1, (12, 2, 2)) + 3.0 * np.array([1.0, -1.0])
    result = diagnostics_of_study(made_audit(values))
    assert check(result, "Variances").numbers["variances_at_limit"] >= 1.0
    assert "estimated as zero" in check(result, "Variances").seen


def test_an_audit_speaks_of_changes() -> None:
    values = np.random.default_rng(6).normal(50, 4, (20, 3, 2)) + np.random.default_rng(7).normal(0, 6, (20, 1, 1))
    result = diagnostics_of_study(made_audit(values))
    assert "moves a change by at most" in check(result, "Influence").seen
    assert "control" not in " ".join(one.seen for one in result.checks)


def test_few_people_are_not_shown_one_by_one() -> None:
    values = np.random.default_rng(3).normal(50, 4, (4, 2, 1)) + np.array([0.0, 3.0])[:, None]
    with pytest.raises(DesignError, match="4 participants; people are not shown one by one below 5"):
        diagnostics_of_study(made_audit(values))


def test_nobody_is_named() -> None:
    figure = RESULT.figure()
    said = f"{RESULT.headline} {RESULT.table()} {figure.svg()} {figure.alt} {figure.caption} {RESULT.numbers()}"
    assert not re.search(r"\bP\d{3}\b", said)


def test_picture_draws_what_was_computed() -> None:
    figure = RESULT.figure()
    assert figure.clipped_texts() == []
    assert figure.overlapping_texts() == []
    residual, normal, effects, influence = figure.figure.axes
    assert np.array_equal(np.asarray(residual.lines[1].get_ydata()), RESULT.residuals)
    assert np.array_equal(np.asarray(normal.lines[0].get_ydata()), np.sort(RESULT.residuals))
    assert np.array_equal(np.asarray(effects.lines[0].get_ydata()), np.sort(RESULT.effects["levels"]))
    assert np.array_equal(np.asarray(influence.lines[0].get_ydata()), np.sort(RESULT.cooks_distance))
    assert all(one.seen in figure.alt for one in RESULT.checks[:4])


def test_key_and_repeat() -> None:
    assert RESULT.key == f"diagnostics.{MEASURE}"
    assert diagnostics_of_study(SOUND).numbers() == RESULT.numbers()
    assert len(repr(RESULT)) < 6000
