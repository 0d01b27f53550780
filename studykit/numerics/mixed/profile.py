"""Profile-likelihood intervals for the standard deviations and correlations of the random effects and the residual.

The deviance is minimised over everything else with one parameter held at a value; the interval holds the values whose
deviance is within the chi-squared quantile (1 df) of the least. Parameters are free entries of the factors in the
units given, ordered so that the parameter held is one entry (or one fixed combination): the first row of a factor is
the first standard deviation, and rows (a), (b rho, b sqrt(1 - rho^2)) hold a correlation rho.

The reference implementation (lme4) profiles the ML deviance even when the fit is by REML; "ml" does the same, "reml"
profiles the restricted one.

Source: Bates, Mächler, Bolker & Walker (2015) J. Stat. Softw. 67(1), section 5.1 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy import stats

from studykit.errors import FitError
from studykit.numerics.mixed.components import Components, lower_factor
from studykit.numerics.mixed.criterion import evaluate
from studykit.numerics.mixed.cross_products import DesignProducts, ResponseProducts
from studykit.numerics.mixed.information import full_deviance, outward_parameters, residual_variance
from studykit.numerics.mixed.optimise import minimise
from studykit.numerics.mixed.search import search

# Limits are solved to this share of their own size; the chi-squared quantile moves by less than its tenth digit.
_LIMIT_PRECISION = 1e-9
_WIDENINGS = 60
# A profile may not fall below the optimum by more than this: then the optimum was none.
_BELOW = 1e-6


@dataclass(frozen=True, slots=True)
class ProfileInterval:
    """An interval for one parameter.

    Attributes:
        term: name of the random term, or "residual".
        kind: "sd" or "correlation"; columns: the effect, or the two effects, that it is of.
        estimate: at the optimum of the deviance that was profiled.
        low, high: the limits; 0 for a standard deviation (-1, 1 for a correlation) where the deviance never rises
            far enough before the end of the scale.
        deviance: "ml" or "reml".
    """

    term: str
    kind: str
    columns: tuple[str, ...]
    estimate: float
    low: float
    high: float
    deviance: str


@dataclass(frozen=True, slots=True)
class _Held:
    """A parameter to hold: of which term (None: the residual), its kind, and of which effects."""

    term: int | None
    kind: str
    effects: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class _Problem:
    """The deviance as a function of the factors in the units given, for one parameter held.

    Attributes:
        held: the parameter; places: which entries of the factors it is made of.
        products: (K + 1, f + 1, f + 1): parameters (sigma_1 .. sigma_K, s2) = entries' products entries / 2.
        inward: (K + 1, K + 1) to the working parameters (s2 first).
        scale: (f + 1,) size of each entry, the unit of the search.
    """

    design: DesignProducts
    response: ResponseProducts
    reml: bool
    held: _Held
    places: tuple[int, ...]
    products: np.ndarray
    inward: np.ndarray
    scale: np.ndarray


def profile_intervals(
    design: DesignProducts, response: ResponseProducts, *, confidence: float, deviance: str
) -> tuple[ProfileInterval, ...]:
    """Intervals for every standard deviation and correlation, in the order of the terms, the residual last.

    Args:
        design, response: the cross-products of the fit.
        confidence: such as 0.95.
        deviance: "ml" or "reml".

    Raises:
        FitError: a limit could not be found, or a better optimum was found on the way.
    """
    reml = deviance == "reml"
    optimum = search(design, response, reml=reml)
    s2 = residual_variance(optimum.point, design, reml=reml)
    least = full_deviance(optimum.point, design, s2, reml=reml)[0]
    working = design.components.matrices(s2 * optimum.point.gamma)
    covariances = tuple(t @ w @ t.T for t, w in zip(design.components.transforms, working, strict=True))
    target = float(np.sqrt(stats.chi2.ppf(confidence, 1)))
    made = []
    for held in _parameters(design):
        problem, entries = _problem(design, response, held, covariances, s2, reml=reml)
        estimate = _estimate(held, covariances, s2)
        name = "residual" if held.term is None else design.terms[held.term].name
        columns = () if held.term is None else tuple(design.terms[held.term].column_names[e] for e in held.effects)
        low, high = (
            (-1.0, 1.0)
            if np.isnan(estimate)
            else (_limit(problem, entries, estimate, least, target, side) for side in (-1, 1))
        )
        made.append(ProfileInterval(name, held.kind, columns, estimate, low, high, deviance))
    return tuple(made)


def _parameters(design: DesignProducts) -> list[_Held]:
    held = []
    for index, term in enumerate(design.terms):
        held += [_Held(index, "sd", (effect,)) for effect in range(term.width)]
        if term.correlated:
            held += [_Held(index, "correlation", pair) for pair in combinations(range(term.width), 2)]
    return [*held, _Held(None, "sd", ())]


def _estimate(held: _Held, covariances: tuple[np.ndarray, ...], s2: float) -> float:
    if held.term is None:
        return float(np.sqrt(s2))
    covariance = covariances[held.term]
    if held.kind == "sd":
        return float(np.sqrt(covariance[held.effects[0], held.effects[0]]))
    first, second = held.effects
    spread = float(covariance[first, first] * covariance[second, second])
    return float(np.clip(covariance[first, second] / np.sqrt(spread), -1.0, 1.0)) if spread > 0.0 else np.nan


def _problem(
    design: DesignProducts,
    response: ResponseProducts,
    held: _Held,
    covariances: tuple[np.ndarray, ...],
    s2: float,
    *,
    reml: bool,
) -> tuple[_Problem, np.ndarray]:
    """The problem, its term's effects ordered with those held first, and the entries at the optimum."""
    parts = design.components
    orders = [list(range(width)) for width in parts.widths]
    if held.term is not None and parts.correlated[held.term]:
        others = [effect for effect in orders[held.term] if effect not in held.effects]
        orders[held.term] = [*held.effects, *others]
    place_of = {(item.term, item.row, item.column): k for k, item in enumerate(parts.items)}
    size = len(parts.factor_items)
    products = np.zeros((len(parts.items) + 1, size + 1, size + 1))
    for k, item in enumerate(parts.items):
        row, column = (orders[item.term].index(effect) for effect in (item.row, item.column))
        products[k, :size, :size] = parts.products[place_of[item.term, max(row, column), min(row, column)]]
    products[-1, size, size] = 2.0
    lower = [lower_factor(matrix[np.ix_(order, order)]) for matrix, order in zip(covariances, orders, strict=True)]
    entries = np.array([*(lower[i.term][i.row, i.column] for i in parts.factor_items), np.sqrt(s2)])
    spans = [np.sqrt(np.mean(design.terms[i.term].columns[:, orders[i.term][i.row]] ** 2)) for i in parts.factor_items]
    scale = np.maximum(np.abs(entries), 0.1 * np.sqrt(s2) / np.array([*spans, 1.0]))
    inward = np.linalg.inv(outward_parameters(design))
    places = _places(held, parts, place_of, size)
    return _Problem(design, response, reml, held, places, products, inward, scale), entries


