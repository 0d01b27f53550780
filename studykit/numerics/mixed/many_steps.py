"""Steps of the optimiser for many fits at once: `optimise` for a stack of places, with the same rules and limits.

Every fit has a state of its own; one step of all fits that still move is one look at the model.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from studykit.numerics.mixed.optimise import DECREMENT, ROUNDING, SHRINK_LIMIT, trust_step

# Halvings of the interval in which the shift of a step on the radius lies, and its relative width at the end.
_HALVINGS = 100
_SHIFT_KNOWN = 1e-10


@dataclass(frozen=True, slots=True)
class Walk:
    """Where a fits are.

    Attributes:
        place: (a, f) entries of the factors of the ratios; radius: (a,) of the next step.
        value: (a,) deviance; gradient (a, f) and hessian (a, f, f) by the factors.
        slope, curvature, traces: (a, K), (a, K, K), (a, K) gradient, Hessian and T_i by the ratios.
    """

    place: np.ndarray
    radius: np.ndarray
    value: np.ndarray
    gradient: np.ndarray
    hessian: np.ndarray
    slope: np.ndarray
    curvature: np.ndarray
    traces: np.ndarray

    def at(self, index: np.ndarray | slice) -> Walk:
        """Some of the fits."""
        return Walk(*(getattr(self, one.name)[index] for one in fields(self)))

    def put(self, index: np.ndarray | slice, other: Walk) -> None:
        """Move some of the fits to where `other` is."""
        for one in fields(self):
            getattr(self, one.name)[index] = getattr(other, one.name)


@dataclass(frozen=True, slots=True)
class Steps:
    """Proposed steps: (a, f) moves, (a,) falls that they predict, (a,) whether each is the whole Newton step."""

    move: np.ndarray
    predicted: np.ndarray
    inside: np.ndarray


@dataclass(frozen=True, slots=True)
class Judged:
    """(a,) whether each step is kept, the next radius, whether the search ends, and whether at an optimum."""

    kept: np.ndarray
    radius: np.ndarray
    ended: np.ndarray
    converged: np.ndarray


def first_radius(place: np.ndarray) -> np.ndarray:
    """(a,) radius of the first step from each place."""
    return np.asarray(np.maximum(1.0, _length(place)))


def propose(walk: Walk) -> Steps:
    """The minimiser of each quadratic model within its radius, as `optimise.trust_step` finds it."""
    values, vectors = np.linalg.eigh(walk.hessian)
    turned = (np.swapaxes(vectors, 1, 2) @ walk.gradient[..., None])[..., 0]
    floor = 1e-11 * np.maximum(np.abs(values).max(axis=1, keepdims=True), 1e-300)
    flat = (np.abs(values) <= floor) & (np.abs(turned) <= 1e-6 * np.sqrt(floor))
    values, turned = np.where(flat, 1.0, values), np.where(flat, 0.0, turned)
    positive = values.min(axis=1) > 0.0
    step = -turned / np.where(positive[:, None], values, 1.0)
    inside = positive & (_length(step) <= walk.radius)
    others = np.flatnonzero(~inside)
    if others.size:
        step[others] = _on_the_radius(turned[others], values[others], walk.radius[others])
    move = (vectors @ step[..., None])[..., 0]
    predicted = -(turned * step + 0.5 * values * step**2).sum(axis=1)
    for index in others[_hard(turned[others], values[others])]:
        move[index], predicted[index], inside[index] = trust_step(
            walk.gradient[index], walk.hessian[index], float(walk.radius[index])
        )
    return Steps(move, predicted, inside)


def judge(walk: Walk, steps: Steps, new: Walk) -> Judged:
    """Keep or refuse each step by what it gained, and say how far the next may go and which searches end.

    Args:
        walk: where the steps started.
        steps: the steps.
        new: what was found at their ends; an infinite value where the model is not defined.
    """
    gained = walk.value - new.value
    noise = ROUNDING * np.maximum(1.0, np.abs(walk.value))
    in_noise = (steps.predicted <= noise) & (np.abs(gained) <= 4.0 * noise)
    flatter = np.abs(new.gradient).max(axis=1) < np.abs(walk.gradient).max(axis=1)
    kept = ((gained >= 0.1 * steps.predicted) & (steps.predicted > 0.0)) | (in_noise & flatter)
    length = _length(steps.move)
    grow = ~in_noise & (gained > 0.75 * steps.predicted) & ~steps.inside
    shrink = ~in_noise & ~grow & (gained < 0.25 * steps.predicted)
    radius = np.where(grow, np.maximum(walk.radius, 2.5 * length), np.where(shrink, 0.5 * length, walk.radius))
    radius = np.where(kept, radius, 0.25 * length)
    polished = steps.inside & (steps.predicted <= 0.5 * DECREMENT)
    spent = radius < SHRINK_LIMIT * np.maximum(1.0, _length(walk.place))
    stuck = ~polished & ~kept & (in_noise | spent)
    at_optimum = steps.predicted <= np.maximum(10.0 * noise, DECREMENT)
    return Judged(kept, radius, polished | stuck, polished | (stuck & at_optimum))


def _on_the_radius(turned: np.ndarray, values: np.ndarray, radius: np.ndarray) -> np.ndarray:
    """(a, f) steps -g / (lambda + shift + mu) as long as the radius, mu found by bisection, each fit for itself."""
    shifted = values + np.maximum(0.0, -values.min(axis=1, keepdims=True))
    low = np.zeros_like(radius)
    high = _length(turned) / radius + 1e-300
    for _ in range(_HALVINGS):
        moving = high - low > _SHIFT_KNOWN * high
        if not moving.any():
            break
        middle = 0.5 * (low + high)
        curved = shifted + middle[:, None]
        far = (curved <= 0.0).any(axis=1)
        far |= _length(turned / np.where(curved > 0.0, curved, 1.0)) > radius
        low, high = np.where(moving & far, middle, low), np.where(moving & ~far, middle, high)
    return np.asarray(-turned / (shifted + high[:, None]))


def _hard(turned: np.ndarray, values: np.ndarray) -> np.ndarray:
    """(a,) whether a gradient has no part along the lowest curvature, where a step on the radius may not exist."""
    lift = np.maximum(0.0, -values.min(axis=1, keepdims=True))
    below = values + lift <= 1e-12 * (np.abs(values) + lift) + 1e-300
    small = np.abs(turned) <= 1e-12 * (1.0 + np.abs(turned).max(axis=1, keepdims=True))
    return np.asarray(below.any(axis=1) & np.all(small | ~below, axis=1))


def _length(vectors: np.ndarray) -> np.ndarray:
    return np.asarray(np.sqrt((vectors * vectors).sum(axis=-1)))
