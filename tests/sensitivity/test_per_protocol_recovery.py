"""Per protocol in simulated trials: what it is about, and that it is that (slow; figures in DEVELOPERS.md)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studykit.change.model import fit_change
from studykit.change.readings import readings_for_change
from studykit.data.study import Study
from studykit.protocol import load_protocol
from studykit.sensitivity.analyses import PER_PROTOCOL, per_protocol
from studykit.sensitivity.rows import Planned
from studykit.simulate import TrialTruth, simulate_trial
from studykit.simulate.people import change_at_visits_deg, draw_days_done, draw_people
from studykit.simulate.truth import DropOut
from studykit.vocabulary import FINDING_COLUMNS

FERRY = Path(__file__).parents[2] / "synthetic_data" / "ferry_trial" / "study.toml"
TRIALS = 80
NOBODY_LEAVES = TrialTruth(sitting_participants=0, drop_out=DropOut(start_logit=-50.0, per_deg_logit=0.0))


def truth_of_those_who_did_as_asked(enough: float) -> pd.DataFrame:
    """From 200,000 made-up people: `difference` from control of those who did the share asked for, `drift` the part of
    it that would have come without practice, `whole_arm` the difference of everybody; one row an arm."""
    truth = NOBODY_LEAVES.model_copy(update={"participants": 200_000})
    rng = np.random.default_rng(20261210)
    people = draw_people(truth, rng=rng)
    days = draw_days_done(truth, people, rng=rng)
    change = change_at_visits_deg(truth, people, days)[:, -1]
    drift = truth.weeks * people.drift_deg_per_week
    asked = truth.weeks * np.array([arm.days_per_week for arm in truth.arms])[people.arm]
    kept = days.sum(axis=1) >= enough * asked - 1e-9
    control = change[people.arm == 0].mean()
    rows = {}
    for place, arm in enumerate(truth.arms[1:], start=1):
        own = people.arm == place
        chosen = own & kept
        rows[arm.key] = (change[chosen].mean() - control, drift[chosen].mean() - control, change[own].mean() - control)
    return pd.DataFrame.from_dict(rows, orient="index", columns=["difference", "drift", "whole_arm"])


@pytest.mark.slow
def test_per_protocol_is_unbiased_for_those_who_did_as_asked_and_not_for_the_arm() -> None:
    """The made-up ferry trial with 300 people of whom nobody leaves, so that no arm is too small to be shown."""
    protocol = load_protocol(FERRY)
    wanted = truth_of_those_who_did_as_asked(protocol.analysis.enough_adherence)
    truth = NOBODY_LEAVES.model_copy(update={"participants": 300})
    found = []
    for number in range(TRIALS):
        tables = simulate_trial(truth, rng=np.random.default_rng([20261211, number]))
        study = Study(protocol, tables, pd.DataFrame(columns=list(FINDING_COLUMNS)))
        readings = readings_for_change(study)
        model = fit_change(readings, confidence=0.95, shared_baseline=True, several_starts=False)
        rows = [row for part in per_protocol(Planned(study, readings, model)) for row in part]
        frame = pd.DataFrame(rows)
        own = frame[frame["analysis"] == PER_PROTOCOL].set_index("arm")
        target = wanted["difference"].reindex(own.index)
        hit = (own["low"] < target) & (target < own["high"])
        found.append(own[["estimate"]].assign(hit=hit))
    estimates = pd.concat([one["estimate"] for one in found], axis="columns").loc[wanted.index].astype(float)
    assert bool(estimates.notna().all(axis=None))
    bias = estimates.mean(axis="columns") - wanted["difference"]
    noise = estimates.std(axis="columns") / np.sqrt(TRIALS)
    covered = float(np.mean([one["hit"].mean() for one in found]))
    figures = f"{wanted.assign(bias=bias, noise=noise).round(2)}\ncovered {covered:.3f}"
    assert (bias.abs() < 3.0 * noise).all(), figures
    # Three binomial standard errors of 95% in 80 trials (four arms of one trial are not counted as trials).
    assert abs(covered - 0.95) < 0.073, figures
    # The selection is far beyond the noise: these are other people than the arm's.
    assert (wanted["difference"] - wanted["whole_arm"] > 10.0 * noise).all(), figures
    assert (wanted["drift"] > 0.5).all(), figures
