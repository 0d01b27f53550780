"""The search of `search` for many fits of one design together: one look serves all that still move.

Each fit takes the way that a single search takes from its moment estimate (descent, exact zeros, directions that want
to grow) and leaves the others when it has arrived. A fit that meets anything else (no optimum from there, a covariance
that is not definite) is left to the single search, which has further starts and says what is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto

import numpy as np

from studykit.numerics.mixed.components import Components
from studykit.numerics.mixed.cross_products import DesignProducts
from studykit.numerics.mixed.many_criterion import look, profiled_deviances
from studykit.numerics.mixed.many_products import ManyProducts
from studykit.numerics.mixed.many_steps import Walk, first_radius, judge, propose
from studykit.numerics.mixed.search import DEVIANCE_SLACK, ESCAPES, ROUNDED, wants_to_grow, with_exact_zeros
from studykit.numerics.mixed.starts import start_from_moments

# Moment estimates in turn, each at the one before: the second spares a third of the steps.
_ROUNDS = 2
# Steps of one descent; the single search would go on, and does.
_MOST_STEPS = 100


@dataclass(frozen=True, slots=True)
class ManyOptima:
    """Where m searches ended.

    Attributes:
        ratios: (m, K) covariance parameters over s2; zeros are exact.
        gradient: (m, f) of the deviance by the entries of their factors.
        found: (m,) whether that is a minimum; the others are for the single search.
    """

    ratios: np.ndarray
    gradient: np.ndarray
    found: np.ndarray


@dataclass(slots=True)
class _Slopes:
    """By the ratios, where the fits of a walk are: (a, K) gradients and traces, (a, K, K) Hessians."""

    gradient: np.ndarray
    hessian: np.ndarray
    traces: np.ndarray


class _Next(Enum):
    """What becomes of a fit whose descent has ended."""

    STARTS_AGAIN = auto()
    FOUND = auto()
    LEFT = auto()


@dataclass(slots=True)
class _State:
    """One fit on its way: steps of this descent, escapes from zero, and the optimum before exact zeros were tried."""

    steps: int = 0
    escapes: int = 0
    before: Walk | None = None


def search_many(many: ManyProducts, count: int, *, reml: bool) -> ManyOptima:
    """Minimise the profiled deviance of each of `count` outcomes over its variance ratios."""
    walk = _arrive(many, np.arange(count), _moment_starts(many, count), reml=reml)
    found, states = np.zeros(count, dtype=bool), [_State() for _ in range(count)]
    moving, fresh = np.flatnonzero(np.isfinite(walk.value)), np.array([], dtype=np.intp)
    while moving.size or fresh.size:
        here = walk.at(moving)
        steps = propose(here)
        places = np.concatenate([here.place + steps.move, walk.place[fresh]])
        new = _arrive(many, np.concatenate([moving, fresh]), places, reml=reml)
        stepped, started = new.at(slice(moving.size)), new.at(slice(moving.size, None))
        judged = judge(here, steps, stepped)
        walk.put(moving[judged.kept], stepped.at(judged.kept))
        walk.radius[moving] = judged.radius
        walk.put(fresh, started)
        goes_on, starts_again = [*fresh[np.isfinite(started.value)]], []
        for index, ended, converged in zip(moving, judged.ended, judged.converged, strict=True):
            states[index].steps += 1
            if not ended and states[index].steps < _MOST_STEPS:
                goes_on.append(index)
                continue
            follows = _settle(many.design, walk, int(index), states[index], converged=bool(converged))
            found[index] = follows is _Next.FOUND
            if follows is _Next.STARTS_AGAIN:
                states[index].steps = 0
                starts_again.append(index)
        moving, fresh = np.array(goes_on, dtype=np.intp), np.array(starts_again, dtype=np.intp)
    return ManyOptima(_ratios_and_slopes(many.design.components, walk.place)[0], walk.gradient, found)


def _settle(design: DesignProducts, walk: Walk, index: int, state: _State, *, converged: bool) -> _Next:
    """What becomes of a fit whose descent has ended; the walk is moved to where it starts again or stays."""
    one, parts = slice(index, index + 1), design.components
    if state.before is not None:
        before, state.before = state.before, None
        if converged and walk.value[index] <= before.value[0] + DEVIANCE_SLACK:
            place = walk.place[index]
            # The slope at a zero factor is zero, so what it moved by is rounding.
            place[np.abs(place) < ROUNDED] = 0.0
        else:
            walk.put(one, before)
    elif not converged:
        return _Next.LEFT
    else:
        zeroed = with_exact_zeros(design, walk.place[index])
        if not np.array_equal(zeroed, walk.place[index]):
            state.before = walk.at(np.array([index]))
            walk.place[index] = zeroed
            return _Next.STARTS_AGAIN
    growth = wants_to_grow(
        parts, parts.from_factor(walk.place[index]), walk.slope[index], walk.curvature[index], walk.traces[index]
    )
    if growth is None:
        return _Next.FOUND
    state.escapes += 1
    walk.place[index] = growth
    return _Next.STARTS_AGAIN if state.escapes < ESCAPES else _Next.LEFT


def _moment_starts(many: ManyProducts, count: int) -> np.ndarray:
    """(count, f) factors of the moment estimates at equal variances, estimated once more at these."""
    parts = many.design.components
    gamma = np.tile(parts.vector(tuple(np.eye(width) for width in parts.widths)), (count, 1))
    factor = parts.factor(parts.matrices(gamma))
    for _ in range(_ROUNDS):
        points = look(many, np.arange(count), gamma, reml=True)
        again = start_from_moments(many.design, points.trace_pairs, points.quadratics)
        factor = np.where(points.defined[:, None], again, factor)
        gamma = _ratios_and_slopes(parts, factor)[0]
    return factor


def _arrive(many: ManyProducts, which: np.ndarray, factor: np.ndarray, *, reml: bool) -> Walk:
    """The fits `which` (a,) at factors (a, f), with the radius of a first step from there."""
    gamma, slopes = _ratios_and_slopes(many.design.components, factor)
    points = look(many, which, gamma, reml=reml)
    value, slope, curvature = profiled_deviances(points, many, reml=reml)
    back = np.swapaxes(slopes, 1, 2)
    products = many.design.components.products
    bent = (slope[:, None] @ products.reshape(len(products), -1)).reshape(-1, *products.shape[1:])
    return Walk(
        place=factor,
        radius=first_radius(factor),
        value=value,
        gradient=(back @ slope[..., None])[..., 0],
        hessian=back @ curvature @ slopes + bent,
        slope=slope,
        curvature=curvature,
        traces=points.traces[:, 1:],
    )


def _ratios_and_slopes(parts: Components, factor: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(a, K) ratios that follow from (a, f) factors, and their (a, K, f) derivatives by the factors."""
    parameters, size = parts.products.shape[:2]
    slopes = (parts.products.reshape(-1, size) @ factor[..., None]).reshape(-1, parameters, size)
    return 0.5 * (slopes @ factor[..., None])[..., 0], slopes
