"""Suspicions about a rater's way of reading: favourite digits, trials copied from the first, one value for everybody.

Each is shown once, at the rater's first reading concerned; none removes anything.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import stats

from studykit.data.rules.readings import Groups, Readings, grouped
from studykit.data.rules.spread import RATER_CHANCE

FINEST_STEP = {"deg": 1.0, "mm": 1.0, "cm": 0.1}
"""Smallest mark of the usual instruments; readings are taken to be no coarser."""
FEWEST_CELLS = 20
"""Fewest first trials (participant, visit, side) from which a rater's habit is judged."""
LEAST_SHARE_COARSE = 0.6
LEAST_SHARE_SAME = 0.5
FEWEST_PEOPLE_A_DAY = 5


@dataclass(frozen=True, slots=True)
class Habit:
    """One suspicion about one rater and one measure.

    Attributes:
        rule: stable name.
        position: position of the first reading concerned.
        hits, of: how many of how many.
    """

    rule: str
    position: int
    hits: int
    of: int


def favourite_digits(readings: Readings) -> Iterator[Habit]:
    """A rater who reads only multiples of five marks.

    Of the first trials of at least 20 cells, at least 60% are multiples of five marks (5 deg, 5 mm, 0.5 cm), and the
    exact binomial tail with a probability of 1/5 is below 1e-6. A finer read-out makes multiples rarer still, so 1/5
    errs on the side of no alarm; only first trials count, for the trials of one cell resemble one another.
    """
    for measure, index in _first_trials(readings):
        step = FINEST_STEP[readings.measures[measure].unit]
        marks = readings.value[index] / step
        coarse = np.abs(marks / 5.0 - np.rint(marks / 5.0)) < 1e-6
        hits, of = int(coarse.sum()), len(index)
        if hits >= LEAST_SHARE_COARSE * of and stats.binom.sf(hits - 1, of, 0.2) < RATER_CHANCE:
            yield Habit("only_multiples_of_five", int(readings.position[index[coarse]][0]), hits, of)


def same_trials(readings: Readings) -> Iterator[Habit]:
    """A rater whose trials are identical far more often than those of the other raters, or than rounding explains.

    A cell counts when it has at least two trials, all of one value. The probability is the larger of two: the share
    among the other raters (with one added to both parts of the fraction), and the share that rounding to the rater's
    step would give with the usual spread of the trials. At least half of 20 or more cells, and an exact binomial tail
    below 1e-6.
    """
    cells = grouped(readings.participant, readings.visit, readings.side, readings.measure, readings.rater)
    several = cells.count >= 2
    same = several & (cells.span(readings.value) == 0.0)
    measure, rater = readings.measure[cells.first], readings.rater[cells.first]
    for code, one in _pairs(measure[several], rater[several]):
        if readings.measures[code].graded:
            continue
        mine = np.flatnonzero(several & (measure == code) & (rater == one))
        others = np.flatnonzero(several & (measure == code) & (rater != one))
        hits, of = int(same[mine].sum()), len(mine)
        if of < FEWEST_CELLS or hits < LEAST_SHARE_SAME * of:
            continue
        basis = others if len(others) >= FEWEST_CELLS else mine
        chance = max(
            (same[others].sum() + 1.0) / (len(others) + 2.0) if len(others) else 0.0,
            _same_by_rounding(readings, cells, basis),
        )
        if stats.binom.sf(hits - 1, of, min(chance, 1.0)) < RATER_CHANCE:
            at = mine[same[mine]][0]
            yield Habit("trials_identical_too_often", int(readings.position[cells.first[at]]), hits, of)


def one_value_for_everybody(readings: Readings) -> Iterator[Habit]:
    """One rater, one day, one measure: the first trials of at least five people are all the same number.

    Shown when the probability, (sum of squared shares of the values of this measure)^(people - 1), is below 1e-6.
    """
    dated = readings.where(np.isfinite(readings.day))
    once = grouped(dated.participant, dated.measure, dated.rater, dated.day.astype(np.int64))
    first = once.first
    days = grouped(dated.rater[first], dated.measure[first], dated.day[first].astype(np.int64))
    span = days.span(dated.value[first])
    for group in np.flatnonzero((span == 0.0) & (days.count >= FEWEST_PEOPLE_A_DAY)):
        at = first[days.first[group]]
        code = int(dated.measure[at])
        if readings.measures[code].graded:
            continue
        _, counts = np.unique(dated.value[dated.measure == code], return_counts=True)
        alike = float(((counts / counts.sum()) ** 2).sum())
        people = int(days.count[group])
        if alike ** (people - 1) < RATER_CHANCE:
            yield Habit("one_value_for_everybody", int(dated.position[at]), people, people)


def _first_trials(readings: Readings) -> Iterator[tuple[int, np.ndarray]]:
    """(measure, indices of one rater's first trials) where there are enough to judge."""
    cells = grouped(readings.participant, readings.visit, readings.side, readings.measure, readings.rater)
    measure, rater = readings.measure[cells.first], readings.rater[cells.first]
    for code, one in _pairs(measure, rater):
        index = cells.first[(measure == code) & (rater == one)]
        if not readings.measures[code].graded and len(index) >= FEWEST_CELLS:
            yield code, index


def _pairs(measure: np.ndarray, rater: np.ndarray) -> list[tuple[int, int]]:
    pairs = np.unique(np.column_stack([measure, rater]), axis=0)
    return [(int(code), int(one)) for code, one in pairs]


def _same_by_rounding(readings: Readings, cells: Groups, basis: np.ndarray) -> float:
    """Probability that k normal trials, rounded to the step of the instrument, are all equal; k is the usual count.

    The true value lies anywhere between two marks with equal probability. The spread is that of all cells of `basis`,
    those with identical trials included, which makes identical trials likelier and an alarm rarer.
    """
    measure = readings.measures[int(readings.measure[cells.first[basis[0]]])]
    step = FINEST_STEP[measure.unit]
    squares = cells.sum_of_squares(readings.value)[basis]
    freedom = cells.count[basis] - 1.0
    sd = float(np.sqrt(squares.sum() / freedom.sum()))
    trials = float(np.median(cells.count[basis]))
    if sd == 0.0:
        return 1.0
    truth = (np.arange(200) + 0.5) / 200 * step
    marks = np.arange(-int(6 * sd / step) - 2, int(6 * sd / step) + 3)[:, None] * step
    share = stats.norm.cdf((marks + step / 2 - truth) / sd) - stats.norm.cdf((marks - step / 2 - truth) / sd)
    return float((share**trials).sum(axis=0).mean())
