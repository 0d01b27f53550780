"""Covariates, strata and several comparisons in the model of change: a second route each, and decided edges."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_studies import made_audit, made_trial
from scipy import stats
from statsmodels.stats.multitest import multipletests

from studykit.change import change_of_study
from studykit.change.model import ChangeModel, fit_change
from studykit.change.readings import readings_for_change
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.modelling import Varies, fit_mixed
from studykit.numerics.mixed.small_sample import kenward_roger
from studykit.vocabulary import PARTICIPANTS

ARMS = {"usual": "Usual care", "hold_30": "30 s hold", "hold_60": "60 s hold"}
PLAIN = (("participant_id",), ("participant_id", "side"))


def with_people(study: Study, *, analysis: dict[str, object], **columns: object) -> Study:
    """The study with these columns of participants and these choices of analysis."""
    people = study.table(PARTICIPANTS).assign(**columns)
    chosen = study.protocol.analysis.model_copy(update=analysis)
    return dataclasses.replace(
        study,
        protocol=study.protocol.model_copy(update={"analysis": chosen}),
        tables={**study.tables, PARTICIPANTS: people},
    )


def ages(study: Study, seed: int = 4) -> np.ndarray:
    return np.random.default_rng(seed).uniform(20, 60, len(study.table(PARTICIPANTS)))


def adjusted_trial(people: int = 45, **analysis: object) -> Study:
    study = made_trial(people, arms=ARMS, effect_deg=4.0, missing=0.1)
    site = np.array(["north", "south", "west"])[np.arange(people) // 4 % 3]
    asked: dict[str, object] = {"covariates": ("age_years",), "strata": ("site",), **analysis}
    return with_people(study, analysis=asked, age_years=ages(study), site=site)


def fitted(study: Study, **asked: object) -> ChangeModel:
    return fit_change(readings_for_change(study), confidence=0.95, shared_baseline=True, **asked)  # type: ignore[arg-type]


def test_covariates_and_strata_equal_the_model_written_out() -> None:
    """Second route: the labelled engine with a column for every arm at every visit and every covariate at every visit,
    uncentred; the differences between arms are the same."""
    study = adjusted_trial()
    readings = readings_for_change(study)
    people = study.table(PARTICIPANTS).set_index("participant_id")
    rows = readings.rows.join(people[["age_years", "site"]], on="participant_id")
    fixed = []
    for visit in ("week_6", "week_12"):
        rows[f"at_{visit}"] = (rows["visit"] == visit).astype(float)
        fixed.append(f"at_{visit}")
        for arm in ("hold_30", "hold_60"):
            rows[f"{arm}_{visit}"] = ((rows["visit"] == visit) & (rows["arm"] == arm)).astype(float)
            fixed.append(f"{arm}_{visit}")
    for visit in ("baseline", "week_6", "week_12"):
        here = (rows["visit"] == visit).astype(float)
        for name, value in (
            ("age", rows["age_years"]),
            ("south", (rows["site"] == "south").astype(float)),
            ("west", (rows["site"] == "west").astype(float)),
        ):
            rows[f"{name}_{visit}"] = value * here
            fixed.append(f"{name}_{visit}")
    random = [Varies("participant_id"), Varies("participant_id", "side")]
    other = fit_mixed(rows, outcome="value", fixed=" + ".join(fixed), random=random).coefficients().set_index("term")
    model = fitted(study, terms=PLAIN)
    for row in model.differences.itertuples():
        wanted = other.loc[f"{row.arm}_{row.visit}"]
        # One engine, two parametrisations: equal to the accuracy of the optimum.
        assert row.estimate == pytest.approx(wanted["estimate"], rel=1e-6)
        assert row.std_error == pytest.approx(wanted["std_error"], rel=1e-6)
        assert row.df == pytest.approx(wanted["df"], rel=1e-5)


def test_a_covariate_that_explains_the_angle_narrows_the_interval() -> None:
    study = made_trial(60, missing=0.05)
    age = ages(study)
    readings = study.table("measurements")
    of_person = dict(zip(study.table(PARTICIPANTS)["participant_id"], age, strict=True))
    slope = readings["visit"].map({"baseline": 0.2, "week_6": 0.5, "week_12": 0.8})
    readings["value"] += slope * readings["participant_id"].map(of_person)
    study = dataclasses.replace(study, tables={**study.tables, "measurements": readings})
    without = fitted(with_people(study, analysis={}, age_years=age))
    adjusted = fitted(with_people(study, analysis={"covariates": ("age_years",)}, age_years=age))
    narrow = adjusted.differences.set_index("visit").loc["week_12", "std_error"]
    assert narrow < 0.8 * without.differences.set_index("visit").loc["week_12", "std_error"]


@settings(max_examples=10)
@given(shift=st.floats(-50, 50), scale=st.floats(0.01, 100))
def test_the_unit_of_a_covariate_changes_nothing(shift: float, scale: float) -> None:
    study = made_trial(24)
    age = ages(study)
    asked: dict[str, object] = {"covariates": ("age_years",)}
    one = fitted(with_people(study, analysis=asked, age_years=age))
    other = fitted(with_people(study, analysis=asked, age_years=shift + scale * age))
    for name in ("estimate", "std_error", "low"):
        # The optimum is found to about 1e-8 of a standard error, whatever the unit of a column.
        assert np.allclose(one.changes[name], other.changes[name], rtol=1e-6, atol=1e-6)


def test_a_value_that_is_not_recorded_takes_the_mean_in_a_trial() -> None:
    study = made_trial(24)
    age = ages(study)
    holes = age.copy()
    holes[[3, 7]] = np.nan
    filled = holes.copy()
    filled[[3, 7]] = np.nanmean(holes)
    asked: dict[str, object] = {"covariates": ("age_years",)}
    readings = readings_for_change(with_people(study, analysis=asked, age_years=holes))
    assert any("Age is not recorded for 2 participants of 24" in note for note in readings.notes)
    one = fit_change(readings, confidence=0.95, shared_baseline=True)
    other = fitted(with_people(study, analysis=asked, age_years=filled))
    pd.testing.assert_frame_equal(one.differences, other.differences)


def test_an_audit_refuses_a_covariate_with_gaps() -> None:
    study = made_audit(np.random.default_rng(1).normal(50, 5, (12, 2, 1)))
    age = ages(study)
    age[[2, 5]] = np.nan
    holed = with_people(study, analysis={"covariates": ("age_years",)}, age_years=age)
    with pytest.raises(DesignError, match=r"not recorded for 2 of 12 participants \(first: P002\)"):
        readings_for_change(holed)


def test_covariates_that_tell_nothing_or_too_much() -> None:
    study = made_trial(24)
    same = with_people(study, analysis={"covariates": ("sex",)}, sex="female")
    readings = readings_for_change(same)
    assert readings.adjusting.named == ()
    assert any("Everybody has the same sex" in note for note in readings.notes)
    nobody = with_people(study, analysis={"covariates": ("age_years",)}, age_years=np.nan)
    with pytest.raises(DesignError, match="recorded for nobody"):
        readings_for_change(nobody)
    names = with_people(study, analysis={"strata": ("site",)}, site=[f"site {n}" for n in range(24)])
    with pytest.raises(DesignError, match="24 different words"):
        readings_for_change(names)
    twice = with_people(study, analysis={"covariates": ("age_years", "mass_kg")}, age_years=ages(study))
    twice = with_people(twice, analysis={}, mass_kg=2.0 * ages(study))
    with pytest.raises(DesignError, match="mass_kg at"):
        fitted(twice)


def test_holm_adjusts_the_p_values_of_a_visit_and_leaves_the_intervals() -> None:
    study = made_trial(45, arms=ARMS, effect_deg=2.0)
    alone, holm = fitted(study), fitted(study, multiplicity="holm")
    for visit in ("week_6", "week_12"):
        plain = alone.differences[alone.differences["visit"] == visit]
        mine = holm.differences[holm.differences["visit"] == visit]
        assert mine["p"].to_numpy() == pytest.approx(multipletests(plain["p"], method="holm")[1], rel=1e-12)
        assert mine["low"].tolist() == plain["low"].tolist()
        assert mine["p_alone"].tolist() == plain["p"].tolist()


def test_taken_together_the_box_of_all_comparisons_holds_the_stated_probability() -> None:
    """Second route: scipy's multivariate t over the same box, from the Kenward–Roger covariance of the contrasts."""
    model = fitted(made_trial(45, arms=ARMS, effect_deg=2.0, missing=0.1), multiplicity="together")
    rows = model.differences["visit"] == "week_12"
    weights = model.difference_weights[:, rows.to_numpy()]
    covariance = weights.T @ kenward_roger(model.fit.ingredients()) @ weights
    error = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(error, error)
    for row in model.differences[rows].itertuples():
        critical = (row.high - row.estimate) / row.std_error
        joint = stats.multivariate_t(shape=correlation, df=row.df, seed=1)
        for bound, inside in ((critical, 0.95), (abs(row.estimate) / row.std_error, 1.0 - row.p)):
            box = joint.cdf([bound, bound], lower_limit=[-bound, -bound], maxpts=200_000)
            # The lattice is good to 1e-5, scipy's quadrature to 1e-5 at this many points.
            assert inside == pytest.approx(box, abs=5e-5)
        assert row.low < row.low_alone < row.high_alone < row.high


