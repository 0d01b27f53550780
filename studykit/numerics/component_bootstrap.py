"""Parametric bootstrap of variance components: data drawn from a fitted model, fitted again by REML.

Source: Davison & Hinkley (1997), Bootstrap Methods and their Application, ch. 2.
"""

from __future__ import annotations

import numpy as np

from studykit.errors import CallError, FitError
from studykit.numerics.intervals import FloatArray
from studykit.numerics.mixed.fit import VarianceComponentsFit
from studykit.numerics.mixed.many import fit_many


def redrawn_components(fit: VarianceComponentsFit, *, resamples: int, rng: np.random.Generator) -> FloatArray:
    """Variances of every term and of the residual in data drawn from the fit; its design is formed once.

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
    y = rng.normal(0.0, np.sqrt(fit.residual_variance), (fit.n, resamples))
    for term, covariance in zip(terms, fit.covariances, strict=True):
        code = np.unique(term.codes, return_inverse=True)[1]
        y += rng.normal(0.0, np.sqrt(covariance[0, 0]), (int(code.max()) + 1, resamples))[code]
    found = fit_many(fit.design, y)
    if found.fitted.mean() < 0.95:
        raise FitError(f"{int((~found.fitted).sum())} of {resamples} redrawn data sets could not be fitted.")
    drawn: FloatArray = found.parameters[found.fitted]
    return drawn
