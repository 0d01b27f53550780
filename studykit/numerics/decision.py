"""What would more raters, sessions or trials buy? Decision-study formulas of generalisability theory.

A component with facets F contributes its variance divided by the product of the counts of its facets, leaving out the
object of measurement (the target). Components of the object alone are the universe score T; with A the absolute error
(every other component) and R the relative error (those that also involve the object):

    agreement ICC = T / (T + A), SEM agreement = sqrt(A);   consistency ICC = T / (T + R), SEM consistency = sqrt(R)

Source: Brennan (2001), Generalizability Theory, ch. 4 (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from studykit.errors import CallError, DesignError
from studykit.numerics.intervals import FloatArray

Facets = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Decision:
    """Reliability and error of designs; fields have the broadcast shape of the counts."""

    icc_agreement: FloatArray
    icc_consistency: FloatArray
    sem_agreement: FloatArray
    sem_consistency: FloatArray


def decide(
    variances: Mapping[Facets, float], counts: Mapping[str, ArrayLike], *, objects: Sequence[str] = ("target",)
) -> Decision:
    """ICC and SEM of the mean over given numbers of raters, sessions and trials.

    Args:
        variances: facets of a component -> its variance; negative ones are refused.
        counts: facet -> how many (1, 2, ... ; arrays broadcast).
        objects: facets that make up the object of measurement, such as ("participant", "limb").

    Raises:
        CallError: a negative variance, or a count below 1. DesignError: a facet without a count.
    """
    grids = {facet: np.asarray(count, dtype=np.float64) for facet, count in counts.items()}
    for facet, grid in grids.items():
        if (grid < 1.0).any():
            raise CallError(f"The number of {facet}s is {float(grid.min()):g}; at least 1 is needed.")
    shape = np.broadcast_shapes(*(grid.shape for grid in grids.values()))
    universe, absolute, relative = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    for facets, variance in variances.items():
        if not variance >= 0.0:
            raise CallError(f"The variance of {' by '.join(facets)} is {variance}; give 0 for a negative estimate.")
        others = [facet for facet in facets if facet not in objects]
        unknown = [facet for facet in others if facet not in grids]
        if unknown:
            raise DesignError(f"No number of {unknown[0]}s is given, but the error has a {unknown[0]} component.")
        part = variance / np.prod([grids[facet] for facet in others], axis=0) if others else variance
        if not others:
            universe = universe + part
            continue
        absolute = absolute + part
        if len(others) < len(facets):
            relative = relative + part
    with np.errstate(invalid="ignore"):
        return Decision(
            universe / (universe + absolute),
            universe / (universe + relative),
            np.sqrt(absolute),
            np.sqrt(relative),
        )


def error_weights(
    facets: Sequence[Facets], counts: Mapping[str, float], *, objects: Sequence[str] = ("target",)
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Weights of the components in T, A and R for one design: `decide` as sums, shape (components,) each.

    Args:
        facets: of every component.
        counts, objects: as in `decide`; facets without a count are taken once.
    """
    universe, absolute, relative = (np.zeros(len(facets)) for _ in range(3))
    for place, names in enumerate(facets):
        others = [name for name in names if name not in objects]
        if not others:
            universe[place] = 1.0
            continue
        absolute[place] = 1.0 / float(np.prod([counts.get(name, 1.0) for name in others]))
        if len(others) < len(names):
            relative[place] = absolute[place]
    return universe, absolute, relative


def cheapest(error: ArrayLike, cost: ArrayLike, wanted: float) -> int | None:
    """Index of the design with the lowest cost whose error does not exceed `wanted`; of equals the smaller error.

    Args:
        error, cost: shape (designs,). None is returned when no design reaches `wanted`.
    """
    e, c = np.asarray(error, dtype=np.float64), np.asarray(cost, dtype=np.float64)
    reached = np.flatnonzero(e <= wanted)
    if reached.size == 0:
        return None
    return int(reached[np.lexsort((e[reached], c[reached]))[0]])
