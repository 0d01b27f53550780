"""Parametric bootstrap of variance components: data drawn from a fitted model, fitted again by REML.

All resamples share the design, so that its cross-products are formed once. Each refit starts at the fitted model and
falls back to the full search where that start does not end at a minimum. Source: Davison & Hinkley (1997), Bootstrap
Methods and their Application, ch. 2; Bates et al. (2015), J. Stat. Softw. 67(1) for the criterion.
"""

from __future__ import annotations

import numpy as np

from studykit.errors import CallError, FitError
from studykit.numerics.intervals import FloatArray
from studykit.numerics.mixed.criterion import Point, evaluate
from studykit.numerics.mixed.cross_products import ResponseProducts, response_products
from studykit.numerics.mixed.fit import VarianceComponentsFit
from studykit.numerics.mixed.information import profiled_deviance, residual_variance
from studykit.numerics.mixed.optimise import minimise
from studykit.numerics.mixed.search import search

_START = 0.1
"""A component that was fitted as 0 starts at this share of the residual's SD: 0 itself is a stationary point."""


def redrawn_components(fit: VarianceComponentsFit, *, resamples: int, rng: np.random.Generator) -> FloatArray:
    """Variances of every term (intercepts only) and of the residual in data drawn from the fit.

    Args:
        fit: a REML fit with random intercepts.
        resamples: how many data sets; at least 100.
        rng: the source of chance.

    Returns:
        shape (resamples that could be fitted, terms + 1), the residual last.

    Raises:
        CallError: fewer than 100 resamples, or a term with a slope. FitError: more than one in twenty failed.
    """
    if resamples < 100:
        raise CallError(f"resamples is {resamples}; an interval needs at least 100.")
    terms = fit.design.terms
    if any(term.width != 1 for term in terms):
        raise CallError("Redrawing is written for random intercepts; a term has a slope.")
    codes = [np.unique(term.codes, return_inverse=True)[1] for term in terms]
    sds = [float(np.sqrt(matrix[0, 0])) for matrix in fit.covariances]
    rows = []
    for _ in range(resamples):
        y = rng.normal(0.0, np.sqrt(fit.residual_variance), fit.n)
        for code, sd in zip(codes, sds, strict=True):
            y = y + rng.normal(0.0, sd, int(code.max()) + 1)[code]
        found = _refitted(fit, y)
        if found is not None:
            rows.append(found)
    if len(rows) < 0.95 * resamples:
        raise FitError(f"{resamples - len(rows)} of {resamples} redrawn data sets could not be fitted.")
    return np.array(rows)


def _refitted(fit: VarianceComponentsFit, y: FloatArray) -> FloatArray | None:
    response = response_products(fit.design, y[:, None])
    try:
        point = _from_fit(fit, response) or search(fit.design, response, reml=True).point
    except FitError:
        return None
    s2 = residual_variance(point, fit.design, reml=True)
    parts = fit.design.components
    scales = [float(transform[0, 0]) ** 2 for transform in parts.transforms]
    ratios = [float(matrix[0, 0]) for matrix in parts.matrices(point.gamma)]
    return np.array([*(s2 * scale * ratio for scale, ratio in zip(scales, ratios, strict=True)), s2])


def _from_fit(fit: VarianceComponentsFit, response: ResponseProducts) -> Point | None:
    """The optimum reached from the fitted variances; None where that search does not end at a minimum."""
    parts = fit.design.components
    start = np.maximum(parts.factor(parts.matrices(fit.point.gamma)), _START)

    def objective(factor: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        point = evaluate(fit.design, response, parts.from_factor(factor))
        value, gradient, hessian = profiled_deviance(point, fit.design, reml=True)
        slopes = parts.products @ factor
        return value, slopes.T @ gradient, slopes.T @ hessian @ slopes + np.einsum("k,kij", gradient, parts.products)

    minimum = minimise(objective, start, name="redrawn")
    return evaluate(fit.design, response, parts.from_factor(minimum.place)) if minimum.converged else None
