"""The change model against published-software references, exact analyses of variance, and a second route."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from made_studies import made_audit, made_trial
from scipy import stats
from statsmodels.regression.mixed_linear_model import MixedLM

from studykit.change.model import ChangeModel, fit_change
from studykit.change.readings import ChangeReadings, readings_for_change
from studykit.change.terms import FURTHER_IN, PER_WEEK, random_slopes, random_terms
from studykit.errors import CallError
from studykit.modelling import Varies, fit_mixed
from studykit.protocol import Visit

REFERENCE = Path(__file__).parent.parent / "reference"
SMALL = made_trial(18, missing=0.15)


def readings_of(rows: pd.DataFrame, arms: list[str], control: str | None) -> ChangeReadings:
    visits = tuple(Visit(key=str(week), label=f"Week {week}", week=week) for week in sorted(rows["week"].unique()))
    rows = rows.assign(visit=rows["week"].astype(str))
    return ChangeReadings(
        rows=rows.sort_values(["participant_id", "visit", "side"], ignore_index=True),
        measure="m",
        visits=visits,
        primary_visit=visits[-1].key,
        arms={arm: arm for arm in arms},
        control=control,
        outcome_words="",
        notes=(),
    )


def rom_trial(*, trial_means: bool) -> ChangeReadings:
    rows = pd.read_csv(REFERENCE / "data" / "rom_trial_dev.csv").rename(
        columns={"pid": "participant_id", "limb": "side", "rater": "rater_id", "rom_deg": "value"}
    )
    if trial_means:
        rows = (
            rows.groupby(["participant_id", "arm", "side", "week", "rater_id"], sort=True)["value"].mean().reset_index()
        )
    return readings_of(rows, ["low", "mid", "high"], "low")


PLAIN = (("participant_id",), ("participant_id", "side"), ("rater_id",))
WITH_SITTING = (*PLAIN[:2], ("participant_id", "side", "visit"), PLAIN[2])


def reference_rows(fit: dict[str, object]) -> dict[str, tuple[float, float, float]]:
    rows = fit["KR_coef"]
    assert isinstance(rows, list)
    named = {"Estimate": "estimate", "Std. Error": "se", "df": "ddf"}
    found = {}
    for row in rows:
        plain = {named.get(key, key): value for key, value in row.items()}
        found[str(plain["term"])] = (plain["estimate"], plain["se"], plain["ddf"])
    return found


@pytest.mark.parametrize(
    ("part", "terms", "trial_means"),
    [
        ("A_cLDA_trial_means", PLAIN, True),
        ("B_cLDA_trial_means_with_limb_session", WITH_SITTING, True),
        ("F_cLDA_trial_level_with_limb_session", WITH_SITTING, False),
    ],
)
def test_constrained_baseline_equals_lme4_and_pbkrtest(
    part: str, terms: tuple[tuple[str, ...], ...], trial_means: bool
) -> None:
    """lme4 1.1-31 and pbkrtest 0.5.2 on a simulated trial: two limbs, two raters, three arms, missing visits."""
    reference = json.loads((REFERENCE / "expected" / "rom_trial_dev_fits.json").read_text(encoding="utf-8"))[part]
    expected = reference_rows(reference)
    model = fit_change(rom_trial(trial_means=trial_means), confidence=0.95, shared_baseline=True, terms=terms)
    change, difference = (frame.set_index(["arm", "visit"]) for frame in (model.changes, model.differences))
    for week in (4, 8, 12):
        for name, row in [(f"wk{week}", change.loc[("low", str(week))])] + [
            (f"{arm}_w{week}", difference.loc[(arm, str(week))]) for arm in ("mid", "high")
        ]:
            estimate, error, df = expected[name]
            # Polished lme4 fits are good to 1e-7; pbkrtest's numbers to 1e-6 (its own rounding in large inverses).
            assert row["estimate"] == pytest.approx(estimate, rel=1e-7)
            assert row["std_error"] == pytest.approx(error, rel=1e-6)
            assert row["df"] == pytest.approx(df, rel=1e-6)
    variances = {row["grp"]: row["vcov"] for row in reference["REML"]["varcorr"]}
    assert model.variances["participant"] == pytest.approx(variances["pid"], rel=1e-7)
    assert model.variances["limb within participant"] == pytest.approx(variances["pid:limb"], rel=1e-7)
    # The rater's variance comes from two raters: the criterion is flat there and lme4 stops at about 1e-6.
    assert model.variances["rater (crossed)"] == pytest.approx(variances["rater"], rel=1e-5)
    assert model.variances["residual"] == pytest.approx(variances["Residual"], rel=1e-7)


def beat_the_blues() -> ChangeReadings:
    rows = pd.read_csv(REFERENCE / "data" / "BtheB_clda_long.csv")
    rows = rows.rename(columns={"id": "participant_id", "treatment": "arm", "visit": "week", "bdi": "value"})
    return readings_of(rows.assign(side="one", rater_id="r1"), ["TAU", "BtheB"], "TAU")


ONLY_PARTICIPANT = (("participant_id",),)


def test_published_trial_equals_reference() -> None:
    """BtheB (Proudfoot et al. 2003, as in HSAUR3): lme4 and pbkrtest, random intercept, missing visits."""
    readings = beat_the_blues()
    path = REFERENCE / "expected" / "trial_BtheB_cLDA.json"
    expected = reference_rows(json.loads(path.read_text(encoding="utf-8"))["lmm_random_intercept"])
    model = fit_change(readings, confidence=0.95, shared_baseline=True, terms=ONLY_PARTICIPANT)
    assert random_terms(readings.rows) == ONLY_PARTICIPANT
    assert model.slopes == ()
    difference = model.differences.set_index("visit")
    for week in (2, 3, 5, 8):
        estimate, error, df = expected[f"trt_v{week}"]
        row = difference.loc[str(week)]
        assert row["estimate"] == pytest.approx(estimate, rel=1e-7)  # polished lme4
        assert row["std_error"] == pytest.approx(error, rel=1e-6)  # pbkrtest
        assert row["df"] == pytest.approx(df, rel=1e-6)  # pbkrtest
        reach = stats.t.ppf(0.975, df) * error
        assert row["low"] == pytest.approx(estimate - reach, rel=2e-6)  # follows from the two above
        assert row["high"] == pytest.approx(estimate + reach, rel=2e-6)


def test_second_route_statsmodels_finds_the_same_optimum() -> None:
    readings = beat_the_blues()
    model = fit_change(readings, confidence=0.95, shared_baseline=True, terms=ONLY_PARTICIPANT)
    rows = readings.rows
    columns = {"intercept": np.ones(len(rows))}
    for week in ("2", "3", "5", "8"):
        columns[f"v{week}"] = (rows["visit"] == week).to_numpy(dtype=float)
        columns[f"t{week}"] = ((rows["visit"] == week) & (rows["arm"] == "BtheB")).to_numpy(dtype=float)
    design = pd.DataFrame(columns)
    fit = MixedLM(rows["value"].to_numpy(), design.to_numpy(), groups=rows["participant_id"].to_numpy()).fit(
        reml=True, method="powell", ftol=1e-12
    )
    effects = dict(zip(columns, fit.fe_params, strict=True))
    for week in ("2", "3", "5", "8"):
        mine = model.differences.set_index("visit").loc[week, "estimate"]
        # A derivative-free search stops when its step is small: about 1e-5 in the variances.
        assert mine == pytest.approx(effects[f"t{week}"], rel=1e-4)
    assert model.variances["participant"] == pytest.approx(float(fit.cov_re[0, 0]), rel=1e-3)
    assert model.log_likelihood >= fit.llf - 1e-6


def test_the_labelled_model_with_a_formula_gives_the_same_answer() -> None:
    """The same model written as a formula: other columns, other names, the same estimates and small-sample df."""
    readings = rom_trial(trial_means=True)
    rows = readings.rows.copy()
    columns = []
    for week in ("4", "8", "12"):
        rows[f"v{week}"] = (rows["visit"] == week).astype(float)
        columns.append(f"v{week}")
        for arm in ("mid", "high"):
            rows[f"{arm}{week}"] = ((rows["visit"] == week) & (rows["arm"] == arm)).astype(float)
            columns.append(f"{arm}{week}")
    random = [Varies("participant_id"), Varies("participant_id", "side"), Varies("rater_id")]
    fit = fit_mixed(rows, outcome="value", fixed=" + ".join(columns), random=random)
    coefficients = fit.coefficients().set_index("term")
    model = fit_change(readings, confidence=0.95, shared_baseline=True, terms=PLAIN)
    for row in model.differences.itertuples():
        other = coefficients.loc[f"{row.arm}{row.visit}"]
        # One engine, two parametrisations: equal to the accuracy of the optimum.
        assert row.estimate == pytest.approx(other["estimate"], rel=1e-7)
        assert row.std_error == pytest.approx(other["std_error"], rel=1e-7)
        assert row.df == pytest.approx(other["df"], rel=1e-6)


def exact_paired(first: np.ndarray, last: np.ndarray) -> tuple[float, float, float, float]:
    """Mean change, its standard error, df and p by the paired t-test (scipy)."""
    test = stats.ttest_rel(last, first)
    change = last - first
    return float(change.mean()), float(stats.sem(change)), float(test.df), float(test.pvalue)


def only_change(model: ChangeModel, visit: str) -> pd.Series:
    (row,) = [row for _, row in model.changes[model.changes["visit"] == visit].iterrows()]
    return row


def test_two_visits_of_one_limb_are_a_paired_t_test() -> None:
    rng = np.random.default_rng(2)
    values = 50 + rng.normal(0, 5, (14, 1, 1)) + rng.normal(0, 2, (14, 2, 1)) + np.array([0.0, 3.0])[:, None]
    model = fit_change(readings_for_change(made_audit(values)), confidence=0.95, shared_baseline=False)
    row = only_change(model, "week_6")
    change, error, df, p = exact_paired(values[:, 0, 0], values[:, 1, 0])
    # Balanced: REML equals the analysis of variance, to the rounding of the optimiser.
    assert [row["estimate"], row["std_error"], row["df"], row["p"]] == pytest.approx([change, error, df, p], rel=1e-9)


def changing_people(rng: np.random.Generator, people: int, visits: int, slope_sd: float) -> np.ndarray:
    """(people, visits): levels, slopes over the visits that differ between people, and an error of 1."""
    slope = rng.normal(1.0, slope_sd, (people, 1)) * np.arange(visits)
    return 50 + rng.normal(0, 4, (people, 1)) + slope + rng.normal(0, 1, (people, visits))


def test_people_changing_at_different_rates_are_a_paired_t_test_over_three_visits() -> None:
    """Three evenly spaced visits, complete: the change to the last is the slope's own contrast, free to spread as it
    does, so the model gives the paired t-test of last and first exactly. Equal correlation makes it too narrow.
    """
    values = changing_people(np.random.default_rng(12), 15, 3, 3.0)
    readings = readings_for_change(made_audit(values[:, :, None]))
    model = fit_change(readings, confidence=0.95, shared_baseline=False)
    assert model.slopes == (PER_WEEK,)
    assert not model.boundary
    row = only_change(model, "week_12")
    change, error, df, p = exact_paired(values[:, 0], values[:, 2])
    # Balanced: exact but for the accuracy of the optimum.
    assert [row["estimate"], row["std_error"], row["df"], row["p"]] == pytest.approx([change, error, df, p], rel=1e-6)
    equal = only_change(fit_change(readings, confidence=0.95, shared_baseline=False, terms=ONLY_PARTICIPANT), "week_12")
    assert equal["std_error"] < 0.9 * error


def test_treated_arms_may_spread_more_than_the_control_arm() -> None:
    """150 people an arm, slopes of SD 0.1 and 3 a visit, error 1: the change to visit 3 has an SD of 1.4 and 6.2."""
    rng = np.random.default_rng(13)
    values = np.concatenate([changing_people(rng, 150, 3, 0.1), changing_people(rng, 150, 3, 3.0)])
    rows = pd.DataFrame(
        {
            "participant_id": np.repeat([f"P{n:03d}" for n in range(300)], 3),
            "arm": np.repeat(["c", "t"], 450),
            "side": "one",
            "week": np.tile([0, 6, 12], 300),
            "rater_id": "r1",
            "value": values.ravel(),
        }
    )
    readings = readings_of(rows, ["c", "t"], "c")
    model = fit_change(readings, confidence=0.95, shared_baseline=True)
    assert model.slopes == (PER_WEEK, f"{FURTHER_IN}t")
    error = model.changes[model.changes["visit"] == "12"].set_index("arm")["std_error"]
    within = values[:, 2] - values[:, 0]
    for arm, own in (("c", within[:150]), ("t", within[150:])):
        # The baseline shared with the other arm tells a little more than the arm alone; a fifth is more than it can.
        assert error[arm] == pytest.approx(stats.sem(own), rel=0.2)
    assert error["t"] > 3 * error["c"]


def test_slopes_follow_from_the_plan() -> None:
    trial, audit = readings_for_change(SMALL), readings_for_change(made_audit(np.arange(24.0).reshape(4, 3, 2)))
    assert random_slopes(trial) == (PER_WEEK, f"{FURTHER_IN}hold_60")
    once = trial.rows[(trial.rows["arm"] == "usual") | (trial.rows["visit"] == "week_12")]
    assert random_slopes(readings_with(trial, once)) == (PER_WEEK,)
    assert random_slopes(audit) == (PER_WEEK,)
    assert random_slopes(dataclasses.replace(trial, visits=trial.visits[:2])) == ()
    same = tuple(visit.model_copy(update={"week": 0.0}) for visit in trial.visits)
    assert random_slopes(dataclasses.replace(trial, visits=same)) == ()


def test_a_slope_without_its_intercept_is_refused() -> None:
    with pytest.raises(CallError, match="goes with the intercept"):
        fit_change(
            readings_for_change(SMALL),
            confidence=0.95,
            shared_baseline=True,
            terms=(("rater_id",),),
            slopes=(PER_WEEK,),
        )


def test_two_limbs_are_not_two_people() -> None:
    """Complete data on both limbs: the paired t-test on each person's mean of both limbs, exactly, with n - 1 df."""
    rng = np.random.default_rng(3)
    values = (
        50
        + rng.normal(0, 5, (16, 1, 1))
        + rng.normal(0, 2, (16, 1, 2))
        + rng.normal(0, 2.5, (16, 2, 1))
        + rng.normal(0, 1, (16, 2, 2))
        + np.array([0.0, 3.0])[:, None]
    )
    model = fit_change(readings_for_change(made_audit(values)), confidence=0.95, shared_baseline=False)
    assert ("participant_id", "visit") in model.terms
    assert not model.boundary
    row = only_change(model, "week_6")
    change, error, df, p = exact_paired(values.mean(axis=2)[:, 0], values.mean(axis=2)[:, 1])
    assert [row["estimate"], row["std_error"], row["df"], row["p"]] == pytest.approx([change, error, df, p], rel=1e-8)
    wrong = stats.sem((values[:, 1] - values[:, 0]).ravel())
    assert row["std_error"] > 1.2 * wrong