def _places(held: _Held, parts: Components, place_of: dict[tuple[int, int, int], int], size: int) -> tuple[int, ...]:
    if held.term is None:
        return (size,)
    if held.kind == "correlation":
        return (place_of[held.term, 1, 0], place_of[held.term, 1, 1])
    effect = 0 if parts.correlated[held.term] else held.effects[0]
    return (place_of[held.term, effect, effect],)


def _holding(problem: _Problem, value: float) -> tuple[np.ndarray, np.ndarray]:
    """entries = constant + directions @ free, with the parameter at `value`."""
    size = problem.scale.size
    constant, directions = np.zeros(size), np.diag(problem.scale)
    if problem.held.kind == "sd":
        constant[problem.places[0]] = value
    else:
        along, across = problem.places
        directions[along, across] = value * problem.scale[across]
        directions[across, across] = np.sqrt(max(1.0 - value**2, 0.0)) * problem.scale[across]
    return constant, np.delete(directions, problem.places[0], axis=1)


def _least_deviance(problem: _Problem, value: float, near: np.ndarray) -> tuple[float, np.ndarray]:
    """The least deviance with the parameter at `value`, and the entries there; `near` are entries to start from.

    A correlation is held with both standard deviations not negative. Where the deviance falls towards a negative one
    (which would be the opposite correlation), its least is where one of them is zero.
    """
    constant, directions = _holding(problem, value)
    found = _least_along(problem, value, constant, directions, _same_sign(problem, value, near))
    if problem.held.kind == "sd":
        return found
    first, second = problem.places[0] - 1, problem.places[1]
    if found[1][first] * found[1][second] > 0.0 or (found[1][first], found[1][second]) == (0.0, 0.0):
        return found
    # In `directions` the first standard deviation is the entry before the two that are held, the second follows it.
    faces = [np.delete(directions, column, axis=1) for column in (first, first + 1)]
    return min((_least_along(problem, value, constant, face, near) for face in faces), key=lambda pair: pair[0])


