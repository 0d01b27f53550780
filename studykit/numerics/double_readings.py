"""How far apart are two readings of the same thing, when neither is the first by nature?

With n differences d of pairs, taken from m people (two limbs or two visits of one person belong together):

    q = sum d^2 / n                 mean square of a difference, about zero
    sem = sqrt(q / 2)               standard error of measurement of one reading, differences between readers in it
    limits = -+ z sqrt(q)           hold a share of all differences

q is the sum of two independent mean squares with weights, the person part with m and the part within people with n - m
degrees of freedom, so that its interval counts people and not limbs:

    q = (sum d^2 - W) / n + W / n,  W = sum within people of (d - mean of the person)^2

With one pair a person it is the chi-square interval of a variance about a known mean.

Sources: Bland & Altman (1996), BMJ 313, 106 (within-subject standard deviation; from memory); interval of a sum of mean
squares: Graybill & Wang (1980), see `intervals.mean_square_sum_interval`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from studykit.errors import CallError, DesignError
from studykit.numerics.intervals import mean_square_sum_interval, two_sided_z


@dataclass(frozen=True, slots=True)
class PairError:
    """Error of one of two readings, in the unit of the differences.

    Attributes:
        pairs, people: what it was computed from.
        sem, sem_low, sem_high: standard error of measurement and its interval at `confidence`.
        apart, apart_low, apart_high: below this lie `coverage` of all differences, whatever their sign.
        coverage, confidence: levels.
    """

    pairs: int
    people: int
    sem: float
    sem_low: float
    sem_high: float
    apart: float
    apart_low: float
    apart_high: float
    coverage: float
    confidence: float


def pair_error(
    differences: ArrayLike, people: ArrayLike, *, coverage: float = 0.95, confidence: float = 0.95
) -> PairError:
    """Standard error of measurement and limits from differences of pairs.

    Args:
        differences: (n,) one a pair, either sign.
        people: (n,) codes; equal codes are one person.
        coverage: share of differences that `apart` holds.
        confidence: level of the intervals.

    Raises:
        CallError: shapes that do not fit, or a difference that is not a number.
        DesignError: fewer than two people.
    """
    d = np.asarray(differences, dtype=np.float64)
    _, person = np.unique(np.asarray(people), return_inverse=True)
    if d.ndim != 1 or d.shape != person.shape or not np.all(np.isfinite(d)):
        raise CallError("Pairs need one difference and one person each, none of the differences missing.")
    m = int(person.max(initial=-1)) + 1
    if m < 2:
        raise DesignError(f"Pairs of readings come from {m} person; at least 2 are needed to see how far pairs differ.")
    n = d.size
    means = np.bincount(person, weights=d) / np.bincount(person)
    within = float(np.sum((d - means[person]) ** 2))
    total = float(np.sum(d**2))
    terms, dfs = [(total - within) / n], [float(m)]
    if n > m:
        terms, dfs = [*terms, within / n], [*dfs, float(n - m)]
    low, high = mean_square_sum_interval(np.array(terms), np.array(dfs), confidence)
    sem, sem_low, sem_high = (float(np.sqrt(value / 2.0)) for value in (total / n, low, high))
    reach = two_sided_z(coverage) * float(np.sqrt(2.0))
    return PairError(n, m, sem, sem_low, sem_high, reach * sem, reach * sem_low, reach * sem_high, coverage, confidence)