def test_balanced_pathways_equal_the_analysis_of_variance() -> None:
    """Two pathways of 9, three visits, one limb: error mean square of people within pathways by visits."""
    rng = np.random.default_rng(4)
    people, visits = 18, 3
    pathway = np.repeat([0, 1], 9)
    values = (
        40 + rng.normal(0, 4, (people, 1)) + rng.normal(0, 2, (people, visits)) + pathway[:, None] * [0.0, 1.0, 3.0]
    )
    study = made_audit(values[:, :, None], pathways=["a"] * 9 + ["b"] * 9)
    readings = readings_for_change(study)
    model = fit_change(readings, confidence=0.95, shared_baseline=False, terms=ONLY_PARTICIPANT)
    cell = np.stack([values[pathway == group].mean(axis=0) for group in (0, 1)])
    left = values - cell[pathway] - (values.mean(axis=1) - cell[pathway].mean(axis=1))[:, None]
    df = (visits - 1) * (people - 2)
    error = np.sqrt(2 * (left**2).sum() / df / 9)
    for row in model.changes.itertuples():
        change = (
            cell["ab".index(row.arm), ["baseline", "week_6", "week_12"].index(row.visit)] - cell["ab".index(row.arm), 0]
        )
        # Balanced: exact but for the rounding of the optimiser.
        assert [row.estimate, row.std_error, row.df] == pytest.approx([change, error, df], rel=1e-9)


