"""Intervals hold what they promise: simulated trials with a known truth (slow; figures in DEVELOPERS.md)."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from studykit.change.model import fit_change
from studykit.change.readings import ChangeReadings
from studykit.protocol import Visit

VISITS = tuple(Visit(key=f"week_{week}", label=f"Week {week}", week=week) for week in (0, 6, 12))
GAIN = np.array([[0.0, 0.5, 1.0], [0.0, 2.0, 3.0], [0.0, 3.0, 6.0]])
"""Arms x visits: mean change in degrees; the first arm is the control."""
PEOPLE = 36
TRIALS = 2000


def simulated(rng: np.random.Generator) -> ChangeReadings:
    """Both limbs of 36 people, three raters, and drop-out that depends on the readings taken before."""
    arm = np.repeat([0, 1, 2], PEOPLE // 3)
    rater = rng.integers(0, 3, (PEOPLE, 3))
    value = (
        40.0
        + rng.normal(0, 5.0, (PEOPLE, 1, 1))
        + rng.normal(0, 2.0, (PEOPLE, 1, 2))
        + rng.normal(0, 1.5, (PEOPLE, 3, 1))
        + rng.normal(0, 1.2, (PEOPLE, 3, 2))
        + rng.normal(0, 0.7, 3)[rater][:, :, None]
        + GAIN[arm][:, :, None]
    )
    stays = np.ones((PEOPLE, 3), dtype=bool)
    for visit in (1, 2):
        last = value[:, visit - 1].mean(axis=1)
        leaves = rng.random(PEOPLE) < 1 / (1 + np.exp(2.5 + 0.25 * (last - 40.0)))
        stays[:, visit] = stays[:, visit - 1] & ~leaves
    person, visit, side = np.nonzero(np.repeat(stays[:, :, None], 2, axis=2))
    rows = pd.DataFrame(
        {
            "participant_id": person,
            "arm": pd.Series(["c", "a", "b"]).to_numpy()[arm[person]],
            "visit": np.array([planned.key for planned in VISITS], dtype=object)[visit],
            "side": np.array(["left", "right"], dtype=object)[side],
            "rater_id": rater[person, visit],
            "value": value[person, visit, side],
        }
    )
    return ChangeReadings(
        rows=rows,
        measure="m",
        visits=VISITS,
        primary_visit="week_12",
        arms={"c": "c", "a": "a", "b": "b"},
        control="c",
        outcome_words="",
        notes=(),
    )


@pytest.mark.slow
def test_intervals_cover_the_truth_as_often_as_they_say() -> None:
    rng = np.random.default_rng(20261201)
    truth = {"c": GAIN[0, 2], "a": GAIN[1, 2], "b": GAIN[2, 2]}
    covered: dict[str, list[bool]] = {"change": [], "difference": []}
    errors: list[float] = []
    for _ in range(TRIALS):
        model = fit_change(simulated(rng), confidence=0.95, shared_baseline=True)
        for row in model.changes[model.changes["visit"] == "week_12"].itertuples():
            covered["change"].append(row.low < truth[row.arm] < row.high)
        for row in model.differences[model.differences["visit"] == "week_12"].itertuples():
            true = truth[row.arm] - truth["c"]
            covered["difference"].append(row.low < true < row.high)
            errors.append(row.estimate - true)
    share = {name: float(np.mean(hits)) for name, hits in covered.items()}
    bias, noise = float(np.mean(errors)), float(np.std(errors) / np.sqrt(len(errors) / 2))
    figures = f"coverage {share}, bias {bias:.4f} degrees (noise of the study {noise:.4f})"
    # 2,000 independent trials: three binomial standard errors of 95% are 1.5 points.
    assert all(abs(hit - 0.95) < 0.015 for hit in share.values()), figures
    # Drop-out depends on readings that were taken, so the likelihood is unbiased; three standard errors of the mean.
    assert abs(bias) < 3 * noise, figures
