"""Means on a straight line over the weeks: against a formula, another program, free means, and in the answers."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from made_studies import made_audit, made_trial
from scipy import stats
from statsmodels.regression.mixed_linear_model import MixedLM

from studykit.change import ChangeByArm, change_of_study, diagnostics_of_study
from studykit.change.course import cell_means
from studykit.change.model import ESTIMATE_COLUMNS, ChangeModel, departure_from_line, fit_change
from studykit.change.readings import FREE, STRAIGHT_LINE, ChangeReadings, readings_for_change
from studykit.conduct.of_study import conduct_of_study
from studykit.data.study import Study
from studykit.dose.model import dose_trial
from studykit.dose.randomised import randomised_of
from studykit.dose.wording import FREE_MEANS
from studykit.errors import DesignError
from studykit.formatting import p_value
from studykit.individuals.of_study import for_whom
from studykit.modelling import Varies, fit_mixed
from studykit.sensitivity.rows import Planned, refitted
from studykit.sensitivity.table import other_choices_of_study
from studykit.vocabulary import MEASUREMENTS, PARTICIPANTS
from tests.conduct.dated_cases import dated_trial
from tests.dose.dose_cases import dose_study

LINE = '[analysis]\ncourse = "straight line"\n'
PERSON = (("participant_id",),)
THREE_ARMS = {"usual": "Usual care", "hold_30": "30 s hold", "hold_60": "60 s hold"}


def trial(**more: object) -> Study:
    return made_trial(**{"people": 45, "arms": THREE_ARMS, "missing": 0.15, "more": LINE, **more})  # type: ignore[arg-type]


def with_weeks(readings: ChangeReadings) -> pd.DataFrame:
    """The rows with weeks since the baseline, and these weeks by arm as columns w_<arm>."""
    weeks = {visit.key: float(visit.week - readings.visits[0].week) for visit in readings.visits}
    rows = readings.rows.assign(week=readings.rows["visit"].map(weeks))
    return rows.assign(**{f"w_{arm}": rows["week"] * (rows["arm"] == arm) for arm in readings.arms})


def at(frame: pd.DataFrame, arm: str, visit: str) -> pd.Series:
    return frame.set_index(["arm", "visit"]).loc[(arm, visit)]


def fit(readings: ChangeReadings, *, shared_baseline: bool = True, **more: object) -> ChangeModel:
    return fit_change(readings, confidence=0.95, shared_baseline=shared_baseline, **more)  # type: ignore[arg-type]


def test_a_trial_equals_the_formula_of_the_line() -> None:
    """The front door's mixed model with one slope an arm: same estimate, Kenward–Roger error and df."""
    readings = readings_for_change(trial())
    assert readings.course == STRAIGHT_LINE
    model = fit(readings, terms=PERSON)
    formula = fit_mixed(
        with_weeks(readings),
        outcome="value",
        fixed=" + ".join(f"w_{arm}" for arm in readings.arms),
        random=[Varies("participant_id")],
    )
    found = formula.coefficients().set_index("term")
    for arm in readings.arms:
        for visit, weeks in (("week_6", 6.0), ("week_12", 12.0)):
            row, slope = at(model.changes, arm, visit), found.loc[f"w_{arm}"]
            # The same optimum is found from two parametrisations of one engine: to 1e-6 of the estimate.
            assert row["estimate"] == pytest.approx(weeks * slope["estimate"], rel=1e-6, abs=1e-8)
            assert row["std_error"] == pytest.approx(weeks * slope["std_error"], rel=1e-6)
            assert row["df"] == pytest.approx(slope["df"], rel=1e-6)
    treated = [arm for arm in readings.arms if arm != readings.control]
    apart = fit_mixed(
        with_weeks(readings),
        outcome="value",
        fixed=" + ".join(["week", *(f"w_{arm}" for arm in treated)]),
        random=[Varies("participant_id")],
    )
    found = apart.coefficients().set_index("term")
    for arm in treated:
        row, slope = at(model.differences, arm, "week_12"), found.loc[f"w_{arm}"]
        assert row["estimate"] == pytest.approx(12.0 * slope["estimate"], rel=1e-6, abs=1e-8)
        assert row["std_error"] == pytest.approx(12.0 * slope["std_error"], rel=1e-6)
        assert row["df"] == pytest.approx(slope["df"], rel=1e-6)