def test_with_equal_baselines_the_constrained_difference_is_that_of_ancova() -> None:
    rng = np.random.default_rng(5)
    study = made_trial(24, trials=1)
    readings = readings_for_change(study)
    rows = readings.rows[readings.rows["side"] == "left"].copy()
    arm_mean = rows[rows["visit"] == "baseline"].groupby("arm")["value"].mean()
    at_start = rows["visit"] == "baseline"
    rows.loc[at_start, "value"] += 120.0 - rows.loc[at_start, "arm"].map(arm_mean)
    rows["value"] += rng.normal(0, 0.5, len(rows)) * ~at_start
    only = ChangeReadings(
        rows=rows.reset_index(drop=True),
        measure=readings.measure,
        visits=readings.visits,
        primary_visit="week_12",
        arms=readings.arms,
        control=readings.control,
        outcome_words="",
        notes=(),
    )
    model = fit_change(only, confidence=0.95, shared_baseline=True, terms=ONLY_PARTICIPANT)
    wide = rows.pivot_table(index=["participant_id", "arm"], columns="visit", values="value").reset_index()
    treated = (wide["arm"] == "hold_60").to_numpy(dtype=float)
    design = np.column_stack([np.ones(len(wide)), treated, wide["baseline"]])
    ancova = sm.OLS(wide["week_12"].to_numpy(), design).fit()
    mine = model.differences.set_index("visit").loc["week_12", "estimate"]
    # With equal baseline means no slope matters: both are the difference of the last means.
    assert mine == pytest.approx(ancova.params[1], rel=1e-8)


