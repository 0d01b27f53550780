"""Fit of a linear mixed model with random terms, nested or crossed in any mix, by REML or ML.

y = X b + sum over terms Z_t u_t + e,   u_t ~ N(0, I x Sigma_t) over the levels of the term,   e ~ N(0, s2 I)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from studykit.errors import FitError, check_choice
from studykit.numerics.mixed import checks
from studykit.numerics.mixed.components import components_of
from studykit.numerics.mixed.criterion import Point
from studykit.numerics.mixed.cross_products import DesignProducts, ResponseProducts, design_products, response_products
from studykit.numerics.mixed.information import full_deviance, ingredients, residual_variance
from studykit.numerics.mixed.optimise import LogLine
from studykit.numerics.mixed.search import Optimum, search
from studykit.numerics.mixed.small_sample import Ingredients
from studykit.numerics.mixed.structure import find_structure
from studykit.numerics.mixed.terms import RandomTerm

METHODS = ("reml", "ml")

# Largest derivative of the deviance by a factor (of the square root of a variance ratio) that a fit may end with, per
# row: a thousand times what rounding leaves, a thousandth of what would move a standard error in its sixth digit.
_GRADIENT_PER_ROW = 1e-8


@dataclass(frozen=True, slots=True)
class VarianceComponentsFit:
    """A fitted model, in the units of the outcome and of the columns as they were given.

    Attributes:
        method: "reml" or "ml".
        beta: (p,) fixed effects; phi: (p, p) their model-based covariance (X' V^-1 X)^-1.
        log_likelihood: with all constants; of REML, that of the n - p error contrasts without + log|X'X| / 2.
        term_names: of the random terms; covariances: (c, c) covariance of the effects of one level, for each term.
        residual_variance: s2.
        boundary: a sentence for each covariance that sits on its boundary; empty when none does.
        gradient_norm: largest derivative of the deviance by the factors at the end.
        iterations: evaluations of the criterion over all starts; log: each of them.
        n, p, q: rows, fixed effects, random effects.
        design, response, point: the cross-products and the model at its optimum, for all further questions.
    """

    method: str
    beta: np.ndarray
    phi: np.ndarray
    log_likelihood: float
    term_names: tuple[str, ...]
    covariances: tuple[np.ndarray, ...]
    residual_variance: float
    boundary: tuple[str, ...]
    gradient_norm: float
    iterations: int
    log: tuple[LogLine, ...]
    n: int
    p: int
    q: int
    design: DesignProducts
    response: ResponseProducts
    point: Point

    def ingredients(self) -> Ingredients:
        """What Kenward–Roger and Satterthwaite need; parameters in the order of the terms, the residual last."""
        return ingredients(self.point, self.design, self.beta, reml=self.method == "reml")


def fit_variance_components(
    y: np.ndarray,
    x: np.ndarray,
    terms: Sequence[RandomTerm],
    *,
    method: str = "reml",
    column_names: Sequence[str] | None = None,
) -> VarianceComponentsFit:
    """Fit by REML or ML.

    Args:
        y: (n,) outcome.
        x: (n, p) fixed-effect columns, the intercept among them where it is meant.
        terms: the random terms.
        method: "reml" or "ml".
        column_names: p words for the columns of x, used in errors.

    Raises:
        CallError: an unknown word, or shapes that do not fit each other.
        DataError: missing values.
        DesignError: the design cannot answer (see `checks`).
        FitError: no optimum that may be trusted was found.
    """
    check_choice(method, METHODS, "method")
    outcome = np.asarray(y, dtype=float)
    design = prepare_design(np.asarray(x, dtype=float), tuple(terms), outcome, column_names)
    response = response_products(design, outcome[:, None])
    checks.check_identified(design, response)
    checks.check_outcome(response, design, outcome)
    optimum = search(design, response, reml=method == "reml")
    _check_trusted(optimum, design.n)
    return _in_given_units(optimum, design, response, method)


def prepare_design(
    x: np.ndarray, terms: tuple[RandomTerm, ...], y: np.ndarray, column_names: Sequence[str] | None
) -> DesignProducts:
    """Check rows, columns and terms, and form the design's cross-products."""
    names = tuple(column_names) if column_names is not None else tuple(f"column {j + 1}" for j in range(x.shape[-1]))
    checks.check_rows(y, x, terms, names)
    checks.check_terms(terms)
    return design_products(x, terms, find_structure(terms, x.shape[1]), components_of(terms))


def _check_trusted(optimum: Optimum, n: int) -> None:
    gradient = float(np.max(np.abs(optimum.gradient), initial=0.0))
    if gradient > _GRADIENT_PER_ROW * n:
        raise FitError(
            f"The search ended where the deviance still slopes ({gradient:.2g} by a factor of the covariance): its "
            "optimum cannot be trusted; leave out a random term, or rescale the outcome and the covariates."
        )


def _in_given_units(
    optimum: Optimum, design: DesignProducts, response: ResponseProducts, method: str
) -> VarianceComponentsFit:
    reml = method == "reml"
    point = optimum.point
    s2 = residual_variance(point, design, reml=reml)
    inverse_root = np.linalg.inv(design.x_root)
    parts = design.components
    working = parts.matrices(s2 * point.gamma)
    covariances = tuple(
        transform @ matrix @ transform.T for transform, matrix in zip(parts.transforms, working, strict=True)
    )
    deviance, _, _ = full_deviance(point, design, s2, reml=reml)
    return VarianceComponentsFit(
        method=method,
        beta=inverse_root @ (response.start[:, 0] + point.beta),
        phi=s2 * inverse_root @ point.phi @ inverse_root.T,
        log_likelihood=-0.5 * deviance,
        term_names=tuple(term.name for term in design.terms),
        covariances=covariances,
        residual_variance=s2,
        boundary=_boundary_in_words(design.terms, covariances, working),
        gradient_norm=float(np.max(np.abs(optimum.gradient), initial=0.0)),
        iterations=len(optimum.log),
        log=optimum.log,
        n=design.n,
        p=design.p,
        q=sum(term.width * count for term, count in zip(design.terms, design.structure.level_counts, strict=True)),
        design=design,
        response=response,
        point=point,
    )


def _boundary_in_words(
    terms: tuple[RandomTerm, ...], covariances: tuple[np.ndarray, ...], working: tuple[np.ndarray, ...]
) -> tuple[str, ...]:
    """One sentence for each covariance that has a direction without any variance."""
    words = []
    for term, covariance, matrix in zip(terms, covariances, working, strict=True):
        zero = np.flatnonzero(np.diag(covariance) == 0.0)
        words += [f"The variance of {term.column_names[index]} by {term.name} is zero." for index in zero]
        kept = np.flatnonzero(np.diag(covariance) > 0.0)
        if not term.correlated or kept.size < 2:
            continue
        values = np.linalg.eigvalsh(matrix[np.ix_(kept, kept)])
        rank = int(np.sum(values > 1e-9 * values[-1]))
        if rank == kept.size:
            continue
        if kept.size == 2:
            first, second = kept
            sign = "1" if covariance[first, second] > 0.0 else "-1"
            names = f"{term.column_names[first]} and {term.column_names[second]}"
            words.append(f"The correlation of {names} by {term.name} is {sign}.")
        else:
            words.append(f"The {kept.size} effects by {term.name} vary in only {rank} directions.")
    return tuple(words)