def test_an_audit_equals_the_formula_of_the_line() -> None:
    """A level and a slope of each pathway, no column shared."""
    rng = np.random.default_rng(4)
    values = (
        90.0 + rng.normal(0, 5, (24, 1, 1)) + np.array([0.0, 2.0, 3.0])[None, :, None] + rng.normal(0, 2, (24, 3, 1))
    )
    readings = readings_for_change(made_audit(values, pathways=["a", "b"] * 12, more=LINE))
    model = fit(readings, shared_baseline=False, terms=PERSON)
    formula = fit_mixed(
        with_weeks(readings), outcome="value", fixed="arm + w_a + w_b", random=[Varies("participant_id")]
    )
    found = formula.coefficients().set_index("term")
    for arm in ("a", "b"):
        row, slope = at(model.changes, arm, "week_12"), found.loc[f"w_{arm}"]
        assert row["estimate"] == pytest.approx(12.0 * slope["estimate"], rel=1e-6)
        assert row["std_error"] == pytest.approx(12.0 * slope["std_error"], rel=1e-6)
        assert row["df"] == pytest.approx(slope["df"], rel=1e-6)


def test_another_program_finds_the_same_slopes() -> None:
    readings = readings_for_change(trial())
    model = fit(readings, terms=PERSON)
    rows = with_weeks(readings)
    design = np.column_stack([np.ones(len(rows)), *(rows[f"w_{arm}"] for arm in readings.arms)])
    other = MixedLM(rows["value"].to_numpy(), design, groups=rows["participant_id"].to_numpy()).fit(
        reml=True, method="powell", ftol=1e-12
    )
    for place, arm in enumerate(readings.arms, start=1):
        # A derivative-free search stops at about 1e-5 in the variances; effects move by less than a thousandth of that.
        mine = at(model.changes, arm, "week_12")["estimate"]
        assert mine == pytest.approx(12.0 * other.fe_params[place], rel=1e-6, abs=1e-6)
    assert model.log_likelihood == pytest.approx(other.llf, abs=1e-6)


def free_of(readings: ChangeReadings) -> ChangeReadings:
    return dataclasses.replace(readings, course=FREE)