def _least_along(
    problem: _Problem, value: float, constant: np.ndarray, directions: np.ndarray, near: np.ndarray
) -> tuple[float, np.ndarray]:
    """The least deviance over entries = constant + directions @ free."""
    start = np.linalg.lstsq(directions, near - constant, rcond=None)[0]
    # A factor at zero has no slope there: begin a little off it.
    start = np.where(np.abs(start) < 1e-3, 0.1, start)

    def objective(free: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        found, gradient, hessian = _deviance(problem, constant + directions @ free)
        return found, directions.T @ gradient, directions.T @ hessian @ directions

    minimum = minimise(objective, start, name="profile")
    if not minimum.converged:
        raise FitError(f"The profile of a variance parameter did not reach its optimum at the value {value:.6g}.")
    return minimum.value, constant + directions @ minimum.place


def _same_sign(problem: _Problem, value: float, near: np.ndarray) -> np.ndarray:
    """Entries near those given with both held effects on the positive side, so that a correlation keeps its sign."""
    if problem.held.kind == "sd":
        return near
    along, across = problem.places
    size = float(np.hypot(near[along], near[across]))
    turned = near.copy()
    turned[along - 1] = abs(near[along - 1])
    turned[along], turned[across] = value * size, np.sqrt(max(1.0 - value**2, 0.0)) * size
    return turned


def _deviance(problem: _Problem, entries: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
    """-2 log L and its derivatives by the entries of the factors and the residual standard deviation."""
    slopes = problem.products @ entries
    working = problem.inward @ (0.5 * slopes @ entries)
    if not working[0] > 0.0:
        raise FitError("The residual variance is not positive here.")
    point = evaluate(problem.design, problem.response, working[1:] / working[0])
    value, gradient, hessian = full_deviance(point, problem.design, float(working[0]), reml=problem.reml)
    turned = problem.inward @ slopes
    bent = np.einsum("k,kij->ij", problem.inward.T @ gradient, problem.products)
    return value, turned.T @ gradient, turned.T @ hessian @ turned + bent


def _limit(problem: _Problem, entries: np.ndarray, estimate: float, least: float, target: float, side: int) -> float:
    """Where the square root of the rise in deviance reaches `target`, below (side -1) or above (side 1)."""
    at_root = {"entries": entries}

    def excess(value: float) -> float:
        deviance, at_root["entries"] = _least_deviance(problem, value, at_root["entries"])
        if deviance < least - _BELOW:
            raise FitError(
                f"Profiling found a better optimum than the fit (deviance lower by {least - deviance:.3g}): "
                "the optimum of the fit cannot be trusted."
            )
        return float(np.sqrt(max(deviance - least, 0.0))) - target

    inner, outer, inner_excess = estimate, estimate, -target
    for widening in range(_WIDENINGS):
        outer, at_end = _next_outward(problem, estimate, outer, side, widening)
        outer_excess = excess(outer)
        if outer_excess >= 0.0:
            return _between(excess, inner, outer, inner_excess, outer_excess)
        if at_end:
            return outer
        inner, inner_excess = outer, outer_excess
    raise FitError("The deviance never rises far enough for a limit of a variance parameter; its interval is open.")


def _next_outward(problem: _Problem, estimate: float, last: float, side: int, widening: int) -> tuple[float, bool]:
    """The next value to try on the way outward, and whether it is the end of the scale."""
    if problem.held.kind == "correlation":
        value = float(np.clip(last + side * 0.2 * 1.5**widening, -1.0, 1.0))
        return value, abs(value) == 1.0
    unit = float(problem.scale[problem.places[0]])
    step = 0.3 * 1.6**widening * max(unit, estimate)
    if side > 0:
        return last + step, False
    if problem.held.term is None:
        return 0.7 * last, False
    value = max(last - step, 0.0)
    return value, value == 0.0


def _between(
    excess: Callable[[float], float], inner: float, outer: float, inner_excess: float, outer_excess: float
) -> float:
    """Root between two values of opposite sign: false position, the kept end's weight halved (Illinois)."""
    kept = 0
    for _ in range(_WIDENINGS):
        if abs(outer - inner) <= _LIMIT_PRECISION * max(abs(outer), abs(inner)):
            break
        middle = outer - outer_excess * (outer - inner) / (outer_excess - inner_excess)
        found = excess(middle)
        if abs(found) <= _LIMIT_PRECISION:
            return middle
        if found > 0.0:
            outer, outer_excess = middle, found
            inner_excess = 0.5 * inner_excess if kept == 1 else inner_excess
            kept = 1
        else:
            inner, inner_excess = middle, found
            outer_excess = 0.5 * outer_excess if kept == -1 else outer_excess
            kept = -1
    return 0.5 * (inner + outer)
