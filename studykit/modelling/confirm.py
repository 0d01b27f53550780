"""The same model by a second route: other formulas, another optimiser, and an error when the two part.

Mixed models go to statsmodels, which searches without derivatives (Powell, then Nelder-Mead; its quasi-Newton default
stops short on such models). Repeated visits go to a likelihood written out subject by subject, searched by BFGS with
finite differences from a plain start. Both routes are slow and meant for small data.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize
from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

from studykit.errors import DesignError, FitError
from studykit.numerics.mixed.fit import VarianceComponentsFit
from studykit.numerics.mixed.repeated import RepeatedCovarianceFit
from studykit.numerics.mixed.residual_covariance import covariance_shape
from studykit.numerics.mixed.terms import RandomTerm

Array = NDArray[np.float64]
Codes = NDArray[np.intp]

_MOST_ROWS = 1500
_MOST_CELLS = 60_000


@dataclass(frozen=True, slots=True)
class Confirmation:
    """Two routes to one log-likelihood that agree.

    Attributes:
        route: what the second route was.
        log_likelihood: of this kit's fit.
        other_log_likelihood: of the second route, with the same constants.
        tolerance: largest difference that was allowed.
    """

    route: str
    log_likelihood: float
    other_log_likelihood: float
    tolerance: float

    @property
    def difference(self) -> float:
        """This kit's log-likelihood minus the other: positive where this kit's optimum is the better one."""
        return self.log_likelihood - self.other_log_likelihood


def _compared(route: str, mine: float, other: float, tolerance: float) -> Confirmation:
    """The confirmation, or an error that says whose optimum is better."""
    if not abs(mine - other) <= tolerance:
        better = "this kit" if mine > other else route
        raise FitError(
            f"Two routes to this model disagree: log-likelihood {mine:.6f} here and {other:.6f} by {route}; "
            f"{better} found the better optimum, by {abs(mine - other):.2g}."
        )
    return Confirmation(route=route, log_likelihood=mine, other_log_likelihood=other, tolerance=tolerance)


def confirm_mixed(fit: VarianceComponentsFit, tolerance: float) -> Confirmation:
    """Compare with statsmodels' MixedLM.

    Raises:
        DesignError: the model has more than one correlated slope, or slopes whose groups do not hold the other terms;
            or the data are too large.
        FitError: the log-likelihoods differ by more than `tolerance`.
    """
    y, x, terms = fit.response.y[:, 0], fit.design.x, fit.design.terms
    groups, inner, rest = _arranged(terms, fit.n)
    model = MixedLM(
        y,
        x,
        groups=groups,
        exog_re=None if inner is None else inner.columns,
        exog_vc=_components(rest, groups) if rest else None,
    )
    best = -np.inf
    with warnings.catch_warnings():
        # statsmodels warns of boundaries and of unfinished searches; the comparison below is the judgement.
        warnings.simplefilter("ignore")
        start = None
        for search in ("powell", "nm", "powell"):
            found = model.fit(
                reml=fit.method == "reml",
                method=search,
                start_params=start,
                maxiter=4000,
                **({"xtol": 1e-8, "ftol": 1e-11} if search == "powell" else {"xatol": 1e-8, "fatol": 1e-11}),
            )
            best = max(best, float(found.llf))
            start = found.params_object
    return _compared("statsmodels", fit.log_likelihood, best, tolerance)


def _arranged(terms: tuple[RandomTerm, ...], n: int) -> tuple[np.ndarray, RandomTerm | None, list[RandomTerm]]:
    """Groups that hold all terms, the one term whose effects may be correlated, and the others."""
    wide = [term for term in terms if term.width > 1 and term.correlated]
    if len(wide) > 1:
        raise DesignError("statsmodels cannot express two terms with correlated slopes; there is no second route here.")
    groups = wide[0].codes if wide else _holding_all(terms, n)
    rest = [term for term in terms if not wide or term is not wide[0]]
    for term in rest:
        if wide and _n_pairs(term.codes, groups) > len(np.unique(term.codes)):
            raise DesignError(
                f"statsmodels cannot express {term.name!r} crossed with the correlated slopes of {wide[0].name!r}; "
                "there is no second route here."
            )
    levels = sum(len(np.unique(term.codes)) * term.width for term in rest)
    if n > _MOST_ROWS or n * max(levels, 1) > _MOST_CELLS * max(len(np.unique(groups)), 1):
        raise DesignError(
            f"{n} rows with {levels} random effects are too many for the second route; it is for small data."
        )
    return groups, wide[0] if wide else None, rest


def _n_pairs(first: np.ndarray, second: np.ndarray) -> int:
    return int(np.unique(np.stack([first, second]), axis=1).shape[1])


def _holding_all(terms: tuple[RandomTerm, ...], n: int) -> np.ndarray:
    """The codes of a term within which all others are nested; one group for everything when there is none."""
    for term in terms:
        if all(_n_pairs(term.codes, other.codes) == len(np.unique(other.codes)) for other in terms):
            return term.codes
    return np.zeros(n, dtype=np.intp)


def _components(terms: list[RandomTerm], groups: np.ndarray) -> VCSpec:
    """statsmodels' form of independent effects: for each effect and group, a matrix of indicator columns."""
    names, columns, matrices = [], [], []
    for term in terms:
        for place in range(term.width):
            names.append(f"{term.name} {term.column_names[place]}")
            made, heads = [], []
            for group in np.unique(groups):
                rows = groups == group
                levels = np.unique(term.codes[rows])
                made.append((term.codes[rows][:, None] == levels) * term.columns[rows, place][:, None])
                heads.append([str(level) for level in levels])
            matrices.append(made)
            columns.append(heads)
    return VCSpec(names, columns, matrices)


