"""The truth of a made-up trial stands beside its estimates, and a wrong truth is not covered."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from studykit.change import change_of_study
from studykit.data import Study, open_study
from studykit.dose import dose_questions
from studykit.errors import DesignError
from studykit.individuals import for_whom
from studykit.reliability import reliability_of_study
from studykit.result import Result
from studykit.simulate import TrialTruth, true_change_deg, true_response_variances
from studykit.simulate.beside import truth_beside

FERRY = Path(__file__).parents[2] / "synthetic_data" / "ferry_trial"


@pytest.fixture(scope="module")
def ferry() -> Study:
    return open_study(FERRY)


@pytest.fixture(scope="module")
def answers(ferry: Study) -> dict[str, Result]:
    return {result.key: result for result in (*change_of_study(ferry), *reliability_of_study(ferry))}


def test_every_change_difference_and_error_stands_beside_its_truth(ferry: Study, answers: dict[str, Result]) -> None:
    """27 = 5 arms x 3 visits of change and 4 x 3 of difference; SEM and MDC, between and within raters, make 31."""
    truth = TrialTruth.load(FERRY / "truth.toml")
    beside = truth_beside(truth, ferry, answers)
    frame = beside.to_frame().set_index(["answer", "number"])
    assert len(frame) == 31
    changes = true_change_deg(truth)
    for row in changes.itertuples():
        line = frame.loc[("change.ankle_dorsiflexion_lunge_deg", f"{row.visit}.{row.arm}.change")]
        assert line["truth"] == row.change_deg
        assert line["covered"] == (line["low"] <= row.change_deg <= line["high"])
    one = truth.spread
    within = (one.trial_sd_deg**2 + one.read_out_deg**2 / 12) / 3  # three readings averaged, as the protocol says
    between = within + one.rater_sd_deg**2 + one.person_rater_sd_deg**2
    reliability = frame.loc["reliability.ankle_dorsiflexion_lunge_deg"]["truth"]
    assert reliability["sem_within"] == pytest.approx(math.sqrt(within), rel=1e-12)
    assert reliability["sem"] == pytest.approx(math.sqrt(between), rel=1e-12)
    assert reliability["mdc95"] == pytest.approx(1.959963984540054 * math.sqrt(2 * between), rel=1e-12)
    assert beside.numbers()["covered"] == frame["covered"].sum()
    assert f"{int(frame['covered'].sum())} have it inside" in beside.headline


def test_doses_stand_beside_their_truth(ferry: Study) -> None:
    """By hand from the changes of the four treated arms: hold, days, and the same 12 minutes split differently."""
    truth = TrialTruth.load(FERRY / "truth.toml")
    question = dose_questions(ferry)[0].answer()
    frame = truth_beside(truth, ferry, {question.key: question}).to_frame().set_index("number")
    at = true_change_deg(truth).query("visit == 'week_12'").set_index("arm")["change_deg"]
    at = at.rename(lambda key: key.removeprefix("hold_").replace("_days_", "x"))
    same = "same_minutes.hold_60_days_3.hold_30_days_6.estimate"
    assert frame.at["hold_s.range.estimate", "truth"] == pytest.approx(
        (at["60x3"] + at["60x6"] - at["30x3"] - at["30x6"]) / 2, rel=1e-12
    )
    assert frame.at["days_per_week.range.estimate", "truth"] == pytest.approx(
        (at["30x6"] + at["60x6"] - at["30x3"] - at["60x3"]) / 2, rel=1e-12
    )
    assert frame.at[same, "truth"] == pytest.approx(at["60x3"] - at["30x6"], rel=1e-12)
    assert len(frame) == 3


def test_spread_of_responses_stands_beside_its_truth(ferry: Study) -> None:
    """One number a treated arm, the signed root of the variance beyond the control arm's."""
    truth = TrialTruth.load(FERRY / "truth.toml")
    results = {result.key: result for result in for_whom(ferry)}
    frame = truth_beside(truth, ferry, results).to_frame().set_index("number")
    variances = true_response_variances(truth)
    assert list(frame.index) == [f"{arm}.response_sd" for arm in variances]
    for arm, variance in variances.items():
        assert frame.loc[f"{arm}.response_sd", "truth"] == pytest.approx(math.sqrt(variance), rel=1e-12)


def test_a_truth_far_away_is_not_covered(ferry: Study, answers: dict[str, Result]) -> None:
    truth = TrialTruth.load(FERRY / "truth.toml")
    far = truth.model_copy(update={"change": truth.change.model_copy(update={"most_deg_per_week": 3.0})})
    frame = truth_beside(far, ferry, answers).to_frame()
    treated = frame["number"].str.startswith("week_12.hold") & frame["number"].str.endswith("change")
    assert not frame.loc[treated, "covered"].any()
    assert np.isfinite(frame[["truth", "estimate", "low", "high"]].to_numpy(dtype=float)).all()


def test_another_trial_and_real_data_are_refused(ferry: Study, answers: dict[str, Result]) -> None:
    truth = TrialTruth.load(FERRY / "truth.toml")
    fewer = truth.model_copy(update={"arms": truth.arms[:3]})
    with pytest.raises(DesignError, match="belongs to another trial"):
        truth_beside(fewer, ferry, answers)
    real = ferry.protocol.model_copy(update={"study": ferry.protocol.study.model_copy(update={"made_up": False})})
    with pytest.raises(DesignError, match="made_up"):
        truth_beside(truth, Study(real, ferry.tables, ferry.findings, ferry.rows_in, ferry.rows_set_aside), answers)
    with pytest.raises(DesignError, match="No answer"):
        truth_beside(truth, ferry, {})
