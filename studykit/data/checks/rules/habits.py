"""Suspicions about a rater's way of reading: favourite digits, trials copied from the first, one value for everybody.

Each is shown once, at the rater's first reading concerned; none removes anything.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import stats

from studykit.data.checks.rules.readings import Cells, Readings, grouped
from studykit.data.checks.rules.spread import RATER_CHANCE

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


def favourite_digits(readings: Readings, cells: Cells) -> Iterator[Habit]:
    """A rater who reads only multiples of five marks.

    Of the first trials of at least 20 cells, at least 60% are multiples of five marks (5 deg, 5 mm, 0.5 cm), and the
    exact binomial tail with a probability of 1/5 is below 1e-6. A finer read-out makes multiples rarer still, so 1/5
    errs on the side of no alarm; only first trials count, for the trials of one cell resemble one another.
    """
    for code, _, of_rater in _by_measure_and_rater(readings, cells, np.ones(len(cells), dtype=bool)):
        marks = cells.value[of_rater] / FINEST_STEP[readings.measures[code].unit]
        coarse = np.abs(marks / 5.0 - np.rint(marks / 5.0)) < 1e-6
        hits, of = int(coarse.sum()), len(of_rater)
        if hits >= LEAST_SHARE_COARSE * of and stats.binom.sf(hits - 1, of, 0.2) < RATER_CHANCE:
            yield Habit("only_multiples_of_five", int(cells.position[of_rater[coarse]][0]), hits, of)


def same_trials(readings: Readings, cells: Cells) -> Iterator[Habit]:
    """A rater whose trials are identical far more often than those of the other raters, or than rounding explains.

    A cell counts when it has at least two trials, all of one value. The probability is the largest of three: the share
    among the other raters (with one added to both parts of the fraction), the share that rounding to the marks of the
    instrument would give with the usual spread of the trials, and the same for rounding to five marks when the rater
    does that. At least half of 20 or more cells, and an exact binomial tail below 1e-6.
    """
    several = cells.groups.count >= 2
    same = several & (cells.span == 0.0)
    for code, one, mine in _by_measure_and_rater(readings, cells, several):
        hits, of = int(same[mine].sum()), len(mine)
        if hits < LEAST_SHARE_SAME * of:
            continue
        others = np.flatnonzero(several & (cells.measure == code) & (cells.rater != one))
        basis = others if len(others) >= FEWEST_CELLS else mine
        step = FINEST_STEP[readings.measures[code].unit]
        marks = cells.value[mine] / (5.0 * step)
        if np.mean(np.abs(marks - np.rint(marks)) < 1e-6) >= LEAST_SHARE_COARSE:
            step *= 5.0
        chance = max((same[others].sum() + 1.0) / (len(others) + 2.0), _same_by_rounding(cells, basis, step))
        if stats.binom.sf(hits - 1, of, min(chance, 1.0)) < RATER_CHANCE:
            yield Habit("trials_identical_too_often", int(cells.position[mine[same[mine]]][0]), hits, of)


def one_value_for_everybody(readings: Readings, cells: Cells) -> Iterator[Habit]:
    """One rater, one day, one measure: the first trials of at least five people are all the same number.

    Shown when the probability, (sum of squared shares of the values of this measure)^(people - 1), is below 1e-6.
    """
    day = readings.day[cells.groups.first]
    dated = np.flatnonzero(np.isfinite(day))
    dated_day = (day[dated] - day[dated].min(initial=0.0)).astype(np.int64)
    days = grouped(cells.rater[dated], cells.measure[dated], dated_day)
    span = days.span(cells.value[dated])
    for group in np.flatnonzero((span == 0.0) & (days.count >= FEWEST_PEOPLE_A_DAY)):
        first = dated[days.first[group]]
        code = int(cells.measure[first])
        people = len(np.unique(cells.participant[dated[days.of_reading == group]]))
        if readings.measures[code].graded or people < FEWEST_PEOPLE_A_DAY:
            continue
        _, counts = np.unique(cells.value[dated][cells.measure[dated] == code], return_counts=True)
        alike = float(((counts / counts.sum()) ** 2).sum())
        if alike ** (people - 1) < RATER_CHANCE:
            yield Habit("one_value_for_everybody", int(cells.position[first]), people, people)


def _by_measure_and_rater(
    readings: Readings, cells: Cells, wanted: np.ndarray
) -> Iterator[tuple[int, int, np.ndarray]]:
    """(measure, rater, their cells) where at least 20 of the wanted cells are there to judge a reading on a scale."""
    raters = int(cells.rater.max(initial=-1)) + 1
    number = np.where(wanted, cells.measure * raters + cells.rater, -1)
    pairs, counts = np.unique(number[wanted], return_counts=True)
    for pair in pairs[counts >= FEWEST_CELLS]:
        code, one = divmod(int(pair), raters)
        if not readings.measures[code].graded:
            yield code, one, np.flatnonzero(number == pair)


def _same_by_rounding(cells: Cells, basis: np.ndarray, step: float) -> float:
    """Probability that k normal trials, rounded to marks `step` apart, are all equal; k is the usual count.

    The true value lies anywhere between two marks with equal probability. The spread is that of all cells of `basis`,
    those with identical trials included, which makes identical trials likelier and an alarm rarer.
    """
    freedom = cells.groups.count[basis] - 1.0
    sd = float(np.sqrt(cells.squares[basis].sum() / freedom.sum()))
    trials = float(np.median(cells.groups.count[basis]))
    if sd == 0.0:
        return 1.0
    truth = (np.arange(200) + 0.5) / 200 * step
    marks = np.arange(-int(6 * sd / step) - 2, int(6 * sd / step) + 3)[:, None] * step
    share = stats.norm.cdf((marks + step / 2 - truth) / sd) - stats.norm.cdf((marks - step / 2 - truth) / sd)
    return float((share**trials).sum(axis=0).mean())