def test_means_on_a_line_are_left_as_they_are() -> None:
    """Everybody measured at every visit and the means of each arm moved onto a line: the free means lie on it, and the
    line finds them again, whatever the variances."""
    readings = readings_for_change(trial(missing=0.0, trials=1))
    rows = readings.rows
    cell = rows.groupby(["arm", "visit"])["value"].transform("mean")
    weeks = {visit.key: float(visit.week) for visit in readings.visits}
    slope = rows["arm"].map({"usual": 0.1, "hold_30": 0.5, "hold_60": -0.3})
    exact = dataclasses.replace(
        readings, rows=rows.assign(value=rows["value"] - cell + 100.0 + slope * rows["visit"].map(weeks))
    )
    line, free = fit(exact, terms=PERSON), fit(free_of(exact), terms=PERSON)
    np.testing.assert_allclose(line.changes["estimate"], free.changes["estimate"], rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(line.differences["estimate"], free.differences["estimate"], rtol=1e-9, atol=1e-9)
    assert (line.changes["std_error"] < free.changes["std_error"]).all()
    test = departure_from_line(exact, line, shared_baseline=True)
    assert test is not None
    assert test.df1 == 3
    assert test.f == pytest.approx(0.0, abs=1e-12)
    assert test.p == pytest.approx(1.0)


def test_over_two_weeks_a_line_is_the_free_model() -> None:
    """Measured at the baseline and one later visit only: one parametrisation of the same means."""
    study = trial()
    rows = study.table(MEASUREMENTS)
    two = dataclasses.replace(study, tables={**study.tables, MEASUREMENTS: rows[rows["visit"] != "week_6"]})
    readings = readings_for_change(two)
    line, free = fit(readings), fit(free_of(readings))
    for name in ESTIMATE_COLUMNS:
        np.testing.assert_allclose(line.differences[name], free.differences[name], rtol=1e-6, atol=1e-9)
    assert line.log_likelihood != free.log_likelihood  # REML knows the unit of the parameters
    assert departure_from_line(readings, line, shared_baseline=True) is None
    assert "could not be tested" in " ".join(change_of_study(two)[0].cautions)


def test_departure_equals_a_joint_test_of_further_visit_terms() -> None:
    """The front door: a step of each arm at the last visit beside the lines spans the free means; its joint test is the
    lack of fit. The F statistic does not depend on how the restrictions are written."""
    readings = readings_for_change(trial())
    model = fit(readings, terms=PERSON)
    test = departure_from_line(readings, model, shared_baseline=True)
    rows = with_weeks(readings)
    lines = [f"w_{arm}" for arm in readings.arms]
    steps = [f"s_{arm}" for arm in readings.arms]
    rows = rows.assign(**{f"s_{arm}": ((rows["arm"] == arm) & (rows["week"] == 12.0)) * 1.0 for arm in readings.arms})
    other = fit_mixed(
        rows, outcome="value", fixed=" + ".join([*lines, *steps]), random=[Varies("participant_id")]
    ).joint_test(steps)
    assert test is not None
    assert test.df1 == other.df1 == 3
    # Two searches of one optimum: 1e-6 of F and df.
    assert test.f == pytest.approx(other.f, rel=1e-6)
    assert test.df2 == pytest.approx(other.df2, rel=1e-6)
    assert test.p == pytest.approx(float(stats.f.sf(test.f, test.df1, test.df2)), rel=1e-9)


def test_a_change_that_levels_off_departs_from_the_line() -> None:
    study = trial(missing=0.0)
    rows = study.table(MEASUREMENTS)
    bent = rows.assign(value=rows["value"] + 8.0 * (rows["visit"] == "week_6"))
    study = dataclasses.replace(study, tables={**study.tables, MEASUREMENTS: bent})
    changed = change_of_study(study)[1]
    assert changed.numbers()["departure_from_line.p"] < 1e-6
    assert f"p {p_value(0.0)} (Kenward–Roger)" in " ".join(changed.cautions)


def test_slopes_of_people_covariates_and_several_comparisons_go_with_a_line() -> None:
    more = '[analysis]\ncourse = "straight line"\nmultiplicity = "together"\ncovariates = ["age_years"]\n'
    study = trial(more=more)
    people = study.table(PARTICIPANTS)
    aged = people.assign(age_years=np.linspace(20.0, 60.0, len(people)))
    study = dataclasses.replace(study, tables={**study.tables, PARTICIPANTS: aged})
    readings = readings_for_change(study)
    model = fit(readings, multiplicity="together")
    assert model.slopes
    changes = model.changes.set_index(["arm", "visit"])["estimate"].unstack()
    # The definition of a line: half the weeks, half the change.
    np.testing.assert_allclose(changes["week_6"] * 2.0, changes["week_12"], rtol=1e-10)
    differences = model.differences
    assert (differences["p"] >= differences["p_alone"]).all()
    assert (differences["low"] < differences["low_alone"]).all()
    np.testing.assert_allclose(model.change_weights.T @ model.fit.beta, model.changes["estimate"], rtol=1e-12)


def on_a_line(study: Study) -> Study:
    analysis = study.protocol.analysis.model_copy(update={"course": STRAIGHT_LINE})
    return dataclasses.replace(study, protocol=study.protocol.model_copy(update={"analysis": analysis}))


def test_the_answers_say_which_course_was_taken() -> None:
    study = trial()
    on_line, free = change_of_study(study), change_of_study(made_trial(45, arms=THREE_ARMS, missing=0.15))
    for result in on_line:
        assert "along a straight line over the weeks" in result.methods
        assert sum("against the line: F(3, " in caution for caution in result.cautions) == 1
    for result in free:
        assert "straight line" not in " ".join((result.methods, *result.cautions))
        assert not any(key.startswith("departure") for key in result.numbers())
    assert set(on_line[1].numbers()) - set(free[1].numbers()) == {
        f"departure_from_line.{name}" for name in ("f", "df1", "df2", "p")
    }


def test_everything_that_reads_the_model_answers_on_a_line() -> None:
    """Diagnostics, other choices, single people and rater drift take the fitted model as it is."""
    study = on_a_line(dated_trial(40))
    answers = change_of_study(study)
    changed = answers[1]
    assert isinstance(changed, ChangeByArm)
    diagnosed = diagnostics_of_study(study)
    assert diagnosed
    others = other_choices_of_study(study, change=changed).to_frame()
    planned = others.iloc[0]
    difference = at(changed.model.differences, "hold_60", "week_12")
    assert planned["estimate_deg"] == pytest.approx(difference["estimate"], rel=1e-12)
    for result in (*for_whom(study, change=changed), *conduct_of_study(study, change=lambda: changed)):
        assert result.headline
        assert all(np.isfinite(list(result.numbers().values())))
    again = refitted(Planned(study, changed.readings, changed.model), "again", "Again", study)
    # One start instead of several: the same optimum, to 1e-6.
    assert again[0]["estimate"] == pytest.approx(difference["estimate"], rel=1e-6)


def test_dose_keeps_the_free_means_and_says_so() -> None:
    study = dose_study([0.0, 1.0, 2.0, 2.0, 4.0])
    line = on_a_line(study)
    given = change_of_study(line)[1]
    assert isinstance(given, ChangeByArm)
    assert given.model.course == STRAIGHT_LINE
    asked, free = dose_trial(line, mdc=None, change=given), dose_trial(study, mdc=None)
    assert asked.model.course == FREE
    pd.testing.assert_frame_equal(asked.model.changes, free.model.changes)
    assert FREE_MEANS in randomised_of(asked).cautions
    assert FREE_MEANS not in randomised_of(free).cautions


def test_a_later_visit_in_the_week_of_the_baseline_is_refused() -> None:
    readings = readings_for_change(trial())
    moved = tuple(
        visit.model_copy(update={"week": 0.0}) if visit.key == "week_6" else visit for visit in readings.visits
    )
    with pytest.raises(DesignError, match="Week 6 is in the week of Baseline, so a straight line"):
        fit(dataclasses.replace(readings, visits=moved))


def test_cells_and_parameters_of_a_trial_and_of_an_audit() -> None:
    """By hand: one shared start and three slopes; two starts and two slopes."""
    readings = readings_for_change(trial(missing=0.0))
    means = cell_means(readings, shared_baseline=True)
    assert means.matrix.shape == (7, 4)
    start = means.matrix[means.place["baseline"]]
    assert start.tolist() == [1.0, 0.0, 0.0, 0.0]
    assert sorted(means.matrix[means.place["hold_60@week_6"]]) == [0.0, 0.0, 1.0, 6.0]
    apart = cell_means(readings, shared_baseline=False)
    assert apart.matrix.shape == (9, 6)
    assert sorted(apart.matrix[apart.place["usual@week_12"]]) == [0.0, 0.0, 0.0, 0.0, 1.0, 12.0]
    np.testing.assert_allclose(means.beyond(7).T @ means.matrix, 0.0, atol=1e-12)
    assert cell_means(free_of(readings), shared_baseline=True).matrix.tolist() == np.eye(7).tolist()
