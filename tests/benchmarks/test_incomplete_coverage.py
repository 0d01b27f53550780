"""How often 95 % intervals from ratings with gaps hold the truth: three raters, 15 % of ratings missing at random.

Run with: pytest -m slow -s tests/benchmarks/test_incomplete_coverage.py

Intervals from mean squares: 1,000 studies a case (Monte Carlo error 0.007). Bootstrap: 100 studies of 200 resamples
(0.022), because each study is fitted 201 times. About six minutes of one core in all. What is asserted is what the
docstring of `Projected` claims, within three Monte Carlo errors.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from studykit.reliability import IncompleteAnswer, incomplete

pytestmark = pytest.mark.slow

ANALYTIC, BOOTSTRAP = 1_000, 100
RATERS = 3
VARIANCES = {"rater differences large": (36.0, 4.0, 9.0), "small": (36.0, 0.25, 9.0)}
"""Target, rater and error variance, in degrees squared."""
CLAIMED = {("rater differences large", 50, "agreement"): 0.93}
"""Where the docstring says that intervals from mean squares do not hold 95 %; sums of mean squares may hold more."""
NAMES = {"target": "target", "rater": "rater", "value": "value"}


def gappy(n: int, variances: tuple[float, float, float], rng: np.random.Generator) -> pd.DataFrame:
    target, rater, error = np.sqrt(variances)
    values = rng.normal(50, target, (n, 1)) + rng.normal(0, rater, (1, RATERS)) + rng.normal(0, error, (n, RATERS))
    frame = pd.DataFrame(
        {"target": np.repeat(np.arange(n), RATERS), "rater": np.tile(np.arange(RATERS), n), "value": values.ravel()}
    )
    return frame[rng.random(len(frame)) >= 0.15]


def inside(interval: tuple[float, float], truth: float) -> bool:
    return interval[0] <= truth <= interval[1]


def covered(answers: list[IncompleteAnswer], kind: str, variances: tuple[float, float, float]) -> dict[str, float]:
    target, rater, error = variances
    truths = {
        "agreement": target / (target + rater + error),
        "consistency": target / (target + error),
        "sem_agreement": (rater + error) ** 0.5,
        "sem_consistency": error**0.5,
    }
    return {
        name: float(np.mean([inside(getattr(getattr(answer, name), kind), truth) for answer in answers]))
        for name, truth in truths.items()
    }


@pytest.mark.parametrize("n", [10, 20, 50])
@pytest.mark.parametrize("case", list(VARIANCES))
def test_intervals_from_mean_squares(case: str, n: int) -> None:
    rng = np.random.default_rng(n)
    answers = [incomplete(gappy(n, VARIANCES[case], rng), **NAMES) for _ in range(ANALYTIC)]
    found = covered(answers, "analytic", VARIANCES[case])
    print(f"\nmean squares, {case}, n = {n}: " + ", ".join(f"{name} {share:.3f}" for name, share in found.items()))
    for name, share in found.items():
        claimed = CLAIMED.get((case, n, name), 0.95)
        error = 3.0 * (claimed * (1.0 - claimed) / ANALYTIC) ** 0.5
        assert share >= claimed - error, name
        assert name == "sem_agreement" or share <= claimed + error, name


@pytest.mark.parametrize("n", [10, 20, 50])
def test_parametric_bootstrap(n: int) -> None:
    rng, case = np.random.default_rng(100 + n), "rater differences large"
    answers = [incomplete(gappy(n, VARIANCES[case], rng), **NAMES, resamples=200, rng=rng) for _ in range(BOOTSTRAP)]
    found = covered(answers, "bootstrap", VARIANCES[case])
    print(f"\nbootstrap, {case}, n = {n}: " + ", ".join(f"{name} {share:.3f}" for name, share in found.items()))
    for name in ("sem_agreement", "sem_consistency"):
        assert found[name] <= 0.95, f"{name}: the docstring says that the bootstrap is too narrow"


SESSION_STUDIES = 400
PARTS = {"person": 36.0, "rater": 1.0, "cell": 1.0, "day": 4.0, "both": 1.0, "trial": 4.0}
"""Variances, in degrees squared: person, rater, person by rater, day of a person, that by rater, trial."""


def two_days(n: int, rng: np.random.Generator) -> pd.DataFrame:
    sd = {name: float(np.sqrt(value)) for name, value in PARTS.items()}
    values = (
        rng.normal(50, sd["person"], (n, 1, 1, 1))
        + rng.normal(0, sd["rater"], (1, 1, RATERS, 1))
        + rng.normal(0, sd["cell"], (n, 1, RATERS, 1))
        + rng.normal(0, sd["day"], (n, 2, 1, 1))
        + rng.normal(0, sd["both"], (n, 2, RATERS, 1))
        + rng.normal(0, sd["trial"], (n, 2, RATERS, 2))
    )
    index = pd.MultiIndex.from_product(
        [range(n), range(2), range(RATERS), range(2)], names=["target", "day", "rater", "t"]
    )
    return pd.Series(values.ravel(), index=index, name="value").reset_index()


@pytest.mark.parametrize("n", [10, 20, 50])
def test_two_sessions_of_three_raters(n: int) -> None:
    """Monte Carlo error 0.011. The docstring of `AcrossSessions` says what is found."""
    rng = np.random.default_rng(n)
    total = sum(PARTS.values())
    same = PARTS["person"] + PARTS["rater"] + PARTS["cell"]
    truths = {
        "retest": same / total,
        "sem_retest": (total - same) ** 0.5,
        "one_session": (PARTS["person"] + PARTS["day"]) / total,
        "sem_one_session": (total - PARTS["person"] - PARTS["day"]) ** 0.5,
    }
    inside_count = dict.fromkeys([*truths, "agreement", "sem_agreement"], 0)
    for _ in range(SESSION_STUDIES):
        got = incomplete(two_days(n, rng), **NAMES, session="day")
        days = got.across_sessions
        assert days is not None
        for name, truth in truths.items():
            inside_count[name] += inside(getattr(days, name).analytic, truth)
        inside_count["agreement"] += inside(got.agreement.analytic, PARTS["person"] / total)
        inside_count["sem_agreement"] += inside(got.sem_agreement.analytic, (total - PARTS["person"]) ** 0.5)
    found = {name: count / SESSION_STUDIES for name, count in inside_count.items()}
    print(f"\ntwo sessions, n = {n}: " + ", ".join(f"{name} {share:.3f}" for name, share in found.items()))
    error = 3.0 * (0.95 * 0.05 / SESSION_STUDIES) ** 0.5
    for name, share in found.items():
        assert share >= 0.95 - error, name
