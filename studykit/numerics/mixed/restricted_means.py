"""The same mixed model with its fixed effects held to a subspace: many mean models from one set of cross-products.

A model with fixed effects X b, X (n, p), is the whole; a smaller one has b = C c, C (p, r). With the orthonormal basis
of the whole (X = Q R), R C = T U (QR) and [Q, y] its columns,

    N_C = B' N B,   B = [ T , (I - T T') Q'y ; 0 , 1 ]

holds for every cross-product N of the whole (plain, N_i, N_ij of `criterion`). A look at the smaller model thus costs
no more than a look at the whole, and rows are never touched again. Searches begin at the optimum of a neighbour. That
is meant for mean models that lie close together (curves through the same means): the covariance parameters hardly move
between them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from studykit.errors import DesignError, FitError
from studykit.numerics.mixed.criterion import Looks, Point
from studykit.numerics.mixed.fit import VarianceComponentsFit, check_trusted, fit_variance_components
from studykit.numerics.mixed.information import full_deviance, ingredients, residual_variance
from studykit.numerics.mixed.search import search_from
from studykit.numerics.mixed.small_sample import Ingredients

# A direction of the subspace whose part outside the directions before it is smaller than this share repeats them.
_REPEATS = 1e-10


@dataclass(frozen=True, slots=True)
class RestrictedFit:
    """A fit of b = C c.

    Attributes:
        method: "reml" or "ml".
        constraint: (p, r) C.
        coefficients: (r,) c; covariance: (r, r) their model-based covariance.
        beta: (p,) C c, the fixed effects of the whole.
        deviance: -2 log-likelihood with all constants.
        parameters: number of fixed effects and of covariance parameters, the residual variance among them.
        free_beta, free_covariance: (p,) and (p, p) what the whole would have at the same covariance parameters.
        factor: (f,) where the search ended, from which a neighbour may begin.
        made: what Kenward–Roger and Satterthwaite need, for the coefficients.
    """

    method: str
    constraint: np.ndarray
    coefficients: np.ndarray
    covariance: np.ndarray
    beta: np.ndarray
    deviance: float
    parameters: int
    free_beta: np.ndarray
    free_covariance: np.ndarray
    factor: np.ndarray
    made: Ingredients

    @property
    def score(self) -> np.ndarray:
        """(p,) X' V^-1 (y - X b), the slope of the log-likelihood by the fixed effects of the whole; zero along C."""
        slope: np.ndarray = np.linalg.solve(self.free_covariance, self.free_beta - self.beta)
        return slope


class RestrictedMeans:
    """Fits of one outcome under any number of restrictions of its fixed effects.

    Args:
        whole: a fit of the model without a restriction; its optimum is where every search begins.
    """

    __slots__ = ("_looks", "start")

    def __init__(self, whole: VarianceComponentsFit) -> None:
        self._looks = Looks(whole.design, whole.response)
        parts = whole.design.components
        self.start: np.ndarray = parts.factor(parts.matrices(whole.point.gamma))

    def fit(self, constraint: np.ndarray, *, method: str, start: np.ndarray | None = None) -> RestrictedFit:
        """Fit b = C c by REML or ML.

        Maximum likelihood means the optimum next to the start: in designs whose random effects alone nearly reproduce
        the outcome the likelihood has no bound elsewhere, and such places are not looked for.

        Args:
            constraint: (p, r) C of full column rank.
            method: "reml" or "ml".
            start: factors to begin from; those of the whole when left out.

        Raises:
            DesignError: columns of C that repeat each other.
            FitError: no optimum that may be trusted was found.
        """
        try:
            return self._from_cross_products(constraint, method, self.start if start is None else start)
        except FitError:
            return self._from_rows(constraint, method)

    def _from_cross_products(self, constraint: np.ndarray, method: str, start: np.ndarray) -> RestrictedFit:
        reml = method == "reml"
        looks = _RestrictedLooks(self._looks, constraint)
        optimum = search_from(looks, start, reml=reml)
        check_trusted(optimum, looks.design.n)
        point, design = optimum.point, looks.design
        s2 = residual_variance(point, design, reml=reml)
        inverse_root = np.linalg.inv(design.x_root)
        coefficients = inverse_root @ (looks.start + point.beta)
        free_beta, free_covariance = self._free(point.gamma, s2)
        return RestrictedFit(
            method=method,
            constraint=constraint,
            coefficients=coefficients,
            covariance=s2 * inverse_root @ point.phi @ inverse_root.T,
            beta=constraint @ coefficients,
            deviance=full_deviance(point, design, s2, reml=reml)[0],
            parameters=constraint.shape[1] + len(design.components.items) + 1,
            free_beta=free_beta,
            free_covariance=free_covariance,
            factor=optimum.factor,
            made=ingredients(point, design, coefficients, reml=reml),
        )

    def _from_rows(self, constraint: np.ndarray, method: str) -> RestrictedFit:
        """The smaller model fitted from its own columns: slower, and without the digits that a detour costs."""
        design, response = self._looks.design, self._looks.response
        fit = fit_variance_components(response.y[:, 0], design.x @ constraint, design.terms, method=method)
        free_beta, free_covariance = self._free(fit.point.gamma, fit.residual_variance)
        return RestrictedFit(
            method=method,
            constraint=constraint,
            coefficients=fit.beta,
            covariance=fit.phi,
            beta=constraint @ fit.beta,
            deviance=-2.0 * fit.log_likelihood,
            parameters=constraint.shape[1] + len(design.components.items) + 1,
            free_beta=free_beta,
            free_covariance=free_covariance,
            factor=design.components.factor(design.components.matrices(fit.point.gamma)),
            made=fit.ingredients(),
        )

    def _free(self, gamma: np.ndarray, s2: float) -> tuple[np.ndarray, np.ndarray]:
        whole, inverse_root = self._looks.at(gamma), np.linalg.inv(self._looks.design.x_root)
        beta = inverse_root @ (self._looks.response.start[:, 0] + whole.beta)
        return beta, s2 * inverse_root @ whole.phi @ inverse_root.T


class _RestrictedLooks(Looks):
    """Looks at the smaller model, each made from one at the whole.

    Attributes:
        start: (r,) least-squares coefficients on the basis of the subspace.
    """

    __slots__ = ("_change", "_whole", "start")

    def __init__(self, whole: Looks, constraint: np.ndarray) -> None:
        turned = whole.design.x_root @ constraint
        basis, root = np.linalg.qr(turned)
        if np.any(np.abs(np.diag(root)) <= _REPEATS * np.linalg.norm(turned, axis=0)):
            raise DesignError("The columns of the restriction repeat each other; leave out those that do.")
        r = basis.shape[1]
        # Only what follows the cross-products reads these parts of a design; blocks and border stay those of the whole.
        super().__init__(replace(whole.design, p=r, x=whole.design.x @ constraint, x_root=root), whole.response)
        least_squares = whole.response.start[:, 0]
        self.start: np.ndarray = basis.T @ least_squares
        self._whole = whole
        self._change = np.zeros((basis.shape[0] + 1, r + 1))
        self._change[:-1, :-1] = basis
        self._change[:-1, -1] = least_squares - basis @ self.start
        self._change[-1, -1] = 1.0

    def at(self, gamma: np.ndarray) -> Point:
        """The smaller model at the ratios gamma.

        Raises:
            FitError: a covariance is not positive definite at these ratios.
        """
        return _restricted(self._whole.at(gamma), self._change)


def _restricted(point: Point, change: np.ndarray) -> Point:
    """A look at the smaller model from one at the whole."""
    p, r = change.shape[0] - 1, change.shape[1] - 1
    plain = np.empty((p + 1, p + 1))
    plain[:p, :p] = np.linalg.inv(point.phi)
    plain[:p, p] = plain[p, :p] = plain[:p, :p] @ point.beta
    plain[p, p] = point.quadratic + float(point.beta @ plain[:p, p])
    smaller = change.T @ plain @ change
    root = np.linalg.cholesky(smaller[:r, :r])
    inverse_root = np.linalg.inv(root)
    seen = inverse_root @ smaller[:r, r]
    quadratic = float(smaller[r, r] - seen @ seen)
    if not quadratic > 0.0:
        raise FitError("The random effects follow the outcome exactly at these variances; no residual is left.")
    return Point(
        gamma=point.gamma,
        log_det_h=point.log_det_h,
        log_det_f=2.0 * float(np.sum(np.log(np.diag(root)))),
        phi=inverse_root.T @ inverse_root,
        beta=inverse_root.T @ seen,
        quadratic=quadratic,
        first=change.T @ point.first @ change,
        second=change.T @ point.second @ change,
        traces=point.traces,
        trace_pairs=point.trace_pairs,
    )
