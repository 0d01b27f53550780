"""Fit of a linear mixed model with random terms, nested or crossed in any mix, by REML or ML.

y = X b + sum over terms Z_t u_t + e,   u_t ~ N(0, I x Sigma_t) over the levels of the term,   e ~ N(0, s2 I)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from studykit.errors import FitError, StudykitError, check_choice, check_confidence
from studykit.numerics.mixed import checks
from studykit.numerics.mixed.components import components_of
from studykit.numerics.mixed.criterion import Point
from studykit.numerics.mixed.cross_products import DesignProducts, ResponseProducts, design_products, response_products
from studykit.numerics.mixed.influence import Influence, Leverage, influence, leverage, sets_of_rows
from studykit.numerics.mixed.information import full_deviance, ingredients, parameter_covariance, residual_variance
from studykit.numerics.mixed.optimise import LogLine
from studykit.numerics.mixed.predictions import RandomEffects, fitted_values
from studykit.numerics.mixed.predictions import random_effects as predict
from studykit.numerics.mixed.profile import ProfileInterval, profile_intervals
from studykit.numerics.mixed.search import Optimum, search
from studykit.numerics.mixed.small_sample import Ingredients
from studykit.numerics.mixed.solution import solve_rows
from studykit.numerics.mixed.structure import find_structure
from studykit.numerics.mixed.terms import RandomTerm

METHODS = ("reml", "ml")
RESIDUAL_KINDS = ("marginal", "conditional", "standardised")

# Largest derivative of the deviance by a factor (of the square root of a variance ratio) that a fit may end with, per
# row: a thousand times what rounding leaves, a thousandth of what would move a standard error in its sixth digit.
GRADIENT_PER_ROW = 1e-8


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
        iterations: steps of all searches together; log: each of them, with the start it belongs to.
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
        """What Kenward–Roger and Satterthwaite need (covariance parameters in the engine's working units)."""
        return ingredients(self.point, self.design, self.beta, reml=self.method == "reml")

    def parameter_covariance(self, *, observed: bool = False) -> np.ndarray:
        """(K + 1, K + 1) covariance of the estimated variances and covariances: the inverse of their information.

        In the units of the outcome and the columns; term by term, the lower triangle of a covariance column after
        column, the residual variance last.

        Args:
            observed: from the observed information instead of the expected one; a variance at zero then has none.
        """
        made = self.ingredients()
        w = made.w_observed if observed and made.w_observed is not None else made.w
        return parameter_covariance(self.design, w)

    def random_effects(self) -> tuple[RandomEffects, ...]:
        """Predicted effects of every level, term by term, with two kinds of covariance (see `predictions`)."""
        return predict(self.design, self.response, self.point, self.residual_variance)

    def fitted(self, *, conditional: bool) -> np.ndarray:
        """(n,) X b, or X b + Z u with the predicted random effects when conditional."""
        return fitted_values(self.design, self.beta, self.random_effects(), conditional=conditional)

    def residuals(self, kind: str = "conditional") -> np.ndarray:
        """(n,) residuals: outcome less fitted value.

        Args:
            kind: "marginal", y - X b; "conditional", y - X b - Z u; "standardised", the conditional ones divided by
                their own standard deviation, s sqrt(s2 P_ii), at the variances of the fit.

        Raises:
            CallError: an unknown word.
        """
        check_choice(kind, RESIDUAL_KINDS, "kind")
        if kind == "marginal":
            residual: np.ndarray = self.response.y[:, 0] - self.fitted(conditional=False)
            return residual
        rows = solve_rows(self.design, self.response, self.point)
        if kind == "conditional":
            return rows.residual
        # A row whose fitted value is the row itself has no residual: 0/0, and nan says so.
        free = np.where(rows.diagonal > 1e-12, rows.diagonal, np.nan)
        standardised: np.ndarray = rows.residual / np.sqrt(self.residual_variance * free)
        return standardised

    def profile_intervals(self, confidence: float = 0.95, *, deviance: str = "ml") -> tuple[ProfileInterval, ...]:
        """Profile-likelihood intervals for standard deviations and correlations, the residual last.

        Args:
            confidence: such as 0.95.
            deviance: "ml", as the reference (lme4) does for REML fits too, or "reml".

        Raises:
            CallError: an unknown word, or a confidence outside 0 to 1.
            FitError: a limit could not be found.
        """
        check_confidence(confidence)
        check_choice(deviance, METHODS, "deviance")
        return profile_intervals(self.design, self.response, confidence=confidence, deviance=deviance)

    def leverage(self) -> Leverage:
        """Leverage of every row on its own fitted value (see `influence`)."""
        return leverage(self.design, self.response, self.point)

    def influence(self, codes: np.ndarray, *, refit: bool = False) -> Influence:
        """What leaving out each set of rows (each participant, say) does to the fixed effects.

        Args:
            codes: (n,) integers; rows with equal codes are left out together.
            refit: estimate the variances again without each set, instead of holding them.

        Raises:
            CallError: not one code per row.
            DesignError: a set too large to be left out without fitting again.
        """
        if not refit:
            return influence(self.design, self.response, self.point, self.residual_variance, codes)
        return _influence_by_refitting(self, codes)


def fit_variance_components(
    y: np.ndarray,
    x: np.ndarray,
    terms: Sequence[RandomTerm],
    *,
    method: str = "reml",
    column_names: Sequence[str] | None = None,
    several_starts: bool = True,
) -> VarianceComponentsFit:
    """Fit by REML or ML.

    Args:
        y: (n,) outcome.
        x: (n, p) fixed-effect columns, the intercept among them where it is meant.
        terms: the random terms.
        method: "reml" or "ml".
        column_names: p words for the columns of x, used in errors.
        several_starts: look for a second minimum where a variance is near zero. Without, the search takes about a third
            of the time and may end in the lesser of two minima: for fits that stand beside a thorough one.

    Raises:
        CallError: an unknown word, or shapes that do not fit each other.
        DataError: missing values.
        DesignError: the design cannot answer (see `checks`).
        FitError: no optimum that may be trusted was found.
    """
    check_choice(method, METHODS, "method")
    outcome = np.asarray(y, dtype=float)
    columns = np.asarray(x, dtype=float)
    checks.check_rows(outcome[:, None], columns)
    design = prepare_design(columns, terms, column_names=column_names)
    response = response_products(design, outcome[:, None])
    checks.check_identified(design, response)
    checks.check_outcome(response, outcome)
    if method == "ml":
        checks.check_bounded(response, design)
    try:
        optimum = search(design, response, reml=method == "reml", several=several_starts)
        check_trusted(optimum, design.n)
    except FitError:
        checks.check_residual(response, design)
        raise
    return _in_given_units(optimum, design, response, method)


def prepare_design(
    x: np.ndarray, terms: Sequence[RandomTerm], *, column_names: Sequence[str] | None = None
) -> DesignProducts:
    """Check the columns and terms of a design and form its cross-products; they serve any number of outcomes.

    Args:
        x: (n, p) fixed-effect columns.
        terms: the random terms.
        column_names: p words for the columns of x, used in errors.

    Raises:
        CallError: shapes that do not fit each other.
        DataError: missing values.
        DesignError: columns or terms that cannot be estimated.
    """
    names = tuple(column_names) if column_names is not None else tuple(f"column {j + 1}" for j in range(x.shape[-1]))
    given = tuple(terms)
    checks.check_design(x, given, names)
    checks.check_terms(given)
    structure = find_structure(given, x.shape[1])
    border = sum(structure.level_counts[index] * given[index].width for index in structure.border_terms)
    checks.check_size(x.shape[0], x.shape[1], border)
    return design_products(x, given, structure, components_of(given))


def check_trusted(optimum: Optimum, n: int) -> None:
    """Refuse an optimum where the deviance still slopes.

    Raises:
        FitError: it does.
    """
    gradient = float(np.max(np.abs(optimum.gradient), initial=0.0))
    if gradient > GRADIENT_PER_ROW * n:
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


def _influence_by_refitting(fit: VarianceComponentsFit, codes: np.ndarray) -> Influence:
    """Leave out each set and fit everything again; nan for a set without which the model cannot be fitted."""
    sets = sets_of_rows(codes, fit.n)
    changes, ratios = np.full((len(sets), fit.p), np.nan), np.full(len(sets), np.nan)
    for place, (_, rows) in enumerate(sets):
        kept = np.ones(fit.n, dtype=bool)
        kept[rows] = False
        terms = [replace(term, codes=term.codes[kept], columns=term.columns[kept]) for term in fit.design.terms]
        try:
            again = fit_variance_components(fit.response.y[kept, 0], fit.design.x[kept], terms, method=fit.method)
        except StudykitError:
            continue
        changes[place] = fit.beta - again.beta
        ratios[place] = np.exp(np.linalg.slogdet(again.phi)[1] - np.linalg.slogdet(fit.phi)[1])
    distances = np.einsum("gi,ij,gj->g", changes, np.linalg.inv(fit.phi), changes) / fit.p
    return Influence(
        codes=np.array([code for code, _ in sets]),
        rows=np.array([rows.size for _, rows in sets]),
        change=changes,
        cooks_distance=distances,
        covariance_ratio=ratios,
        refitted=True,
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
