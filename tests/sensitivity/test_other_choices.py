"""The answer under other choices: every row by a second route, a reason where there is none, and words that agree."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from diary_cases import days_of, suspected, with_choices, with_diary
from made_studies import MEASURE, made_audit, made_trial
from scipy import stats

from studykit.change import MdcBeside, change_of_study
from studykit.change.model import fit_change
from studykit.change.readings import readings_for_change
from studykit.change.terms import TERM_WORDS
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.missing_visits import filled_in_of_study
from studykit.sensitivity import OtherChoices, estimands_of_study, other_choices_of_study, sensitivity_of_study
from studykit.sensitivity.practice import adherent_people
from studykit.sensitivity.robust import robust_rows
from studykit.sensitivity.rows import Planned
from studykit.vocabulary import MEASUREMENTS, PARTICIPANTS

ARMS = {"usual": "Usual care", "hold_30": "30 s hold", "hold_60": "60 s hold"}
MDC = MdcBeside(7.0, 6.0, 8.5, 0.95, "made up")
STUDY = with_diary(60)
CHOICES = other_choices_of_study(STUDY, mdc=MDC)


def row(choices: OtherChoices, analysis: str, arm: str = "hold_60") -> pd.Series:
    found = choices.rows[(choices.rows["analysis"] == analysis) & (choices.rows["arm"] == arm)]
    assert len(found) == 1, analysis
    return found.iloc[0]


def by_hand(study: Study) -> pd.Series:
    """The planned model of a study, thoroughly searched: its difference at the primary visit."""
    model = fit_change(readings_for_change(study), confidence=0.95, shared_baseline=True)
    return model.differences.set_index("visit").loc["week_12"]


def with_rows(study: Study, kept: pd.Series) -> Study:
    rows = study.tables[MEASUREMENTS][kept.to_numpy()].reset_index(drop=True)
    return dataclasses.replace(study, tables={**study.tables, MEASUREMENTS: rows})


def agrees(mine: pd.Series, wanted: pd.Series) -> None:
    for name in ("estimate", "std_error", "low", "high"):
        # One search from one start and one from several end at the same optimum, to its accuracy.
        assert mine[name] == pytest.approx(wanted[name], rel=1e-6, abs=1e-7), name


def test_the_planned_row_comes_first_and_is_the_answer_itself() -> None:
    answer = change_of_study(STUDY, mdc=MDC)[0].numbers()
    first = CHOICES.rows.iloc[0]
    assert first["analysis"] == "planned"
    for name, key in (("estimate", "difference"), ("low", "low"), ("high", "high"), ("df", "df")):
        assert first[name] == answer[f"week_12.hold_60.{key}"]


def test_rows_of_a_part_of_the_readings_are_that_part_analysed() -> None:
    rows = STUDY.tables[MEASUREMENTS]
    agrees(row(CHOICES, "left_limbs"), by_hand(with_rows(STUDY, rows["side"] == "left")))
    agrees(row(CHOICES, "without_rater_r2"), by_hand(with_rows(STUDY, rows["rater_id"] != "r2")))
    agrees(row(CHOICES, "single_trials"), by_hand(with_choices(STUDY, plan={"trials_used": "all"})))
    complete = with_choices(STUDY, plan={"missing_visits": "complete participants"})
    agrees(row(CHOICES, "complete"), by_hand(complete))


def test_per_protocol_is_the_planned_model_of_those_who_did_as_asked() -> None:
    people = adherent_people(STUDY, "missing")
    tables = dict(STUDY.tables)
    for name in (MEASUREMENTS, PARTICIPANTS):
        tables[name] = tables[name][tables[name]["participant_id"].isin(people)].reset_index(drop=True)
    agrees(row(CHOICES, "per_protocol"), by_hand(dataclasses.replace(STUDY, tables=tables)))
    assert row(CHOICES, "per_protocol")["participants"] < row(CHOICES, "planned")["participants"]
    treated = set(STUDY.table(PARTICIPANTS).query("arm == 'hold_60'")["participant_id"])
    out, kept = len(STUDY.tables[PARTICIPANTS]) - len(people), len(people & treated)
    wanted = f"{out} participants left out; of this arm {kept} of {len(treated)} did as asked."
    assert row(CHOICES, "per_protocol")["note"] == wanted


def test_per_protocol_far_from_the_planned_answer_is_said_to_be_a_choice_of_people() -> None:
    """Those who did as asked are given 9 degrees more at the last visit, as people are who change more anyway."""
    assert not any("outside the planned interval" in caution for caution in CHOICES.cautions)
    treated = set(STUDY.table(PARTICIPANTS).query("arm == 'hold_60'")["participant_id"])
    rows = STUDY.table(MEASUREMENTS)
    chosen = rows["participant_id"].isin(adherent_people(STUDY, "missing") & treated) & (rows["visit"] == "week_12")
    more = rows.assign(value=rows["value"] + 9.0 * chosen)
    choices = other_choices_of_study(dataclasses.replace(STUDY, tables={**STUDY.tables, MEASUREMENTS: more}))
    planned, kept = row(choices, "planned"), row(choices, "per_protocol")
    assert kept["estimate"] > planned["high"]
    (said,) = (caution for caution in choices.cautions if "outside the planned interval" in caution)
    assert f"“60 s hold” ({kept['estimate']:.1f}°, planned {planned['estimate']:.1f}°)" in said


def test_without_suspicions_leaves_out_exactly_the_rows_that_are_named() -> None:
    places = np.array([3, 40, 41, 200])
    study = suspected(STUDY, places)
    rows = study.tables[MEASUREMENTS]
    kept = pd.Series(~np.isin(np.arange(len(rows)), places))
    found = row(other_choices_of_study(study), "without_suspicions")
    agrees(found, by_hand(with_rows(STUDY, kept)))
    assert found["note"] == "4 readings left out."
    assert row(CHOICES, "without_suspicions")["note"] == "No reading of this measure is under suspicion."


def test_analysis_of_covariance_equals_statsmodels() -> None:
    rows = STUDY.tables[MEASUREMENTS].merge(STUDY.tables[PARTICIPANTS], on="participant_id")
    of_limb = rows.groupby(["participant_id", "arm", "visit", "side"])["value"].mean()
    person = of_limb.groupby(level=["participant_id", "arm", "visit"]).mean().unstack("visit").reset_index()
    person = person.dropna(subset=["baseline", "week_12"])
    treated = (person["arm"] == "hold_60").to_numpy(dtype=float)
    fit = sm.OLS(person["week_12"].to_numpy(), np.column_stack([np.ones(len(person)), person["baseline"], treated]))
    other = fit.fit()
    found = row(CHOICES, "ancova")
    assert found["estimate"] == pytest.approx(other.params[2], rel=1e-9)
    assert found["std_error"] == pytest.approx(other.bse[2], rel=1e-9)
    assert [found["low"], found["high"]] == pytest.approx(list(other.conf_int()[2]), rel=1e-9)
    assert found["participants"] == len(person)


def test_while_on_treatment_takes_the_last_reading_while_practising() -> None:
    """Written out by hand: every fifth treated person stopped after week 6, and those without a day never began."""
    rows = STUDY.tables[MEASUREMENTS]
    of_limb = rows.groupby(["participant_id", "visit", "side"])["value"].mean()
    person = of_limb.groupby(level=["participant_id", "visit"]).mean().unstack("visit")
    outcome, treated, start = [], [], []
    for place, (who, arm) in enumerate(
        zip(STUDY.tables[PARTICIPANTS]["participant_id"], STUDY.tables[PARTICIPANTS]["arm"], strict=True)
    ):
        visits = ["week_6", "week_12"]
        if arm == "hold_60":
            visits = [] if days_of(place) == 0 else ["week_6"] if place % 5 == 0 else visits
        read = [person.loc[who, visit] for visit in visits if not np.isnan(person.loc[who, visit])]
        if read:
            outcome.append(read[-1])
            treated.append(float(arm == "hold_60"))
            start.append(person.loc[who, "baseline"])
    other = sm.OLS(np.array(outcome), np.column_stack([np.ones(len(start)), start, treated])).fit()
    found = row(CHOICES, "while_on_treatment")
    assert found["estimate"] == pytest.approx(other.params[2], rel=1e-9)
    assert found["participants"] == len(outcome)
    assert "had no reading after the baseline while still practising" in found["note"]


def test_the_filled_in_row_is_the_pooled_answer() -> None:
    numbers = filled_in_of_study(STUDY).numbers()
    found = row(CHOICES, "filled_in")
    for name in ("estimate", "std_error", "df", "low", "high"):
        assert found[name] == pytest.approx(numbers[f"hold_60.{name}"], rel=1e-12)


def test_robust_errors_of_one_rater_keep_the_planned_estimate() -> None:
    """One rater: nothing crosses participants, so weighting by the planned covariance is the planned estimate; in a
    balanced trial its CR2 error is that of two samples of people's own contrasts."""
    study = made_trial(40)
    readings = study.table(MEASUREMENTS).assign(rater_id="r1")
    study = dataclasses.replace(study, tables={**study.tables, MEASUREMENTS: readings})
    choices = other_choices_of_study(study)
    planned, robust = row(choices, "planned"), row(choices, "robust")
    # The same weights, through another formula: equal to the accuracy of the variances.
    assert robust["estimate"] == pytest.approx(planned["estimate"], rel=1e-7)
    assert robust["std_error"] == pytest.approx(planned["std_error"], rel=0.25)
    assert robust["df"] < 40


