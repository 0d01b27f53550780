"""Dose as randomised: the reference's slopes, contrasts by hand, statsmodels, and what a design cannot answer."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from dose_cases import FERRY, dose_study, dose_text, minutes_of

from studykit.change.beside import MdcBeside
from studykit.change.model import fit_change
from studykit.change.readings import ChangeReadings
from studykit.dose.asked import SCALES
from studykit.dose.effects import straight_fit, straight_line
from studykit.dose.model import DoseTrial, dose_trial
from studykit.dose.randomised import DoseAsRandomised, randomised_of
from studykit.errors import DesignError
from studykit.numerics.mixed.restricted_means import RestrictedMeans
from studykit.numerics.mixed.small_sample import kenward_roger
from studykit.protocol import Visit

REFERENCE = Path(__file__).parent.parent / "reference"
MEANS = (0.5, 2.0, 3.0, 3.5, 5.0)
MDC = MdcBeside(2.0, 1.5, 3.0, 0.95, "MDC at 95%")


def answered(**asked: object) -> DoseAsRandomised:
    return randomised_of(dose_trial(dose_study(MEANS, **asked), mdc=MDC))  # type: ignore[arg-type]


def reference_trial() -> DoseTrial:
    """The simulated reference trial: 10, 30 and 60 minutes a week; its random terms have no slopes."""
    rows = pd.read_csv(REFERENCE / "data" / "rom_trial_dev.csv").rename(
        columns={"pid": "participant_id", "limb": "side", "rater": "rater_id", "rom_deg": "value"}
    )
    keys = ["participant_id", "arm", "side", "week", "rater_id"]
    rows = rows.groupby(keys, sort=True)["value"].mean().reset_index()
    rows = rows.assign(visit="week_" + rows["week"].astype(str))
    readings = ChangeReadings(
        rows=rows,
        measure="m",
        visits=tuple(Visit(key=f"week_{week}", label=f"Week {week}", week=week) for week in (0, 4, 8, 12)),
        primary_visit="week_12",
        arms={arm: arm for arm in ("low", "mid", "high")},
        control="low",
        outcome_words="",
        notes=(),
    )
    terms = (("participant_id",), ("participant_id", "side"), ("rater_id",))
    model = fit_change(readings, confidence=0.95, shared_baseline=True, terms=terms)
    arms: dict[str, tuple[float, float] | None] = {"low": (10, 15 / 6), "mid": (45, 5), "high": (75, 6)}
    doses = {"low": dose_text(30, 5, repetitions=4), "mid": dose_text(90, 5), "high": dose_text(150, 6)}
    study = dose_study(
        (0.0, 0.0, 0.0),
        arms=arms,
        doses=doses,
        visits=("week_0", "week_4", "week_12"),
        weeks=(0, 4, 12),
    )
    return DoseTrial(
        study=study,
        readings=readings,
        model=model,
        means=RestrictedMeans(model.fit),
        scale=SCALES["minutes_per_week"],
        arms=tuple(readings.arms),
        mdc=None,
    )


def test_slope_over_minutes_equals_lme4_and_pbkrtest(monkeypatch: pytest.MonkeyPatch) -> None:
    """E_dose_by_visit of the reference set: common baseline, visits, minutes x visit; 10, 30 and 60 minutes a week."""
    trial = reference_trial()
    monkeypatch.setattr(DoseTrial, "doses", lambda _self, _visit=None: np.array([10.0, 30.0, 60.0]))
    found, test = straight_line(trial)
    fit = straight_fit(trial)
    content = json.loads((REFERENCE / "expected" / "rom_trial_dev_fits.json").read_text(encoding="utf-8"))
    expected = content["E_dose_by_visit_trial_means"]
    # Tolerances of the reference set: 1e-9 for the likelihood, 1e-7 for estimates, 1e-6 for Kenward–Roger.
    assert fit.deviance == pytest.approx(-2.0 * expected["REML"]["logLik"], rel=1e-9)
    row = expected["KR_coef"][-1]
    slope = found.set_index("key").loc["slope"]
    assert slope["estimate"] == pytest.approx(row["Estimate"], rel=1e-7)
    assert (slope["std_error"], slope["df"]) == pytest.approx((row["Std. Error"], row["df"]), rel=1e-6)
    interval = expected["KR_ci95"][-1]
    assert (slope["low"], slope["high"]) == pytest.approx((interval["lower"], interval["upper"]), rel=1e-6)
    # Lack of fit has one degree of freedom here: free means a line apart, 50 mid - 20 high with mid and high against
    # low; the square of its t from pbkrtest's adjusted covariance of fit A.
    free = content["A_cLDA_trial_means"]
    covariance = np.array(free["KR_vcov_adjusted"]["values"])
    weights = np.zeros(len(covariance))
    weights[-2:] = 50.0, -20.0
    beta = np.array(list(free["REML"]["fixef"].values()))
    assert test is not None
    assert test.f == pytest.approx((weights @ beta) ** 2 / (weights @ covariance @ weights), rel=1e-6)


def test_components_are_contrasts_of_the_change_model() -> None:
    """Second route: differences from control that the change model prints, added by hand."""
    trial = dose_trial(dose_study(MEANS), mdc=MDC)
    found = randomised_of(trial).findings.set_index("key")
    at = trial.model.differences
    more = at[at["visit"] == "week_12"].set_index("arm")["estimate"]
    hold = (more["h60d3"] + more["h60d6"] - more["h30d3"] - more["h30d6"]) / 2.0
    days = (more["h30d6"] + more["h60d6"] - more["h30d3"] - more["h60d3"]) / 2.0
    assert found.at["hold_s.range", "estimate"] == pytest.approx(hold, rel=1e-10)
    assert found.at["hold_s.step", "estimate"] == pytest.approx(hold / 3.0, rel=1e-10)
    assert found.at["days_per_week.range", "estimate"] == pytest.approx(days, rel=1e-10)
    assert found.at["days_per_week.step", "estimate"] == pytest.approx(days / 3.0, rel=1e-10)
    both = (more["h60d6"] - more["h60d3"]) - (more["h30d6"] - more["h30d3"])
    assert found.at["hold_s.days_per_week.interaction", "estimate"] == pytest.approx(both, rel=1e-9)
    same = more["h60d3"] - more["h30d6"]
    assert found.at["same_minutes.h60d3.h30d6", "estimate"] == pytest.approx(same, rel=1e-9)


def test_slope_agrees_with_statsmodels() -> None:
    """Two visits and one random intercept: the same REML fit by statsmodels (Powell), with model-based errors."""
    study = dose_study(MEANS, visits=("baseline", "week_12"), weeks=(0, 12))
    trial = dose_trial(study, mdc=None)
    fit = straight_fit(trial)
    rows = trial.readings.rows.assign(
        later=lambda frame: (frame["visit"] == "week_12").astype(float),
        dose=lambda frame: frame["arm"].map({key: minutes_of(dose) for key, dose in FERRY.items()}),
    )
    rows["later_dose"] = rows["later"] * rows["dose"]
    other = smf.mixedlm("value ~ later + later_dose", rows, groups=rows["participant_id"]).fit(
        reml=True, method="powell"
    )
    # Powell carries about five digits of the variance ratio; the slope hardly depends on it.
    assert fit.coefficients[-1] == pytest.approx(other.fe_params["later_dose"], rel=1e-5)
    assert np.sqrt(fit.covariance[-1, -1]) == pytest.approx(other.bse_fe["later_dose"], rel=1e-4)
    assert kenward_roger(fit.made)[-1, -1] >= fit.covariance[-1, -1] * (1.0 - 1e-12)


def test_exact_line_is_found_without_error() -> None:
    """Arms on a line of 0.2 degrees a minute and little noise: the slope and nothing against the line."""
    means = [0.2 * minutes_of(dose) for dose in FERRY.values()]
    found = randomised_of(dose_trial(dose_study(means, noise=0.02), mdc=MDC))
    slope = found.findings.set_index("key").loc["slope"]
    assert slope["estimate"] == pytest.approx(0.2, abs=4.0 * slope["std_error"])
    assert slope["std_error"] < 0.002
    assert found.straight is not None
    assert found.straight.p > 0.001


def test_answer_stands_beside_the_mdc_and_says_what_an_angle_is() -> None:
    found = answered()
    assert "MDC of one person is 2.0°" in found.headline
    assert "95%" in found.headline
    assert any("no proof of a longer muscle" in caution for caution in found.cautions)
    frame = found.to_frame()
    differences = frame[frame["kind"] == "difference"]
    assert set(differences["beside_mdc"]) <= {"beyond", "within", "includes"}
    assert (frame["mdc"] == 2.0).all()
    numbers = found.numbers()
    assert numbers["mdc"] == 2.0
    assert numbers["slope.estimate"] == frame.set_index("key").at["slope", "estimate_deg"]
    assert {"lack_of_fit.f", "lack_of_fit.df1", "lack_of_fit.df2", "lack_of_fit.p"} <= set(numbers)
    assert len(found.table().rows) == len(frame)


def test_step_and_range_say_the_same_thing() -> None:
    at = answered().findings.set_index("key")
    assert at.at["slope_over_range", "estimate"] == pytest.approx(24.0 * at.at["slope", "estimate"], rel=1e-12)
    assert at.at["slope_over_range", "p"] == pytest.approx(at.at["slope", "p"], rel=1e-9)


def test_words_are_those_of_a_clinician() -> None:
    labels = list(answered().findings["label"])
    assert "Each extra minute a week, on a straight line" in labels
    assert "Each extra 10\N{NO-BREAK SPACE}s of hold" in labels
    assert "Each extra day a week" in labels
    assert "60\N{NO-BREAK SPACE}s rather than 30\N{NO-BREAK SPACE}s" in labels
    assert any("the same 12 min a week" in label for label in labels)


@pytest.mark.parametrize(
    ("measure", "each", "top"),
    [("cumulated_minutes", "each extra hour in all", 288.0), ("days_per_week", "each extra day a week", 6.0)],
)
def test_dose_is_counted_as_the_protocol_says(measure: str, each: str, top: float) -> None:
    found = answered(lines=f'dose_measure = "{measure}"')
    assert each in found.headline
    assert found.trial.doses().max() == top


def test_arms_that_change_hold_and_days_together_are_told_so() -> None:
    arms = {"none": None, "little": (30, 3), "middle": (45, 4.5), "much": (60, 6)}
    found = randomised_of(dose_trial(dose_study((0, 1, 2, 3), arms=arms), mdc=None))
    assert not any(key.startswith(("hold_s", "days")) for key in found.findings["key"])
    assert any("change together" in sentence for sentence in found.refused)
    assert found.refused[0] in found.cautions


def test_three_of_four_combinations_give_main_effects_and_refuse_the_interaction() -> None:
    arms = {"none": None, "h30d3": (30, 3), "h60d3": (60, 3), "h60d6": (60, 6)}
    found = randomised_of(dose_trial(dose_study((0, 1, 2, 3), arms=arms), mdc=None))
    keys = set(found.findings["key"])
    assert {"hold_s.range", "days_per_week.range"} <= keys
    assert not any("interaction" in key for key in keys)
    assert any("too few combinations" in sentence for sentence in found.refused)


def test_one_arm_with_a_dose_has_a_slope_and_no_parts() -> None:
    found = randomised_of(dose_trial(dose_study((0, 2), arms={"none": None, "h60d6": (60, 6)}), mdc=None))
    assert list(found.findings["key"]) == ["slope", "slope_over_range"]
    assert found.straight is None
    assert any("Only one arm" in sentence for sentence in found.refused)


def test_two_techniques_are_not_taken_for_parts_of_a_dose() -> None:
    arms = {"none": None, "roll": (30, 3), "stretch": (60, 3)}
    doses = {"roll": dose_text(30, 3, technique="roll"), "stretch": dose_text(60, 3, technique="stretch")}
    found = randomised_of(dose_trial(dose_study((0, 1, 2), arms=arms, doses=doses), mdc=None))
    assert not any(key.startswith("hold_s") for key in found.findings["key"])
    assert any("technique" in caution for caution in found.cautions)


def test_the_same_dose_in_every_arm_is_refused() -> None:
    doses = {"a": dose_text(60, 3), "b": dose_text(30, 6)}
    study = dose_study((0, 1), arms={"a": (60, 3), "b": (30, 6)}, doses=doses)
    with pytest.raises(DesignError, match="same minutes a week"):
        randomised_of(dose_trial(study, mdc=None))


def test_arms_without_a_dose_are_refused() -> None:
    study = dose_study((0, 1), arms={"a": None, "b": None}, doses={"none": ""})
    with pytest.raises(DesignError, match="No arm of the protocol says what dose"):
        dose_trial(study, mdc=None)


def test_covariates_of_the_protocol_stay_in_the_model() -> None:
    """With an adjusted change model the restriction leaves its covariates free, one column a visit."""
    study = dose_study(MEANS, more='[analysis]\ncovariates = ["age_years"]')
    people = study.table("participants")
    people["age_years"] = np.random.default_rng(1).normal(40, 10, len(people))
    aged = type(study)(study.protocol, {**study.tables, "participants": people}, study.findings)
    trial = dose_trial(aged, mdc=None)
    plain = dose_trial(dose_study(MEANS), mdc=None)
    assert trial.model.fit.p == plain.model.fit.p + 3
    assert len(straight_fit(trial).coefficients) == len(straight_fit(plain).coefficients) + 3


def test_figure_has_no_clipped_or_overlapping_word() -> None:
    drawing = answered().figure()
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []
