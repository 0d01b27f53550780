"""Raters who do not drift are told apart as rarely as announced: simulated trials (slow; figures in DEVELOPERS.md)."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studykit.change import ChangeByArm
from studykit.change.model import fit_change
from studykit.change.readings import readings_for_change
from studykit.conduct.drift import rater_drift
from studykit.data.study import Study
from studykit.protocol import load_protocol
from studykit.simulate import TrialTruth, simulate_trial
from studykit.vocabulary import FINDING_COLUMNS

FERRY = Path(__file__).parents[2] / "synthetic_data" / "ferry_trial" / "study.toml"
PROTOCOL = load_protocol(FERRY)
TRIALS = 1000


@dataclass(frozen=True)
class Looked:
    """What one trial without drift gave: p that all slopes are alike, F and its df, and which intervals hold zero."""

    p: float
    f: float
    df2: float
    holds_zero: tuple[bool, ...]


def looked(number: int) -> Looked:
    """The made-up ferry trial: three raters, people coming in over twelve weeks and measured over twelve more."""
    truth = TrialTruth(sitting_participants=0)
    tables = simulate_trial(truth, rng=np.random.default_rng([20261212, number]), diary=False)
    study = Study(PROTOCOL, tables, pd.DataFrame(columns=list(FINDING_COLUMNS)))
    readings = readings_for_change(study)
    model = fit_change(readings, confidence=0.95, shared_baseline=True, several_starts=False)
    change = ChangeByArm(
        key="change",
        title="",
        headline="",
        cautions=(),
        methods="",
        provenance=study.provenance(),
        study=study,
        readings=readings,
        model=model,
        mdc=None,
    )
    found = rater_drift(study, change, None)
    held = ((found.raters["slope_low"] < 0.0) & (found.raters["slope_high"] > 0.0)).tolist()
    return Looked(found.apart_p, found.apart_f, found.apart_df2, tuple(held))


@pytest.mark.slow
def test_raters_who_do_not_drift_are_told_apart_in_one_of_twenty_trials() -> None:
    found = [looked(number) for number in range(TRIALS)]
    rejected = float(np.mean([one.p < 0.05 for one in found]))
    held = np.mean([one.holds_zero for one in found], axis=0)
    figures = f"rejected {rejected:.3f}, intervals hold zero {held.mean():.3f} {held.round(3)}"
    # Three binomial standard errors of 5% in 1,000 trials are 2.1 points.
    assert abs(rejected - 0.05) < 0.021, figures
    assert np.all(np.abs(held - 0.95) < 0.021), figures
