"""Missing visits filled in: second routes, tipping points by brute force, and answers that are decided beforehand."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from made_studies import MEASURE, made_audit, made_trial
from scipy import stats

from studykit.change import MdcBeside
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.missing_visits import FilledIn, filled_in_of_study, missing_visits_of_study, people_by_visit
from studykit.missing_visits.imputing import completed_visits
from studykit.numerics.imputation import completed_sets
from studykit.numerics.normal_missing import fit_normal
from studykit.vocabulary import MEASUREMENTS, PARTICIPANTS

REFERENCE = Path(__file__).parents[1] / "reference"
ARMS = {"usual": "Usual care", "hold_30": "30 s hold", "hold_60": "60 s hold"}
MDC = MdcBeside(7.0, 6.0, 8.5, 0.95, "made up")
STUDY = made_trial(90, arms=ARMS, effect_deg=4.0, missing=0.2)
FILLED = filled_in_of_study(STUDY, mdc=MDC)


def renamed(study: Study, seed: int = 3) -> Study:
    """The same study under other codes, its rows in another order."""
    rng = np.random.default_rng(seed)
    ids = study.table(PARTICIPANTS)["participant_id"]
    new = dict(zip(ids, [f"p1_{code:04d}" for code in rng.permutation(len(ids))], strict=True))
    tables = dict(study.tables)
    for name in (PARTICIPANTS, MEASUREMENTS):
        frame = tables[name].assign(participant_id=tables[name]["participant_id"].map(new).astype("str"))
        tables[name] = frame.sample(frac=1.0, random_state=rng).reset_index(drop=True)
    return dataclasses.replace(study, tables=tables)


def test_other_codes_and_another_order_of_rows_change_no_digit() -> None:
    one, other = FILLED.numbers(), filled_in_of_study(renamed(STUDY), mdc=MDC).numbers()
    assert one.keys() == other.keys()
    for name, value in one.items():
        # Means over limbs are sums in another order: rounding, which the draws pass on and do not enlarge.
        assert other[name] == pytest.approx(value, rel=1e-9, abs=1e-9, nan_ok=True), name


def test_the_seed_of_the_protocol_and_nothing_else_decides_the_draws() -> None:
    again = filled_in_of_study(STUDY, mdc=MDC)
    assert again.numbers() == pytest.approx(FILLED.numbers(), rel=0, abs=0, nan_ok=True)
    analysis = STUDY.protocol.analysis.model_copy(update={"seed": 1})
    seeded = dataclasses.replace(STUDY, protocol=STUDY.protocol.model_copy(update={"analysis": analysis}))
    other = filled_in_of_study(seeded, mdc=MDC)
    assert other.provenance.seed == 1
    name = "hold_60.estimate"
    apart = abs(other.numbers()[name] - FILLED.numbers()[name])
    # Two runs differ by Monte Carlo error alone, each sqrt(B / m): six of the joint error is one in 1e9.
    assert 0.0 < apart < 6 * np.sqrt(2) * FILLED.numbers()["hold_60.monte_carlo_error"]


def test_pooled_answer_equals_statsmodels_and_rubin_by_hand() -> None:
    """Second route: every completed set by statsmodels, pooled by the formulas written out here."""
    people = people_by_visit(STUDY)
    sets = completed_visits(people, count=50, seed=STUDY.protocol.analysis.seed).values
    arm = people.arms.to_numpy()
    for name in ("hold_30", "hold_60"):
        found = []
        for one in sets:
            columns = [np.ones(len(arm)), one[:, 0], (arm == "hold_30").astype(float), (arm == "hold_60").astype(float)]
            fit = sm.OLS(one[:, 2], np.column_stack(columns)).fit()
            place = 2 if name == "hold_30" else 3
            found.append((fit.params[place], fit.bse[place] ** 2))
        q, u = np.array(found).T
        between = q.var(ddof=1)
        total = u.mean() + (1 + 1 / 50) * between
        share = (1 + 1 / 50) * between / total
        complete = len(arm) - 4
        df = 1 / (share**2 / 49 + (complete + 3) / ((complete + 1) * complete * (1 - share)))
        numbers = FILLED.numbers()
        assert numbers[f"{name}.estimate"] == pytest.approx(q.mean(), rel=1e-9)
        assert numbers[f"{name}.std_error"] == pytest.approx(np.sqrt(total), rel=1e-9)
        assert numbers[f"{name}.df"] == pytest.approx(df, rel=1e-8)
        high = q.mean() + stats.t.ppf(0.975, df) * np.sqrt(total)
        assert numbers[f"{name}.high"] == pytest.approx(high, rel=1e-9)


def test_the_difference_that_was_put_in_is_covered() -> None:
    """4 and 8 degrees were put in; one seeded draw, so a miss would be chance in one of ten such tests."""
    frame = FILLED.to_frame().set_index("arm")
    for arm, truth in (("hold_30", 4.0), ("hold_60", 8.0)):
        assert frame.loc[arm, "low_deg"] < truth < frame.loc[arm, "high_deg"]


def test_imputation_by_arm_of_a_published_trial_is_maximum_likelihood_within_monte_carlo_error() -> None:
    """BtheB, 1,500 sets: the pooled treatment effect at 8 months given baseline against the regression that the
    full-information maximum-likelihood covariance implies, and against mice (10 sets, whose own Monte Carlo error is
    sqrt(B/10) = 0.36)."""
    expected = json.loads((REFERENCE / "expected" / "mi_BtheB_ancova.json").read_text())
    likelihood = expected["mvn_maximum_likelihood_FIML"]["cov"]
    names = [name.replace(".", "_") for name in likelihood["rows"]]
    covariance = np.array(likelihood["values"])
    use, target = [names.index("bdi_pre"), names.index("trt")], names.index("bdi_8m")
    implied = np.linalg.solve(covariance[np.ix_(use, use)], covariance[use, target])
    rows = pd.read_csv(REFERENCE / "data" / "BtheB.csv")
    treated = (rows["treatment"] == "BtheB").to_numpy(dtype=float)
    y = rows[["bdi.pre", "bdi.2m", "bdi.3m", "bdi.5m", "bdi.8m"]].to_numpy(dtype=float)
    z = np.column_stack([np.ones(len(y)), treated])
    sets = completed_sets(y, z, fit_normal(y, z), count=1_500, rng=np.random.default_rng(77))
    columns = [np.column_stack([np.ones(len(y)), one[:, 0], treated]) for one in sets]
    found = np.array([np.linalg.lstsq(x, one[:, 4], rcond=None)[0][1:] for x, one in zip(columns, sets, strict=True)])
    error = found.std(axis=0, ddof=1) / np.sqrt(len(found))
    # Posterior mean and maximum likelihood differ by the skewness of the posterior: up to 2 % of a standard error here.
    slack = 0.02 * found.std(axis=0, ddof=1)
    assert np.all(np.abs(found.mean(axis=0) - implied) < 4 * error + slack)
    mice = expected["pooled"]["formulas"]
    for place, name in enumerate(("bdi_pre", "trt")):
        assert found[:, place].mean() == pytest.approx(mice["Qbar"][name], abs=4 * np.sqrt(mice["B"][name] / 10))
        # The variance between sets, from 10 sets, is known within a factor of about 0.3 to 2.1 (chi-squared, 99 %).
        assert 0.3 < found[:, place].var(ddof=1) / mice["B"][name] < 3.4


@pytest.mark.parametrize(("effect", "tips"), [(3.0, "worse"), (2.5, "better")])
def test_at_the_tipping_point_shifted_readings_give_an_interval_that_ends_at_zero(effect: float, tips: str) -> None:
    study = made_trial(60, effect_deg=effect, missing=0.3, seed=5)
    filled = filled_in_of_study(study)
    (arm,) = filled.arms
    assert np.isfinite(getattr(arm, tips))
    people = people_by_visit(study)
    sets = completed_visits(people, count=50, seed=study.protocol.analysis.seed).values
    treated = (people.arms == "hold_60").to_numpy()
    for shift, sign in ((arm.worse, 1.0), (arm.better, -1.0)):
        if not np.isfinite(shift):
            continue
        found = []
        for one in sets:
            outcome = one[:, 2] - sign * shift * (people.left & treated)
            x = np.column_stack([np.ones(len(outcome)), one[:, 0], treated.astype(float)])
            fit = sm.OLS(outcome, x).fit()
            found.append((fit.params[2], fit.bse[2] ** 2))
        q, u = np.array(found).T
        total = u.mean() + 1.02 * q.var(ddof=1)
        share = 1.02 * q.var(ddof=1) / total
        df = 1 / (share**2 / 49 + 60 / (58 * 57 * (1 - share)))
        reach = stats.t.ppf(0.975, df) * np.sqrt(total)
        assert min(abs(q.mean() - reach), abs(q.mean() + reach)) == pytest.approx(0.0, abs=1e-6)


def test_headline_says_what_would_change_the_conclusion() -> None:
    assert "did worse than expected" in FILLED.headline or "worse than expected" in FILLED.headline
    assert "The MDC of one person is 7.0°" in FILLED.headline
    strong = filled_in_of_study(made_trial(60, effect_deg=20.0, missing=0.1))
    assert "the conclusion holds even if those who left did up to" in strong.headline
    none = filled_in_of_study(made_trial(60, effect_deg=0.0, missing=0.15, seed=8))
    assert "no difference is shown" in none.headline


def test_lower_is_better_turns_worse_around() -> None:
    """A measure in which lower is better, mirrored readings: the same shifts."""
    study = made_trial(60, effect_deg=3.0, missing=0.2)
    readings = study.table(MEASUREMENTS)
    readings["value"] = -readings["value"]
    measure = study.protocol.measures[MEASURE].model_copy(update={"better": "lower"})
    turned = dataclasses.replace(
        study,
        protocol=study.protocol.model_copy(update={"measures": {MEASURE: measure}}),
        tables={**study.tables, MEASUREMENTS: readings},
    )
    one, other = filled_in_of_study(study).arms[0], filled_in_of_study(turned).arms[0]
    # Other draws (people are put in another order), the same truth: within a few Monte Carlo errors of a shift.
    assert other.limit == pytest.approx(one.limit, rel=0.1)
    if np.isfinite(one.worse):
        assert other.worse == pytest.approx(one.worse, abs=0.25 * one.limit)


def test_small_arms_share_a_covariance_and_say_so() -> None:
    small = filled_in_of_study(made_trial(24, arms=ARMS, missing=0.2, seed=4))
    assert "means by arm and one covariance for all" in small.methods
    fewest = filled_in_of_study(made_trial(16, missing=0.35, seed=9))
    assert "normal model of the baseline and the primary visit" in fewest.methods
    assert "a covariance of its own in each arm" in FILLED.methods
    assert "seed 20250106" in FILLED.methods


def test_covariates_enter_the_model_and_the_analysis() -> None:
    study = made_trial(60, missing=0.2)
    people = study.table(PARTICIPANTS)
    people["age_years"] = np.random.default_rng(2).uniform(20, 60, len(people))
    analysis = study.protocol.analysis.model_copy(update={"covariates": ("age_years",)})
    study = dataclasses.replace(
        study,
        protocol=study.protocol.model_copy(update={"analysis": analysis}),
        tables={**study.tables, PARTICIPANTS: people},
    )
    filled = filled_in_of_study(study)
    assert "by arm and baseline, age" in filled.methods
    assert filled.arms[0].shifted.df_complete == 60 - 4


def test_an_audit_asks_about_change_in_each_group() -> None:
    rng = np.random.default_rng(6)
    values = 60 + rng.normal(0, 5, (30, 1, 1)) + rng.normal(0, 2, (30, 3, 2)) + np.array([0.0, 2.0, 5.0])[:, None]
    values[[1, 4, 9, 12, 20], 2] = np.nan
    study = made_audit(values, pathways=["a", "b"] * 15)
    filled = filled_in_of_study(study)
    assert [arm.question.against_control for arm in filled.arms] == [False, False]
    assert "filled in, changed to Week 12 by" in filled.headline
    assert "control" not in filled.headline
    assert len(filled.table().columns) == 5
    frame = filled.to_frame().set_index("arm")
    assert (frame["low_deg"] < 5.0).all()
    assert (frame["high_deg"] > 5.0).all()


def test_nobody_missing_is_a_caution_and_not_a_failure() -> None:
    complete = made_trial(20)
    with pytest.raises(DesignError, match="Everybody was measured at Baseline and at Week 12"):
        filled_in_of_study(complete)
    (first,) = missing_visits_of_study(complete)
    assert any("Missing visits were not filled in. Everybody was measured" in caution for caution in first.cautions)


def test_too_few_to_predict_from_are_refused() -> None:
    values = np.random.default_rng(1).normal(50, 5, (8, 3, 1))
    values[3:, 2] = np.nan
    values[:1, 0] = np.nan
    study = made_audit(values)
    with pytest.raises(DesignError, match="measured both at Baseline and at Week 12; missing readings cannot"):
        filled_in_of_study(study)


@pytest.mark.parametrize("study", [STUDY, made_trial(40, missing=0.2, seed=2)], ids=["three arms", "two arms"])
def test_picture_table_and_frame_are_one_answer(study: Study) -> None:
    drop, filled = missing_visits_of_study(study, mdc=MDC)
    assert isinstance(filled, FilledIn)
    for result in (drop, filled):
        drawing = result.figure()
        assert drawing is not None
        assert drawing.clipped_texts() == []  # type: ignore[attr-defined]
        assert drawing.overlapping_texts() == []  # type: ignore[attr-defined]
    row = filled.to_frame().iloc[0]
    shown = filled.table().rows[0]
    assert shown[1] == str(row["filled_in"])
    assert shown[2].startswith(f"{row['estimate_deg']:.1f} (")
    assert any("MDC of one person: 7.0°" in note for note in filled.table().notes)