def confirm_repeated(
    fit: RepeatedCovarianceFit, y: Array, x: Array, subject: Codes, visit: Codes, tolerance: float
) -> Confirmation:
    """Compare with a likelihood written out subject by subject and searched by BFGS.

    Args:
        fit: the fit; y, x, subject, visit: the rows that were fitted.
        tolerance: largest difference allowed, in log-likelihood units.

    Raises:
        DesignError: the data are too large.
        FitError: the log-likelihoods differ by more than `tolerance`.
    """
    if len(y) > _MOST_ROWS:
        raise DesignError(f"{len(y)} rows are too many for the second route; it is for small data.")
    shape = covariance_shape(fit.shape.word, fit.shape.n_visits)
    alike = _seen_alike(subject, visit)
    reml = fit.method == "reml"

    def minus(phi: Array) -> float:
        covariance = shape.covariance(shape.natural(phi))
        a, b, c, log_determinant = np.zeros((x.shape[1],) * 2), np.zeros(x.shape[1]), 0.0, 0.0
        for visits, rows in alike.items():
            v = covariance[np.ix_(visits, visits)]
            sign, size = np.linalg.slogdet(v)
            if sign <= 0 or not np.isfinite(size):
                return 1e10
            weighted = np.linalg.inv(v) @ x[rows]
            a += np.einsum("imp,imq->pq", x[rows], weighted)
            b += np.einsum("imp,im->p", weighted, y[rows])
            c += float(np.sum(y[rows] * np.linalg.solve(v, y[rows].T).T))
            log_determinant += len(rows) * float(size)
        value = log_determinant + c - float(b @ np.linalg.solve(a, b))
        value += (len(y) - x.shape[1] if reml else len(y)) * float(np.log(2 * np.pi))
        return 0.5 * (value + (float(np.linalg.slogdet(a)[1]) if reml else 0.0))

    residual = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    start = shape.free(shape.start(float(np.mean(residual**2)) * (0.8 * np.eye(shape.n_visits) + 0.2)))
    found = optimize.minimize(minus, start, method="BFGS", options={"gtol": 1e-5, "maxiter": 2000})
    again = optimize.minimize(minus, found.x, method="BFGS", options={"gtol": 1e-6, "maxiter": 2000})
    best = -min(float(found.fun), float(again.fun))
    return _compared("a likelihood written out subject by subject", fit.log_likelihood, best, tolerance)


def _seen_alike(subject: Codes, visit: Codes) -> dict[tuple[int, ...], Codes]:
    """Rows of the subjects that were seen at the same visits, (subjects, visits) for each set of visits."""
    found: dict[tuple[int, ...], list[Codes]] = {}
    for code in np.unique(subject):
        rows = np.flatnonzero(subject == code)
        found.setdefault(tuple(visit[rows].tolist()), []).append(rows)
    return {visits: np.stack(rows) for visits, rows in found.items()}
