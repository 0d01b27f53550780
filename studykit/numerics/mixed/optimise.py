"""Newton's method with exact derivatives inside a trust region, for the few parameters of a covariance.

Each step minimises the quadratic model within a radius (Moré & Sorensen 1983, SIAM J. Sci. Stat. Comput. 4, 553–572,
from memory), so that saddle points are left along their direction of negative curvature.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from studykit.errors import FitError

Objective = Callable[[np.ndarray], tuple[float, np.ndarray, np.ndarray]]

# A decrement g' H^-1 g (twice the deviance still to be gained) below this is at the optimum; one more Newton step
# is taken from there, which squares it.
DECREMENT = 1e-10
# Deviances that differ by less than this share of their size differ by rounding.
ROUNDING = 4e-14
SHRINK_LIMIT = 1e-12


@dataclass(frozen=True, slots=True)
class LogLine:
    """One evaluation: which start, step number, deviance, largest gradient, radius, whether the step was kept."""

    start: str
    step: int
    value: float
    gradient: float
    radius: float
    kept: bool


@dataclass(frozen=True, slots=True)
class Minimum:
    """Where a search ended: place, value, gradient, Hessian, whether the decrement became small, and its log.

    A search that was told to stop in a valley known already has `joined` set, and is not converged.
    """

    place: np.ndarray
    value: float
    gradient: np.ndarray
    hessian: np.ndarray
    converged: bool
    log: tuple[LogLine, ...]
    joined: bool = False


def minimise(
    objective: Objective,
    start: np.ndarray,
    *,
    name: str,
    joined: Callable[[np.ndarray, float], bool] | None = None,
    most_steps: int = 200,
) -> Minimum:
    """Minimise a smooth function from a start.

    Args:
        objective: returns value, gradient (f,) and Hessian (f, f); may raise FitError outside its domain.
        start: (f,) where to begin; the objective must be defined there.
        name: word for the log.
        joined: tells from place and value whether this valley is known already; the search then ends.
        most_steps: evaluations allowed.
    """
    place = np.array(start, dtype=float)
    value, gradient, hessian = objective(place)
    radius = max(1.0, float(np.linalg.norm(place)))
    log = [LogLine(name, 0, value, _largest(gradient), radius, True)]
    if place.size == 0:
        return Minimum(place, value, gradient, hessian, True, tuple(log))
    converged = False
    for step in range(1, most_steps + 1):
        move, predicted, inside = trust_step(gradient, hessian, radius)
        polishing = inside and predicted <= 0.5 * DECREMENT
        trial = place + move
        new = _attempt(objective, trial)
        gained = value - new[0]
        noise = ROUNDING * max(1.0, abs(value))
        in_noise = predicted <= noise and abs(gained) <= 4.0 * noise
        kept = gained >= 0.1 * predicted > 0.0 or (in_noise and _largest(new[1]) < _largest(gradient))
        log.append(LogLine(name, step, new[0], _largest(new[1]), radius, bool(kept)))
        if kept:
            length = float(np.linalg.norm(move))
            if not in_noise and gained > 0.75 * predicted and not inside:
                radius = max(radius, 2.5 * length)
            elif not in_noise and gained < 0.25 * predicted:
                radius = 0.5 * length
            place, (value, gradient, hessian) = trial, new
            if joined is not None and joined(place, value):
                return Minimum(place, value, gradient, hessian, False, tuple(log), joined=True)
        else:
            radius = 0.25 * float(np.linalg.norm(move))
        if polishing:
            converged = True
            break
        if not kept and (in_noise or radius < SHRINK_LIMIT * max(1.0, float(np.linalg.norm(place)))):
            converged = predicted <= max(10.0 * noise, DECREMENT)
            break
    return Minimum(place, value, gradient, hessian, converged, tuple(log))


def _attempt(objective: Objective, trial: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
    """The objective, or infinity where it is not defined (the step is then shortened)."""
    try:
        return objective(trial)
    except FitError:
        size = trial.size
        return np.inf, np.full(size, np.inf), np.zeros((size, size))


def _largest(gradient: np.ndarray) -> float:
    return float(np.max(np.abs(gradient))) if gradient.size else 0.0


def trust_step(gradient: np.ndarray, hessian: np.ndarray, radius: float) -> tuple[np.ndarray, float, bool]:
    """Minimiser of the quadratic model within the radius, the fall it predicts, and whether it is the Newton step."""
    values, vectors = np.linalg.eigh(hessian)
    turned = vectors.T @ gradient
    floor = 1e-11 * max(float(np.max(np.abs(values))), 1e-300)
    # Directions without curvature and without slope (a factor that the covariance does not see) stay where they are.
    flat = (np.abs(values) <= floor) & (np.abs(turned) <= 1e-6 * np.sqrt(floor))
    values = np.where(flat, 1.0, values)
    turned = np.where(flat, 0.0, turned)
    lowest = float(values.min())
    if lowest > 0.0:
        step = -turned / values
        if float(np.linalg.norm(step)) <= radius:
            return vectors @ step, float(0.5 * np.sum(turned**2 / values)), True
    shift_low = max(0.0, -lowest)
    below = values + shift_low <= 1e-12 * (np.abs(values) + shift_low) + 1e-300
    if np.all(np.abs(turned[below]) <= 1e-12 * (1.0 + np.abs(turned).max())) and np.any(below):
        step = np.where(below, 0.0, -turned / np.where(below, 1.0, values + shift_low))
        missing = radius**2 - float(step @ step)
        if missing >= 0.0:
            step[int(np.flatnonzero(below)[0])] += np.sqrt(missing)
            return vectors @ step, -float(turned @ step + 0.5 * values @ step**2), False
    step = _on_the_radius(turned, values, shift_low, radius)
    return vectors @ step, -float(turned @ step + 0.5 * values @ step**2), False


def _on_the_radius(turned: np.ndarray, values: np.ndarray, shift_low: float, radius: float) -> np.ndarray:
    """-g / (lambda + mu) of length `radius`, mu found by bisection on a log scale above `shift_low`."""
    low, high = 0.0, float(np.linalg.norm(turned)) / radius + 1e-300
    for _ in range(100):
        middle = 0.5 * (low + high)
        shifted = values + shift_low + middle
        if np.any(shifted <= 0.0) or float(np.linalg.norm(turned / shifted)) > radius:
            low = middle
        else:
            high = middle
        if high - low <= 1e-10 * high:
            break
    step: np.ndarray = -turned / (values + shift_low + high)
    return step