def test_robust_errors_by_the_formula_written_out() -> None:
    """Second route from dense matrices: covariance of all rows from the variances, no routine of the kit."""
    study = made_trial(24, missing=0.1)
    change = change_of_study(study)[0]
    planned = Planned(study, change.readings, change.model)  # type: ignore[attr-defined]
    (found,) = robust_rows(planned)
    rows, model = planned.readings.rows, planned.model
    week = rows["visit"].map({"baseline": 0.0, "week_6": 6.0, "week_12": 12.0}).to_numpy()
    same = (rows["participant_id"].to_numpy()[:, None] == rows["participant_id"].to_numpy()[None, :]).astype(float)
    treated = (rows["arm"] == "hold_60").to_numpy(dtype=float)
    variance = model.variances
    whole = variance["residual"] * np.eye(len(rows)) + variance["participant"] * same
    side, visit = rows["side"].to_numpy(), rows["visit"].to_numpy()
    joint = model.intercept_slope_covariance or 0.0
    whole += same * (joint * (week[:, None] + week[None, :]))
    whole += same * variance["participant slope per week"] * np.outer(week, week)
    further = variance["further participant slope per week in hold_60"]
    whole += same * further * np.outer(week * treated, week * treated)
    for term, columns in {("participant_id", "side"): [side], ("participant_id", "visit"): [visit]}.items():
        if term in model.terms:
            alike = same * np.prod([(one[:, None] == one[None, :]) for one in columns], axis=0)
            whole += variance[TERM_WORDS[term]] * alike
    cells = [visit == "baseline"]
    cells += [(visit == v) & (treated == t) for v in ("week_6", "week_12") for t in (0.0, 1.0)]
    cells += [rows["rater_id"].to_numpy() == rater for rater in ("r2", "r3")]
    x = np.column_stack(cells).astype(float)
    inverse = np.linalg.inv(whole)
    bread = np.linalg.inv(x.T @ inverse @ x)
    beta = bread @ x.T @ inverse @ rows["value"].to_numpy()
    contrast = np.array([0.0, 0.0, 0.0, -1.0, 1.0, 0.0, 0.0])
    assert found["estimate"] == pytest.approx(contrast @ beta, rel=1e-7)
    root = np.linalg.cholesky(whole)
    x_white = np.linalg.solve(root, x)
    left = np.linalg.solve(root, rows["value"].to_numpy() - x @ beta)
    meat = np.zeros_like(bread)
    for who in rows["participant_id"].unique():
        own = (rows["participant_id"] == who).to_numpy()
        hat = x_white[own] @ bread @ x_white[own].T
        values, vectors = np.linalg.eigh(np.eye(own.sum()) - hat)
        score = x_white[own].T @ (vectors @ np.diag(values**-0.5) @ vectors.T) @ left[own]
        meat += np.outer(score, score)
    wanted = np.sqrt(contrast @ bread @ meat @ bread @ contrast)
    assert found["std_error"] == pytest.approx(wanted, rel=1e-6)


