"""Arms' differences at one of several visits, with a baseline that all arms share and people who leave.

With a covariance of one person's visits that is taken as known, generalised least squares gives the variance of every
difference in closed form: the information of one person who was seen at the visits s of arm a is
X_as' (Sigma_a,ss)^-1 X_as, and the information of all people is the sum (Liang & Zeger 2000, Sankhya B 62, 134-148; Lu
2010, Stat. Med. 29, 2517-2530; both from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from studykit.errors import CallError


@dataclass(frozen=True, slots=True)
class Spreads:
    """Standard deviations of one reading, in the unit of the measure; the slopes per week.

    Attributes:
        participant, limb: between people, and between the limbs of one person.
        participant_visit, limb_visit: from day to day, of both limbs together and of each.
        rater: between raters; participant_rater: of a rater with a person; trial: from trial to trial.
        slope: of people's change per week; slope_correlation: of that slope and the participant's level.
        further_slope: how much more slopes spread in treated arms.
    """

    participant: float
    limb: float = 0.0
    participant_visit: float = 0.0
    limb_visit: float = 0.0
    rater: float = 0.0
    participant_rater: float = 0.0
    trial: float = 0.0
    slope: float = 0.0
    slope_correlation: float = 0.0
    further_slope: float = 0.0


def covariance_of_visits(
    weeks: ArrayLike,
    spreads: Spreads,
    *,
    limbs: int,
    raters: int,
    trials: int,
    treated: bool,
    same_raters: bool = False,
) -> np.ndarray:
    """(V, V) covariance of a person's means at the visits: over limbs, raters and trials of one visit.

        Sigma = participant^2 + slopes + limb^2 / m
                + [v = w] ( participant_visit^2 + limb_visit^2 / m + raters' part + trial^2 / (m r t) )

    Args:
        weeks: (V,) of the visits, counted from the baseline.
        spreads: the standard deviations.
        limbs, raters, trials: m, r and t of one visit.
        treated: with the further spread of slopes in treated arms.
        same_raters: all people are read by the same raters at every visit, so that raters' levels cancel out of every
            difference and a rater's way with a person is constant; else they are taken as drawn anew for each visit,
            which is cautious.
    """
    w = np.asarray(weeks, dtype=float)
    level = spreads.participant**2 + spreads.limb**2 / limbs
    joint = spreads.slope_correlation * spreads.participant * spreads.slope
    slope = spreads.slope**2 + (spreads.further_slope**2 if treated else 0.0)
    covariance = level + joint * np.add.outer(w, w) + slope * np.outer(w, w)
    own = spreads.participant_visit**2 + spreads.limb_visit**2 / limbs + spreads.trial**2 / (limbs * raters * trials)
    if same_raters:
        covariance = covariance + spreads.participant_rater**2 / raters
    else:
        own += (spreads.rater**2 + spreads.participant_rater**2) / raters
    return np.asarray(covariance + own * np.eye(w.size))


def shares_of_patterns(lost_by: Sequence[float]) -> np.ndarray:
    """(V,) share of people whose last visit is visit v, from the share lost by each visit.

    Args:
        lost_by: (V,) shares who have left before each visit; 0 at the baseline, never falling, below 1.

    Raises:
        CallError: shares that fall, or are not from 0 to below 1.
    """
    lost = np.asarray(lost_by, dtype=float)
    if lost.size == 0 or lost[0] != 0.0 or not ((lost >= 0.0) & (lost < 1.0)).all() or (np.diff(lost) < 0.0).any():
        raise CallError(
            "The shares lost by each visit must begin with 0 at the baseline, never fall, and stay below 1."
        )
    return np.diff(np.append(lost, 1.0))


def variance_of_differences(
    covariances: Sequence[np.ndarray], counts: np.ndarray, *, visit: int, control: int = 0
) -> np.ndarray:
    """(A,) variance of each arm's difference from the control arm at a visit; 0 for the control arm itself.

    Args:
        covariances: (V, V) of each arm.
        counts: (A, V) people of each arm whose last visit is visit v; not whole numbers will do.
        visit: index of the visit compared, 1 or more.
        control: index of the control arm.
    """
    arms, visits = counts.shape
    size = 1 + arms * (visits - 1)
    information = np.zeros((size, size))
    for arm in range(arms):
        for last in range(visits):
            if counts[arm, last] == 0.0:
                continue
            place = np.concatenate([[0], 1 + arm * (visits - 1) + np.arange(last)]).astype(int)
            seen = covariances[arm][: last + 1, : last + 1]
            information[np.ix_(place, place)] += counts[arm, last] * np.linalg.inv(seen)
    spread = np.linalg.pinv(information, hermitian=True)
    at = 1 + np.arange(arms) * (visits - 1) + visit - 1
    base = at[control]
    return np.asarray(spread[at, at] + spread[base, base] - 2.0 * spread[at, base])
