"""Which arms a simulated trial finds, by the rule for several comparisons that the protocol chose for the analysis.

Each on its own: p below alpha. Holm: his step-down rule on the p of the trial. Together: the p of the joint t
distribution of the trial's own Kenward-Roger covariance. The functions are those of the analysis.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from studykit.change.contrasts import EACH_ON_ITS_OWN, HOLM
from studykit.numerics.mixed.many import ManyContrasts, ManyFits
from studykit.numerics.multiplicity import holm_p, joint_p
from studykit.planning.plan import TrialPlan

FEWEST_DF = 1.0
"""Degrees of freedom below which the analysis gives no answer."""


def outcomes_of(plan: TrialPlan) -> int:
    """How many outcomes a simulated trial has: its treated arms, and any and all of several."""
    arms = len(plan.treated)
    return arms if arms == 1 else arms + 2


def arms_found(plan: TrialPlan, many: ManyFits, contrasts: np.ndarray, found: Sequence[ManyContrasts]) -> np.ndarray:
    """(trials, outcomes) whether each trial found each outcome.

    The outcomes are the treated arms in order; with several of them also any and all of those that are supposed to
    differ (any and all of the treated arms where none is). A trial that was not fitted, or whose analysis would give no
    answer for an arm, finds nothing.

    Args:
        plan: which rule, which alpha, which arms are supposed to differ.
        many: the fits of the trials.
        contrasts: (treated arms, p) difference of each from the control arm.
        found: the same, estimated.
    """
    p = np.column_stack([one.p for one in found])
    answered = np.all(
        [(one.std_error > 0.0) & (one.df >= FEWEST_DF) & np.isfinite(one.p) for one in found], axis=0
    )  # nan compares as not found
    decided = np.zeros(p.shape, dtype=bool)
    if plan.multiplicity == EACH_ON_ITS_OWN or p.shape[1] == 1:
        decided[answered] = p[answered] < plan.alpha
    elif plan.multiplicity == HOLM:
        decided[answered] = [holm_p(row) < plan.alpha for row in p[answered]]
    else:
        decided[answered] = _together(plan, many, contrasts, found, np.flatnonzero(answered))
    if p.shape[1] == 1:
        return decided
    expected = [place for place, arm in enumerate(plan.treated) if plan.effect(arm) != 0.0]
    looked_for = decided[:, expected] if expected else decided
    return np.column_stack([decided, looked_for.any(axis=1), looked_for.all(axis=1)])


def _together(
    plan: TrialPlan,
    many: ManyFits,
    contrasts: np.ndarray,
    found: Sequence[ManyContrasts],
    trials: np.ndarray,
) -> np.ndarray:
    """(trials, arms) whether the joint p is below alpha; computed where p alone and Bonferroni's do not decide it.

    The joint p lies between p alone and Bonferroni's (`joint_p` holds it there), so where both are on one side of alpha
    it is too. Covariances of two contrasts follow from the variance of their difference.
    """
    p, t, df = (
        np.column_stack(columns)[trials]
        for columns in zip(*((one.p, one.estimate / one.std_error, one.df) for one in found), strict=True)
    )
    errors = np.column_stack([one.std_error for one in found])[trials]
    arms = p.shape[1]
    decided = np.asarray(p * arms < plan.alpha)
    open_still = (p < plan.alpha) & ~decided
    if not open_still.any():
        return decided
    correlation = np.tile(np.eye(arms), (len(trials), 1, 1))
    for a in range(arms):
        for b in range(a):
            apart = many.contrast(contrasts[a] - contrasts[b]).std_error[trials]
            shared = 0.5 * (errors[:, a] ** 2 + errors[:, b] ** 2 - apart**2) / (errors[:, a] * errors[:, b])
            correlation[:, a, b] = correlation[:, b, a] = shared
    for trial, arm in zip(*np.nonzero(open_still), strict=True):
        one = slice(arm, arm + 1)
        decided[trial, arm] = joint_p(t[trial, one], correlation[trial], df[trial, one])[0] < plan.alpha
    return decided