def test_ancova_at_the_primary_visit_agrees_within_the_error_of_either() -> None:
    """Second route on people's means: the same question by another model, so near but not equal."""
    study = made_trial(80, missing=0.1)
    readings = readings_for_change(study)
    model = fit_change(readings, confidence=0.95, shared_baseline=True)
    person = readings.rows.groupby(["participant_id", "arm", "visit"])["value"].mean().unstack("visit").reset_index()
    person = person.dropna(subset=["baseline", "week_12"])
    treated = (person["arm"] == "hold_60").to_numpy(dtype=float)
    ancova = sm.OLS(person["week_12"], np.column_stack([np.ones(len(person)), treated, person["baseline"]])).fit()
    row = model.differences.set_index("visit").loc["week_12"]
    # Two estimators of one difference on nearly the same data part by less than half a standard error.
    assert abs(row["estimate"] - ancova.params["x1"]) < 0.5 * row["std_error"]
    assert row["std_error"] == pytest.approx(ancova.bse["x1"], rel=0.25)


@settings(max_examples=15)
@given(
    shift=st.floats(min_value=-200, max_value=200),
    scale=st.floats(min_value=0.05, max_value=20),
    order=st.integers(0, 2**32 - 1),
)
def test_answers_move_with_the_unit_and_not_with_the_order(shift: float, scale: float, order: int) -> None:
    readings = readings_for_change(SMALL)
    rows = readings.rows.sample(frac=1.0, random_state=np.random.default_rng(order)).reset_index(drop=True)
    moved = readings_with(readings, rows.assign(value=shift + scale * rows["value"]))
    plain = fit_change(readings, confidence=0.95, shared_baseline=True).differences
    other = fit_change(moved, confidence=0.95, shared_baseline=True).differences
    assert list(other["arm"]) == list(plain["arm"])
    for column in ("estimate", "std_error", "low", "high"):
        # The optimum is found to about 1e-8 of a standard error, whatever the unit.
        assert np.allclose(other[column], scale * plain[column], rtol=1e-6, atol=1e-6 * scale)
    assert np.allclose(other["df"], plain["df"], rtol=1e-5)  # df follow the variances, found to about 1e-7


def readings_with(readings: ChangeReadings, rows: pd.DataFrame) -> ChangeReadings:
    return ChangeReadings(
        rows=rows,
        measure=readings.measure,
        visits=readings.visits,
        primary_visit=readings.primary_visit,
        arms=readings.arms,
        control=readings.control,
        outcome_words="",
        notes=(),
    )