def test_rows_without_numbers_say_why_and_stay_out_of_the_picture() -> None:
    choices = other_choices_of_study(made_trial(40))
    bare = choices.rows[choices.rows["estimate"].isna()]
    assert (bare["note"].str.len() > 10).all()
    assert {"filled_in", "complete", "per_protocol", "while_on_treatment", "without_suspicions"} <= set(
        bare["analysis"]
    )
    assert any("Everybody was measured at Baseline and at Week 12" in note for note in choices.table().notes)
    drawing = choices.figure()
    labels = [text.get_text() for text in drawing.figure.axes[0].get_yticklabels()]
    assert len(labels) == choices.rows.loc[choices.rows["estimate"].notna(), "analysis"].nunique()
    assert not any(key.startswith("filled_in.") for key in choices.numbers())


def test_groups_too_small_to_show_are_not_shown() -> None:
    study = with_diary(20)
    people = adherent_people(study, "missing")
    treated = study.table(PARTICIPANTS).query("arm == 'hold_60'")["participant_id"]
    assert 0 < len(people & set(treated)) < 5
    found = row(other_choices_of_study(study), "per_protocol")
    assert np.isnan(found["estimate"])
    assert "Fewer than 5 people in an arm" in found["note"] or "cannot" in found["note"] or "too few" in found["note"]


