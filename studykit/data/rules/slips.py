"""Suspicions about single readings: a lost decimal mark, another unit, trials that scatter.

None of them removes anything: the reading stays in use, and a person decides.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from studykit.data.rules.readings import Readings, grouped, median_of_the_others
from studykit.data.rules.spread import (
    CHANCE,
    FEWEST,
    MAD_EFFICIENCY,
    SMALLEST_SHARE,
    centre_and_scale,
    limit,
    standard_scores,
    usual_variance,
)

SPREAD_SHARE = 0.10
"""Trials of one cell are shown only when they also span at least 10% of the plausible range."""
FITS_WITHIN = 3.0
"""A corrected value fits its neighbours when it lies within three scales of them."""
FACTORS = {
    "value_ten_times_its_neighbours": (10.0, ("deg", "cm", "mm")),
    "value_a_tenth_of_its_neighbours": (0.1, ("deg", "cm", "mm")),
    "value_in_other_unit": (2.54, ("cm",)),
}


@dataclass(frozen=True, slots=True)
class Suspects:
    """Readings under one suspicion.

    Attributes:
        rule: stable name.
        position: (m,) positions of the readings in the gathered table.
        expected: (m,) what the others would let one expect, in the unit of the measure.
    """

    rule: str
    position: np.ndarray
    expected: np.ndarray


def by_measure(readings: Readings) -> list[tuple[int, np.ndarray, float]]:
    """(code, indices, smallest scale) of every measure on a scale that has readings; graded findings are left out."""
    parts = []
    for code, measure in enumerate(readings.measures):
        index = np.flatnonzero(readings.measure == code)
        if len(index) and not measure.graded:
            parts.append((code, index, SMALLEST_SHARE * readings.plausible_span[code]))
    return parts


def wrong_factor(readings: Readings) -> list[Suspects]:
    """A reading that misses its neighbours and fits them after a change of decimal mark or from inches.

    Neighbours are the other readings of the same participant, measure and side. The reading lies past `limit` robust
    scales from their median, and divided by 10, 0.1 or 1/2.54 it lies within three.
    """
    near = grouped(readings.participant, readings.measure, readings.side)
    usual = median_of_the_others(near.of_reading, readings.value)
    suspects = []
    for code, index, smallest in by_measure(readings):
        value, others = readings.value[index], usual[index]
        away = value - others
        centre, scale = centre_and_scale(away, smallest)
        far = np.abs(away - centre) > limit(int(np.isfinite(away).sum())) * scale
        for rule, (factor, units) in FACTORS.items():
            if readings.measures[code].unit not in units:
                continue
            corrected = value * factor if rule == "value_in_other_unit" else value / factor
            fits = np.abs(corrected - others - centre) <= FITS_WITHIN * scale
            hit = far & fits
            suspects.append(Suspects(rule, readings.position[index[hit]], others[hit]))
    return suspects


def sibling_unit(readings: Readings) -> list[Suspects]:
    """A reading that fits the same motion measured in another unit, and not its own measure.

    For every two measures of one joint and motion in different units: the reading lies past `limit` from the median
    of its own measure and within three scales of the other's.
    """
    suspects = []
    parts = {code: (index, smallest) for code, index, smallest in by_measure(readings)}
    for code, (index, smallest) in parts.items():
        for other, (other_index, other_smallest) in parts.items():
            own, sibling = readings.measures[code], readings.measures[other]
            if (own.joint, own.motion) != (sibling.joint, sibling.motion) or own.unit == sibling.unit:
                continue
            scores, most = standard_scores(readings.value[index], smallest)
            centre, scale = centre_and_scale(readings.value[other_index], other_smallest)
            hit = (np.abs(scores) > most) & (np.abs(readings.value[index] - centre) <= FITS_WITHIN * scale)
            usual = float(np.median(readings.value[index]))
            suspects.append(
                Suspects("value_in_other_unit", readings.position[index[hit]], np.full(int(hit.sum()), usual))
            )
    return suspects


def scattered_trials(readings: Readings) -> Suspects:
    """Trials of one participant, visit, side, measure and rater that lie too far apart.

    The sum of squares within a cell over the usual variance (of the rater, or of all raters when the rater has fewer
    than 12 cells) is compared with an F distribution; the first trial of the cell is shown.
    """
    cells = grouped(readings.participant, readings.visit, readings.side, readings.measure, readings.rater)
    squares, span = cells.sum_of_squares(readings.value), cells.span(readings.value)
    measure, rater = readings.measure[cells.first], readings.rater[cells.first]
    flagged: list[np.ndarray] = []
    for code, _, smallest in by_measure(readings):
        several = np.flatnonzero((measure == code) & (cells.count >= 2))
        least = SPREAD_SHARE * readings.plausible_span[code]
        own = np.bincount(rater[several], minlength=1)[rater[several]] >= FEWEST if len(several) else several == 1
        parts = [several[own & (rater[several] == one)] for one in np.unique(rater[several][own])]
        for part in [*parts, several[~own]]:
            basis = part if len(part) >= FEWEST else several
            if len(basis) < FEWEST or not len(part):
                continue
            variance = max(usual_variance(squares[basis], cells.count[basis] - 1.0), smallest**2 / 4.0)
            freedom = cells.count[part] - 1.0
            behind = MAD_EFFICIENCY * float((cells.count[basis] - 1).sum())
            most = stats.f.isf(CHANCE, freedom, behind) * freedom * variance
            flagged.append(part[(squares[part] > most) & (span[part] >= least)])
    hit = np.sort(np.concatenate(flagged)) if flagged else np.array([], dtype=np.int64)
    return Suspects("trials_far_apart", readings.position[cells.first[hit]], span[hit])
