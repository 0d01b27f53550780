"""Shrunken changes: by the engine's own predictions, by another library, by hand; nearer to the truth than raw ones."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
from made_studies import made_trial
from people_cases import MDC, MDC_BOTH, growing, one_limb_study, trial
from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMParams

from studykit.change import ChangeByArm, change_of_study
from studykit.change.terms import PER_WEEK, TERM_WORDS
from studykit.individuals import SinglePeople, for_whom


def answered(study: object) -> SinglePeople:
    (found,) = [r for r in for_whom(study, mdc=MDC, mdc_both_limbs=MDC_BOTH) if isinstance(r, SinglePeople)]  # type: ignore[arg-type]
    return found


def test_in_the_control_arm_it_is_the_mean_change_plus_the_engines_slope() -> None:
    study = trial()
    (change,) = [r for r in change_of_study(study) if type(r) is ChangeByArm]
    effects = next(e for e in change.model.fit.random_effects() if e.term == TERM_WORDS[("participant_id",)])
    slope = effects.effects[:, list(effects.column_names).index(PER_WEEK)]
    ids = sorted(change.readings.rows["participant_id"].unique())
    mean = change.model.changes.set_index(["arm", "visit"]).loc[("usual", "week_12"), "estimate"]
    expected = pd.Series(mean + 12.0 * slope, index=ids)
    own = answered(study).to_frame().query("arm == 'usual'").set_index("participant_id")["shrunken_deg"]
    assert own.to_numpy() == pytest.approx(expected.loc[own.index].to_numpy(), rel=1e-9)


def test_it_is_what_another_library_predicts() -> None:
    """statsmodels 0.15 MixedLM, started at the engine's variances: random intercept and slope, three visits."""
    values = growing(30, ["a"] * 30, {"a": 0.0}, seed=8)
    study = one_limb_study(values, design="audit")
    own = answered(study).to_frame()
    engine = change_of_study(study)[0].model.fit  # type: ignore[attr-defined]
    week = np.tile([0.0, 6.0, 12.0], 30)
    means = np.column_stack([np.ones(90), week == 6.0, week == 12.0]).astype(float)
    random = np.column_stack([np.ones(90), week])
    model = MixedLM(values.ravel(), means, groups=np.repeat(np.arange(30), 3), exog_re=random)
    ratio = engine.covariances[0] / engine.residual_variance
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its convergence messages; the comparison below is the check
        start = MixedLMParams.from_components(cov_re=ratio)
        fit = model.fit(start_params=start, method="powell")
    slopes = np.array([effects.to_numpy()[1] for effects in fit.random_effects.values()])
    # Its search ends within 1e-6 of the optimum in the variances, and predictions follow them.
    assert own["shrunken_deg"].to_numpy() == pytest.approx(fit.fe_params[2] + 12.0 * slopes, abs=1e-5)


def test_with_two_visits_each_is_drawn_by_its_own_share_of_error() -> None:
    arms = ["c", "a"] * 12
    values = growing(24, arms, {"c": 0.0, "a": 2.0}, seed=3, visits=2)
    own = answered(one_limb_study(values, design="trial", arms=arms)).to_frame()
    change = pd.Series(values[:, 1] - values[:, 0])
    mean = change.groupby(arms).transform("mean")
    pooled = ((change - mean) ** 2).sum() / 22
    error = (5.0 / 1.959963984540054) ** 2
    weight = max(0.0, 1.0 - error / pooled)
    assert own["shrunken_deg"].to_numpy() == pytest.approx((mean + weight * (change - mean)).to_numpy(), rel=1e-9)
    assert own["shrunken_se_deg"].to_numpy() == pytest.approx(np.sqrt(weight * error), rel=1e-9)


def test_on_average_over_people_it_is_nearer_to_the_truth_than_the_raw_change() -> None:
    """Twelve studies of 24 people whose true change is known; each study is one trial of the comparison."""
    better = []
    for seed in range(12):
        arms = ["c", "a"] * 12
        rng = np.random.default_rng([4, seed])
        true = rng.normal(1.0, 2.0, 24) + np.array([0.0, 2.5] * 12) * rng.normal(0, 1, 24)
        values = 60 + rng.normal(0, 6, (24, 1)) + true[:, None] * np.array([0, 0.5, 1.0]) + rng.normal(0, 1.5, (24, 3))
        own = answered(one_limb_study(values, design="trial", arms=arms)).to_frame()
        raw, drawn = (np.mean((own[f"{name}_deg"] - true) ** 2) for name in ("change", "shrunken"))
        better.append(drawn < raw)
    # Were the two equally good, twelve of twelve would come up once in 4,000; ten allows two unlucky studies.
    assert sum(better) >= 10


def test_numbers_are_of_arms_and_add_up() -> None:
    result = answered(trial())
    frame, numbers = result.to_frame(), result.numbers()
    for arm in result.arms:
        own = frame[frame["arm"] == arm]
        assert numbers[f"{arm}.people"] == len(own)
        assert numbers[f"{arm}.sd_raw"] == pytest.approx(own["change_deg"].std(ddof=1))
        assert numbers[f"{arm}.sd_shrunken"] < numbers[f"{arm}.sd_raw"]


def test_who_lacks_a_reading_has_no_estimate() -> None:
    study = made_trial(40, missing=0.3, seed=4)
    frame = answered(study).to_frame()
    rows = study.table("measurements")
    assert set(frame["participant_id"]) == set(rows.loc[rows["visit"] == "week_12", "participant_id"])
    assert frame[["change_deg", "shrunken_deg", "shrunken_se_deg"]].notna().all().all()
