"""The spread of individual responses in simulated trials with a known truth (slow; figures in DEVELOPERS.md)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studykit.change.model import fit_change
from studykit.change.readings import readings_for_change
from studykit.data.study import Study
from studykit.individuals.changes import changes_of_people
from studykit.individuals.response import TOGETHER, individual_response
from studykit.protocol import load_protocol
from studykit.simulate import TrialTruth, simulate_trial, true_response_variances
from studykit.vocabulary import FINDING_COLUMNS

FERRY = Path(__file__).parents[2] / "synthetic_data" / "ferry_trial" / "study.toml"
TRIALS = 500


@pytest.mark.slow
def test_spread_of_responses_is_unbiased_and_its_interval_holds_the_truth() -> None:
    """The made-up ferry trial, 120 people in five arms, people leaving when their change is small."""
    truth = TrialTruth(sitting_participants=0)
    protocol = load_protocol(FERRY)
    expected = true_response_variances(truth)
    expected[TOGETHER] = float(np.mean(list(expected.values())))
    found: dict[str, list[list[float]]] = {f"{route}{arm}": [] for route in ("", "closed.") for arm in expected}
    for number in range(TRIALS):
        tables = simulate_trial(truth, rng=np.random.default_rng([20261126, number]), diary=False)
        study = Study(protocol, tables, pd.DataFrame(columns=list(FINDING_COLUMNS)))
        readings = readings_for_change(study)
        model = fit_change(readings, confidence=0.95, shared_baseline=True, several_starts=False)
        numbers = individual_response(study, readings, changes_of_people(study, readings, None, None), model).numbers()
        for arm in expected:
            for route in ("", "closed."):
                start = f"{arm}.{route}response_variance"
                found[f"{route}{arm}"].append([numbers[start], numbers[f"{start}.low"], numbers[f"{start}.high"]])
    lines = []
    for name, values in found.items():
        estimate, low, high = np.array(values).T
        target = expected[name.removeprefix("closed.")]
        bias, noise = float(estimate.mean() - target), float(estimate.std() / np.sqrt(TRIALS))
        covered = float(np.mean((low < target) & (target < high)))
        lines.append((name, target, bias, noise, covered, float(np.mean(high - low))))
    figures = "\n".join(
        f"{n}: truth {t:.2f}, bias {b:+.2f} (noise {s:.2f}), coverage {c:.3f}, width {w:.1f}"
        for n, t, b, s, c, w in lines
    )
    for _, _, bias, noise, covered, _ in lines:
        # Three standard errors of the mean; three binomial standard errors of 95 % in 500 trials are 2.9 points.
        assert abs(bias) < 3 * noise, figures
        assert abs(covered - 0.95) < 0.03, figures
