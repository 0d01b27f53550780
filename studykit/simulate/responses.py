"""How differently people of a made-up trial truly respond: the variance of their change beyond that of the first arm.

With S the sum of a person's weekly gains, R ~ N(1, r^2) that person's multiplier, u the trait and w the weeks,

    change            = drift w + R S,    drift = d + b u + noise
    Var(change)       = Var(drift) w^2 + (1 + r^2) E[S^2] - E[S]^2 + 2 b w E[u S]

and in an arm that is asked to do nothing S = 0. Given u the weeks are independent, so that E[S^2 | u] = Var + mean^2.
"""

from __future__ import annotations

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from scipy.stats import binom

from studykit.simulate.truth import (
    QUADRATURE_POINTS,
    ArmTruth,
    TrialTruth,
    gain_deg_per_week,
    probability_of_a_planned_day,
)


def true_response_variances(truth: TrialTruth) -> dict[str, float]:
    """Variance of the true change at the last visit in each arm but the first, less that of the first.

    Returns:
        key of the arm -> difference of variances in square degrees, if all had stayed. It holds differing response,
        differing adherence, and that those who do more would also have changed more without it.
    """
    variances = {arm.key: _gain_part(truth, arm) for arm in truth.arms}
    first = variances.pop(truth.arms[0].key)
    return {key: value - first for key, value in variances.items()}


def _gain_part(truth: TrialTruth, arm: ArmTruth) -> float:
    """What of the variance comes with the gains: (1 + r^2) E[S^2] - E[S]^2 + 2 b w E[u S], by Gauss–Hermite over u."""
    node, weight = hermegauss(QUADRATURE_POINTS)
    weight = weight / weight.sum()
    days = np.arange(arm.days_per_week + 1)
    gain = gain_deg_per_week(truth, days * arm.minutes_per_day)
    chance = probability_of_a_planned_day(truth, np.full(node.size, arm.days_per_week), node)
    mass = binom.pmf(days[None, None, :], arm.days_per_week, chance[:, :, None])
    weekly, squares = mass @ gain, mass @ gain**2
    mean = weekly.sum(axis=1)
    square = mean**2 + (squares - weekly**2).sum(axis=1)
    change = truth.change
    spread = (1.0 + change.response_sd**2) * float(weight @ square) - float(weight @ mean) ** 2
    return spread + 2.0 * change.drift_per_trait_deg_per_week * truth.weeks * float(weight @ (node * mean))
