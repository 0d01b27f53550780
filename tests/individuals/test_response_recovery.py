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
from studykit.simulate.people import (
    change_at_visits_deg,
    draw_days_done,
    draw_last_visit,
    draw_people,
    draw_readings,
)
from studykit.simulate.truth import DropOut
from studykit.vocabulary import FINDING_COLUMNS

MANY = 40_000
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
    # The mixed model against the sample variances of the same trials, whose own bias many more trials tell.
    closed = pd.DataFrame(of_sample_variances(range(MANY), leaving=True), columns=list(expected))
    apart = pd.DataFrame({arm: np.array(found[arm])[:, 0] - np.array(found[f"closed.{arm}"])[:, 0] for arm in expected})
    target = pd.Series(expected)
    bias_share = (apart.mean() + closed.mean() - target) / target
    noise_share = np.sqrt(apart.var() / len(apart) + closed.var() / len(closed)) / target
    figures = f"{pd.DataFrame({'bias': bias_share, 'noise': noise_share}).round(4)}"
    # 2% of a standard deviation are 4% of its square; three Monte Carlo errors.
    assert (bias_share.abs() < np.maximum(0.04, 3 * noise_share)).all(), figures


def of_sample_variances(numbers: range, *, leaving: bool) -> np.ndarray:
    """(trials, 5) variance of changes in each treated arm, and in all by their degrees of freedom, less the control's.

    Made-up ferry trials as arrays, without the tables and models around them: half a millisecond each.
    """
    truth = TrialTruth(sitting_participants=0)
    if not leaving:
        truth = truth.model_copy(update={"drop_out": DropOut(start_logit=-50.0, per_deg_logit=0.0)})
    found = np.empty((len(numbers), len(truth.arms)))
    for place, number in enumerate(numbers):
        who, doing, reading, gone = np.random.default_rng([20261214, number]).spawn(4)
        people = draw_people(truth, rng=who)
        change = change_at_visits_deg(truth, people, draw_days_done(truth, people, rng=doing))
        value = draw_readings(truth, people, change, rng=reading).value_deg
        stays = draw_last_visit(truth, value, rng=gone) == len(truth.visit_weeks) - 1
        seen = value.mean(axis=(2, 3))
        changed = seen[:, -1] - seen[:, 0]
        own = [changed[stays & (people.arm == arm)] for arm in range(len(truth.arms))]
        control, *treated = (float(one.var(ddof=1)) for one in own)
        df = np.array([len(one) - 1 for one in own[1:]])
        found[place] = [*(one - control for one in treated), float(df @ treated) / df.sum() - control]
    return found


@pytest.mark.slow
@pytest.mark.parametrize("leaving", [False, True])
def test_sample_variances_are_unbiased_to_two_percent_and_their_roots_lean_down(leaving: bool) -> None:
    """E[S1^2] - E[S0^2] is the variance of the response whatever its shape; people who leave move it hardly."""
    truth = true_response_variances(TrialTruth(sitting_participants=0))
    target = np.array([*truth.values(), np.mean(list(truth.values()))])
    found = of_sample_variances(range(MANY), leaving=leaving)
    bias = found.mean(axis=0) / target - 1.0
    noise = found.std(axis=0) / np.sqrt(MANY) / target
    roots = np.sign(found) * np.sqrt(np.abs(found))
    lean, middle = roots.mean(axis=0) / np.sqrt(target) - 1.0, np.median(roots, axis=0) / np.sqrt(target) - 1.0
    figures = f"bias {bias.round(4)} (noise {noise.round(4)}), root: mean {lean.round(3)}, median {middle.round(3)}"
    # 2% of a standard deviation are 4% of its square; one Monte Carlo error is less than 1%.
    assert (np.abs(bias) < 0.04).all(), figures
    assert (lean < -0.05).all(), figures
    assert (np.abs(middle) < 0.06).all(), figures