def test_pairs_of_treated_arms_are_differences_of_differences() -> None:
    model = fitted(made_trial(45, arms={**ARMS, "roll": "Rolling"}, effect_deg=2.0), multiplicity="together")
    against_control = model.differences.set_index(["arm", "visit"])["estimate"]
    assert list(zip(model.pairs["arm"], model.pairs["against"], strict=True)) == [
        ("hold_60", "hold_30"),
        ("roll", "hold_30"),
        ("roll", "hold_60"),
    ]
    for row in model.pairs.itertuples():
        wanted = against_control[(row.arm, "week_12")] - against_control[(row.against, "week_12")]
        assert row.estimate == pytest.approx(wanted, abs=1e-10)  # one fit: but for the rounding of a subtraction
        # Bonferroni for three comparisons at the row's own df.
        reach = stats.t.ppf(1 - 0.05 / 6, row.df) * row.std_error
        assert row.high == pytest.approx(row.estimate + reach, rel=1e-10)


def test_words_and_numbers_say_what_was_declared() -> None:
    (plain, _) = change_of_study(made_trial(45, arms=ARMS, effect_deg=2.0))
    assert not any(name.endswith("p_alone") for name in plain.numbers())
    assert "adjusted for" not in plain.methods
    assert any(name.startswith("pairs.hold_60.hold_30.") for name in plain.numbers())
    assert [cells[0] for cells in plain.table().rows] == ["30 s hold", "60 s hold", "60 s hold, against 30 s hold"]
    (together, _) = change_of_study(adjusted_trial(multiplicity="together"))
    assert "adjusted for age and site (strata of the allocation) with effects of their own" in together.methods
    assert "Dunnett" in together.methods
    assert "week_12.hold_60.p_alone" in together.numbers()
    assert any("2 comparisons with one control" in c and "hold at once" in c for c in together.cautions)
    (holm, _) = change_of_study(adjusted_trial(multiplicity="holm"))
    assert "Holm (1979" in holm.methods
    assert any("each interval stands alone" in caution for caution in holm.cautions)
    two = change_of_study(with_people(made_trial(20), analysis={"multiplicity": "holm"}))[0]
    assert "Holm" not in two.methods
