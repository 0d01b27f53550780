"""Intervals hold what they promise: simulated trials with a known truth (slow; figures in DEVELOPERS.md)."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from studykit.change.model import ChangeModel, fit_change
from studykit.change.readings import FREE, STRAIGHT_LINE, ChangeReadings
from studykit.protocol import Visit
from studykit.simulate import TrialTruth, simulate_trial, true_change_deg
from studykit.simulate.truth import Adherence
from studykit.vocabulary import MEASUREMENTS, PARTICIPANTS

VISITS = tuple(Visit(key=f"week_{week}", label=f"Week {week}", week=week) for week in (0, 6, 12))
GAIN = np.array([[0.0, 0.5, 1.0], [0.0, 2.0, 3.0], [0.0, 3.0, 6.0]])
"""Arms x visits: mean change in degrees; the first arm is the control."""
PEOPLE = 36
TRIALS = 200
NAMES = ("change", "difference")
KINDS = (*NAMES, "between arms")
RECOVERY_TRIALS = 2000


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


def hits(model: ChangeModel, truth: dict[str, float], control: str) -> tuple[list[bool], list[bool], list[float]]:
    """At the last visit: whether the interval of each change and difference holds its truth; errors of differences."""
    change = model.changes[model.changes["visit"] == "week_12"].set_index("arm")
    difference = model.differences[model.differences["visit"] == "week_12"].set_index("arm")
    more = {arm: truth[arm] - truth[control] for arm in difference.index}
    return (
        [bool(row.low < truth[row.Index] < row.high) for row in change.itertuples()],
        [bool(row.low < more[row.Index] < row.high) for row in difference.itertuples()],
        [float(row.estimate - more[row.Index]) for row in difference.itertuples()],
    )


@pytest.mark.slow
def test_intervals_are_a_little_wide_where_people_all_change_alike() -> None:
    """Equally correlated visits: slopes are not needed, and their variances, never below zero, cost a little width."""
    rng = np.random.default_rng(20261201)
    truth = {"c": GAIN[0, 2], "a": GAIN[1, 2], "b": GAIN[2, 2]}
    found = [hits(fit_change(simulated(rng), confidence=0.95, shared_baseline=True), truth, "c") for _ in range(TRIALS)]
    share = {name: float(np.mean([trial[place] for trial in found])) for place, name in enumerate(NAMES)}
    errors = np.mean([trial[2] for trial in found], axis=1)
    bias, noise = float(np.mean(errors)), float(np.std(errors) / np.sqrt(TRIALS))
    figures = f"coverage {share}, bias {bias:.4f} degrees (noise of the study {noise:.4f})"
    # Three binomial standard errors of 95% in 200 trials are 4.6 points (arms of one trial are not counted as trials).
    # The upper side is what slopes may cost here: of 95%, at most four in five misses may be lost.
    assert all(0.95 - 0.046 < hit <= 0.99 for hit in share.values()), figures
    # Drop-out depends on readings that were taken, so the likelihood is unbiased; three standard errors of the mean.
    assert abs(bias) < 3 * noise, figures


STEADY = Adherence(week_logit=0.0)
"""Adherence that does not fall over the weeks: people then gain as much in every week, and means lie on a line."""


@pytest.mark.slow
@pytest.mark.parametrize("people", [120, 40])
@pytest.mark.parametrize("course", [FREE, STRAIGHT_LINE])
def test_truths_come_back_and_are_covered_where_people_change_at_different_rates(course: str, people: int) -> None:
    """The made-up ferry trial: drift, adherence and response differ between people, more in arms that ask for more.

    With free means adherence falls over the weeks as in the ferry trial; with a straight line it is steady, so that the
    true means lie on one. One start each: a search from several ends at the same optimum (tests/sensitivity).
    """
    truth = TrialTruth(participants=people, adherence=Adherence() if course == FREE else STEADY)
    found = pd.concat([recovered(truth, number, course) for number in range(RECOVERY_TRIALS)], ignore_index=True)
    figures = recovery_figures(found)
    # Three Monte Carlo errors, taken over trials: contrasts of one trial share its people. Coverage is asked for to one
    # point, and to two upwards with eight people an arm: variances that are never below zero cost width there. A bias
    # is asked for to 2% of the mean effect of its kind.
    noise = 3.0 * figures["coverage_noise"]
    most = 0.96 if people == 120 else 0.97
    assert figures["coverage"].between(0.94 - noise, most + noise).all(), figures
    assert (figures["bias_share"].abs() < np.maximum(0.02, 3.0 * figures["bias_share_noise"])).all(), figures


def recovered(truth: TrialTruth, number: int, course: str) -> pd.DataFrame:
    """One trial at the last visit: a row a contrast with `kind`, `contrast`, `truth`, `estimate`, `low`, `high`."""
    visit = truth.visit_keys[-1]
    last = true_change_deg(truth).query("visit == @visit").set_index("arm")["change_deg"]
    readings = ferry_readings(truth, np.random.default_rng([20261202, number]), course)
    model = fit_change(readings, confidence=0.95, shared_baseline=True, several_starts=False)
    parts = []
    for kind, frame in zip(KINDS, (model.changes, model.differences, model.pairs.assign(visit=visit)), strict=True):
        own = frame[frame["visit"] == visit]
        against = {"change": 0.0, "difference": last[truth.arms[0].key]}.get(kind)
        other = own["against"].map(last) if against is None else against
        name = own["arm"] + (" - " + own["against"] if against is None else "")
        parts.append(own.assign(kind=kind, contrast=name, truth=own["arm"].map(last) - other, number=number))
    return pd.concat(parts)[["number", "kind", "contrast", "truth", "estimate", "low", "high"]]


def recovery_figures(found: pd.DataFrame) -> pd.DataFrame:
    """Coverage and bias over all contrasts of a kind, with Monte Carlo errors over trials, and the range of coverage.

    The bias is given as a share of the mean true effect of its kind (of its size, between arms).
    """
    found = found.assign(
        hit=(found["low"] < found["truth"]) & (found["truth"] < found["high"]),
        # Away from zero, so that arms in either order count alike.
        error=(found["estimate"] - found["truth"]) * np.sign(found["truth"]),
        width=found["high"] - found["low"],
    )
    of_trial = found.groupby(["kind", "number"])[["hit", "error", "width"]].mean()
    kinds = of_trial.groupby("kind")
    root = np.sqrt(kinds.size())
    effect = found["truth"].abs().groupby(found["kind"]).mean()
    by_contrast = found.groupby(["kind", "contrast"])["hit"].mean().groupby("kind")
    return pd.DataFrame(
        {
            "coverage": kinds["hit"].mean(),
            "coverage_noise": kinds["hit"].std() / root,
            "least": by_contrast.min(),
            "most": by_contrast.max(),
            "bias_deg": kinds["error"].mean(),
            "bias_share": kinds["error"].mean() / effect,
            "bias_share_noise": kinds["error"].std() / root / effect,
            "width_deg": kinds["width"].mean(),
        }
    ).loc[list(KINDS)]


def ferry_readings(truth: TrialTruth, rng: np.random.Generator, course: str) -> ChangeReadings:
    """The mean of the trials of one limb at one planned visit, as a study takes them."""
    tables = simulate_trial(truth, rng=rng, diary=False)
    rows = tables[MEASUREMENTS].query("visit != @truth.sitting_visit")
    keys = ["participant_id", "visit", "side", "rater_id"]
    means = rows.groupby(keys, sort=True)["value"].mean().reset_index()
    arm = tables[PARTICIPANTS].set_index("participant_id")["arm"]
    planned = zip(truth.visit_keys, truth.visit_weeks, strict=True)
    return ChangeReadings(
        rows=means.assign(arm=means["participant_id"].map(arm)),
        measure="m",
        visits=tuple(Visit(key=key, label=key, week=week) for key, week in planned),
        primary_visit="week_12",
        arms={arm.key: arm.key for arm in truth.arms},
        control=truth.arms[0].key,
        outcome_words="",
        notes=(),
        course=course,
    )