def test_other_codes_and_another_order_of_rows_change_no_number() -> None:
    rng = np.random.default_rng(8)
    ids = STUDY.tables[PARTICIPANTS]["participant_id"]
    new = dict(zip(ids, [f"p1_{n:03d}" for n in rng.permutation(len(ids))], strict=True))
    tables = dict(STUDY.tables)
    for name in (PARTICIPANTS, MEASUREMENTS, "diary"):
        frame = tables[name].assign(participant_id=tables[name]["participant_id"].map(new).astype("str"))
        tables[name] = frame.sample(frac=1.0, random_state=rng).reset_index(drop=True)
    other = other_choices_of_study(dataclasses.replace(STUDY, tables=tables), mdc=MDC).numbers()
    for name, value in CHOICES.numbers().items():
        # Optima are found to about 1e-8 whatever the order of rows; the seal compares to 1e-6.
        assert other[name] == pytest.approx(value, rel=1e-6, abs=1e-7), name


def test_covariates_and_several_comparisons() -> None:
    study = made_trial(60, arms=ARMS, missing=0.1)
    people = study.table(PARTICIPANTS)
    people["age_years"] = np.random.default_rng(1).uniform(20, 60, len(people))
    study = dataclasses.replace(study, tables={**study.tables, PARTICIPANTS: people})
    asked = with_choices(study, covariates=("age_years",), multiplicity="together")
    choices = other_choices_of_study(asked)
    plain = fit_change(readings_for_change(study), confidence=0.95, shared_baseline=True).differences
    for arm in ("hold_30", "hold_60"):
        agrees(row(choices, "without_covariates", arm), plain.set_index(["arm", "visit"]).loc[(arm, "week_12")])
        own = row(choices, "planned", arm)
        reach = stats.t.ppf(0.975, own["df"]) * own["std_error"]
        assert own["high"] == pytest.approx(own["estimate"] + reach, rel=1e-10)  # alone, not widened
    assert any("stand alone, also in the planned row" in note for note in choices.table().notes)


