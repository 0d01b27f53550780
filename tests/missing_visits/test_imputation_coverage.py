"""Do intervals after filling in hold the truth, without bias, when people leave because of what was seen?

1,000 made-up trials (slow). Figures in DEVELOPERS.md.
"""

from __future__ import annotations

import numpy as np
import pytest

from studykit.numerics.imputation import completed_sets
from studykit.numerics.least_squares import least_squares
from studykit.numerics.normal_missing import fit_normal
from studykit.numerics.pooling import pooled

TRIALS, SETS = 1_000, 20
EFFECT_DEG = 4.0
SPREAD_DEG = np.array([6.0, 6.5, 7.0])
CORRELATION = np.array([[1.0, 0.8, 0.7], [0.8, 1.0, 0.85], [0.7, 0.85, 1.0]])


def one_trial(rng: np.random.Generator, people: int) -> tuple[np.ndarray, np.ndarray]:
    """Visits of two arms of `people` each; who did badly at the second visit tends to miss the third (at random given
    what was seen), more so in the treated arm, so that those who stay are no fair sample."""
    covariance = np.outer(SPREAD_DEG, SPREAD_DEG) * CORRELATION
    arm = np.repeat([0.0, 1.0], people)
    y = rng.multivariate_normal([40.0, 41.0, 41.0], covariance, 2 * people)
    y += np.outer(arm, EFFECT_DEG * np.array([0.0, 0.6, 1.0]))
    z = (y[:, 1] - 41.0) / 6.5
    leaves = rng.random(2 * people) < 1.0 / (1.0 + np.exp(1.2 + (0.6 + 1.4 * arm) * z))
    y[leaves, 2] = np.nan
    return y, arm


def analysed(y: np.ndarray, arm: np.ndarray, rng: np.random.Generator) -> tuple[float, float, float, float]:
    """Pooled estimate and limits, and the estimate of those who stayed."""
    filled = np.empty((SETS, *y.shape))
    for own in (arm == 0.0, arm == 1.0):
        z = np.ones((int(own.sum()), 1))
        filled[:, own] = completed_sets(y[own], z, fit_normal(y[own], z), count=SETS, rng=rng)
    estimates, variances, df = [], [], 0
    for one in filled:
        fit = least_squares(one[:, 2], np.column_stack([np.ones(len(arm)), one[:, 0], arm]))
        estimates.append(fit.beta[2])
        variances.append(fit.covariance()[2, 2])
        df = fit.df
    found = pooled(estimates, variances, df_complete=df)
    low, high = found.limits(0.95)
    stay = ~np.isnan(y[:, 2])
    plain = least_squares(y[stay, 2], np.column_stack([np.ones(int(stay.sum())), y[stay, 0], arm[stay]]))
    return float(found.estimate), float(low), float(high), float(plain.beta[2])


@pytest.mark.slow
@pytest.mark.parametrize("people", [20, 50])
def test_intervals_after_filling_in_hold_the_truth(people: int) -> None:
    rng = np.random.default_rng([20261126, people])
    found = np.array([analysed(*one_trial(rng, people), rng) for _ in range(TRIALS)])
    held = float(np.mean((found[:, 1] < EFFECT_DEG) & (found[:, 2] > EFFECT_DEG)))
    bias, error = float(found[:, 0].mean() - EFFECT_DEG), float(found[:, 0].std(ddof=1) / np.sqrt(TRIALS))
    stayed = float(found[:, 3].mean() - EFFECT_DEG)
    print(  # noqa: T201 - figures for DEVELOPERS.md
        f"\n{people} an arm: coverage {held:.3f}; bias {bias:+.3f} deg (Monte Carlo error {error:.3f}); "
        f"people who stayed {stayed:+.3f} deg"
    )
    # Four Monte Carlo errors of 95 % in 1,000 trials are 2.8 points; of the mean, four standard errors.
    assert 0.922 < held < 0.978
    assert abs(bias) < 4 * error
    assert abs(stayed) > 2 * abs(bias)
