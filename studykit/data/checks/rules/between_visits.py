"""Suspicions that need a person's other visits: a jump that nobody else makes, left and right exchanged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.data.checks.rules.readings import Cells, Readings, grouped
from studykit.data.checks.rules.slips import FITS_WITHIN, Suspects
from studykit.data.checks.rules.spread import FEWEST, SMALLEST_SHARE, centre_and_scale, limit, standard_scores

JUMP_SHARE = 0.15
"""A jump between visits is shown only when it also is at least 15% of the plausible range."""
SWAP_CHANCE = 5e-6
"""Probability of a false alarm for one pair of sides; there are far fewer pairs than readings."""


@dataclass(frozen=True, slots=True)
class VisitMeans:
    """Mean reading of each participant, measure, side and visit, raters and trials together.

    Attributes:
        mean: (lines, visits) means, nan where there is none; a line is one side of one participant in one measure.
        position: (lines, visits) position of the first reading, -1 where there is none.
        participant, measure, side: (lines,) codes.
    """

    mean: np.ndarray
    position: np.ndarray
    participant: np.ndarray
    measure: np.ndarray
    side: np.ndarray


def visit_means(readings: Readings, cells: Cells) -> VisitMeans:
    """The means by visit; readings without a visit are left out."""
    placed = np.flatnonzero(cells.visit >= 0)
    lines = grouped(cells.line[placed])
    shape = len(lines), max(readings.visits, 1)
    place = lines.of_reading * shape[1] + cells.visit[placed]
    count = cells.groups.count[placed]
    total = np.bincount(place, weights=cells.mean[placed] * count, minlength=shape[0] * shape[1])
    number = np.bincount(place, weights=count, minlength=shape[0] * shape[1])
    mean = np.full(len(total), np.nan)
    np.divide(total, number, out=mean, where=number > 0)
    position = np.full(len(total), -1, dtype=np.int64)
    position[place[::-1]] = cells.position[placed][::-1]
    at = placed[lines.first]
    return VisitMeans(
        mean.reshape(shape), position.reshape(shape), cells.participant[at], cells.measure[at], cells.side[at]
    )


def jumps(readings: Readings, means: VisitMeans) -> Suspects:
    """A change from the visit before that lies past `limit` from the median change of all between the same visits."""
    positions, expected = [], []
    visits = means.mean.shape[1]
    for code, measure in enumerate(readings.measures):
        if measure.graded:
            continue
        lines = np.flatnonzero(means.measure == code)
        span = float(readings.plausible_span[code])
        before = np.full(len(lines), -1)
        for visit in range(visits):
            now = means.mean[lines, visit]
            for earlier in range(visit):
                part = np.flatnonzero((before == earlier) & np.isfinite(now))
                if len(part) < FEWEST:
                    continue
                change = now[part] - means.mean[lines[part], earlier]
                scores, most = standard_scores(change, SMALLEST_SHARE * span)
                hit = part[(np.abs(scores) > most) & (np.abs(change - np.median(change)) >= JUMP_SHARE * span)]
                positions.append(means.position[lines[hit], visit])
                expected.append(means.mean[lines[hit], earlier])
            before[np.isfinite(now)] = visit
    return Suspects("jump_between_visits", _all(positions, np.int64), _all(expected, np.float64))


def swapped_sides(readings: Readings, means: VisitMeans) -> Suspects:
    """Left and right that fit the person's other visits better when they are exchanged.

    d = left - right at this visit, o = median of left - right at the person's other visits of the same measure, s =
    robust scale of d - o over all. Suspected when |d - o| lies past `limit` scales and |d + o|, the distance after an
    exchange, within three. With two visits one cannot tell which of them is exchanged: the later one is shown.
    """
    pairs = grouped(means.participant, means.measure)
    sides = [np.full((len(pairs), means.mean.shape[1]), np.nan) for _ in range(2)]
    positions_of = [np.full(sides[0].shape, -1, dtype=np.int64) for _ in range(2)]
    for side in (0, 1):
        lines = np.flatnonzero(means.side == side)
        sides[side][pairs.of_reading[lines]] = means.mean[lines]
        positions_of[side][pairs.of_reading[lines]] = means.position[lines]
    position = np.minimum(*positions_of)
    difference = sides[0] - sides[1]
    measure = means.measure[pairs.first]
    others = _median_of_other_columns(difference)
    positions, expected = [], []
    for code in range(len(readings.measures)):
        rows = np.flatnonzero(measure == code)
        away = difference[rows] - others[rows]
        smallest = SMALLEST_SHARE * float(readings.plausible_span[code])
        _, scale = centre_and_scale(away.ravel(), smallest)
        most = limit(int(np.isfinite(away).sum()), SWAP_CHANCE)
        hit = (np.abs(away) > most * scale) & (np.abs(difference[rows] + others[rows]) <= FITS_WITHIN * scale)
        known = np.isfinite(difference[rows])
        two = known.sum(axis=1) == 2
        hit[two] &= np.arange(hit.shape[1]) == _last(known[two])[:, None]
        line, visit = np.nonzero(hit)
        positions.append(position[rows[line], visit])
        expected.append(others[rows[line], visit])
    return Suspects("sides_exchanged", _all(positions, np.int64), _all(expected, np.float64))


def _median_of_other_columns(table: np.ndarray) -> np.ndarray:
    """For each cell the median of the other finite cells of its row; nan where there are none."""
    result = np.full(table.shape, np.nan)
    for column in range(table.shape[1]):
        others = np.sort(np.delete(table, column, axis=1), axis=1)  # nan sorts to the end
        finite = np.isfinite(others).sum(axis=1)
        some = np.flatnonzero(finite)
        low, high = others[some, (finite[some] - 1) // 2], others[some, finite[some] // 2]
        result[some, column] = (low + high) / 2.0
    return result


def _last(known: np.ndarray) -> np.ndarray:
    return np.asarray(known.shape[1] - 1 - np.argmax(known[:, ::-1], axis=1))


def _all(parts: list[np.ndarray], kind: type) -> np.ndarray:
    return np.concatenate(parts).astype(kind) if parts else np.array([], dtype=kind)