def test_an_audit_shows_changes_and_no_estimands() -> None:
    rng = np.random.default_rng(6)
    values = 60 + rng.normal(0, 5, (30, 1, 1)) + rng.normal(0, 2, (30, 3, 2)) + np.array([0.0, 2.0, 5.0])[:, None]
    study = made_audit(values, pathways=["a", "b"] * 15)
    (choices,) = sensitivity_of_study(study, mdc=MDC)
    assert isinstance(choices, OtherChoices)
    paired = values.mean(axis=2)[::2]
    found = row(choices, "ancova", "a")
    change = paired[:, 2] - paired[:, 0]
    assert [found["estimate"], found["std_error"]] == pytest.approx([change.mean(), stats.sem(change)], rel=1e-9)
    assert "control" not in f"{choices.headline} {choices.methods} {choices.table().title}"
    with pytest.raises(DesignError, match="Estimands are named for a trial"):
        estimands_of_study(choices)


def test_words_table_and_numbers_are_one_answer() -> None:
    first = CHOICES.rows.iloc[0]
    shown = f"{first['estimate']:.1f}°"
    assert f"“60 s hold”: {shown}" in CHOICES.headline
    assert "The MDC of one person is 7.0°" in CHOICES.headline
    table = CHOICES.table()
    assert table.rows[0][0] == "As planned"
    assert [cells[0] for cells in table.rows] == list(CHOICES.rows["label"].unique())
    assert CHOICES.numbers()["planned.hold_60.estimate"] == first["estimate"]
    assert len(set(CHOICES.cautions)) == len(CHOICES.cautions)
    assert CHOICES.provenance.seed == STUDY.protocol.analysis.seed


@pytest.mark.parametrize(
    "study",
    [STUDY, made_trial(90, arms={**ARMS, "roll": "Rolling", "heat": "Warm bath before stretching"}, missing=0.1)],
    ids=["one arm", "four arms"],
)
def test_pictures_fit(study: Study) -> None:
    drawing = other_choices_of_study(study, mdc=MDC).figure()
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []
    assert "as planned" in drawing.alt


def test_estimands_name_where_each_is_computed() -> None:
    choices, named = sensitivity_of_study(STUDY, mdc=MDC)
    assert isinstance(choices, OtherChoices)
    rows = named.to_frame().set_index("estimand")
    assert list(rows.index) == ["treatment policy", "while on treatment", "per protocol"]
    assert rows.loc["treatment policy", "where"] == f"difference.{MEASURE}"
    assert rows.loc["per protocol", "where"].startswith(
        f"sensitivity.{MEASURE}, row “Per protocol (80% of the minutes)”"
    )
    assert named.numbers() == {
        "treatment_policy.computed": 1.0,
        "while_on_treatment.computed": 1.0,
        "per_protocol.computed": 1.0,
    }
    (_, without) = sensitivity_of_study(made_trial(40))
    assert without.numbers()["per_protocol.computed"] == 0.0
    assert "not computed" in without.table().rows[2][-1]


def test_many_raters_are_not_left_out_one_by_one() -> None:
    study = made_trial(40)
    rows = study.table(MEASUREMENTS)
    rows["rater_id"] = [f"r{n % 12}" for n in range(len(rows))]
    protocol = study.protocol.model_copy(update={"raters": tuple(f"r{n}" for n in range(12))})
    many = dataclasses.replace(study, protocol=protocol, tables={**study.tables, MEASUREMENTS: rows})
    choices = other_choices_of_study(many)
    assert "12 raters; at most 8" in row(choices, "without_a_rater")["note"]
    assert "Raters are not taken into account" in row(choices, "robust")["note"]
