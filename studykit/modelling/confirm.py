"""The same model by a second route: other formulas, another optimiser, and an error when the two part.

Mixed models go to statsmodels, which searches without derivatives (Powell, then Nelder-Mead; its quasi-Newton default
stops short on such models); those that it cannot express go to the likelihood written out with the full covariance of
the rows. Repeated visits go to a likelihood written out subject by subject. All are slow and meant for small data.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.errors import DesignError, FitError
from studykit.modelling.written_out import mixed_optimum, repeated_optimum
from studykit.numerics.mixed.fit import VarianceComponentsFit
from studykit.numerics.mixed.repeated import RepeatedCovarianceFit
from studykit.numerics.mixed.residual_covariance import covariance_shape
from studykit.numerics.mixed.terms import RandomTerm

Array = NDArray[np.float64]
Codes = NDArray[np.intp]

_MOST_ROWS = 1500
_MOST_CELLS = 60_000
_MOST_ROWS_WRITTEN_OUT = 500


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
    """Compare with statsmodels' MixedLM, or with the likelihood written out where that cannot express the model.

    Raises:
        DesignError: the data are too large.
        FitError: the log-likelihoods differ by more than `tolerance`.
    """
    y, x, terms = fit.response.y[:, 0], fit.design.x, fit.design.terms
    reml = fit.method == "reml"
    arranged = _arranged(terms, fit.n)
    if arranged is None:
        if fit.n > _MOST_ROWS_WRITTEN_OUT:
            raise DesignError(
                f"statsmodels cannot express this model, and {fit.n} rows are too many for a likelihood written out "
                f"(at most {_MOST_ROWS_WRITTEN_OUT}); confirm a part of the data."
            )
        best = mixed_optimum(y, x, terms, reml=reml)
        return _compared("a likelihood written out in full", fit.log_likelihood, best, tolerance)
    return _compared("statsmodels", fit.log_likelihood, _by_statsmodels(y, x, arranged, reml=reml), tolerance)


def _by_statsmodels(y: Array, x: Array, arranged: _Arranged, *, reml: bool) -> float:
    """Largest log-likelihood that three searches without derivatives find, each from the end of the one before."""
    # statsmodels takes longer to import than most models take to fit, and only this route needs it.
    from statsmodels.regression.mixed_linear_model import MixedLM

    model = MixedLM(
        y,
        x,
        groups=arranged.groups,
        exog_re=None if arranged.inner is None else arranged.inner.columns,
        exog_vc=_components(arranged.rest, arranged.groups) if arranged.rest else None,
    )
    best, start = -np.inf, None
    with warnings.catch_warnings():
        # statsmodels warns of boundaries and of unfinished searches; the comparison is the judgement.
        warnings.simplefilter("ignore")
        for search in ("powell", "nm", "powell"):
            names = ("xtol", "ftol") if search == "powell" else ("xatol", "fatol")
            limits = dict(zip(names, (1e-8, 1e-11), strict=True))
            found = model.fit(reml=reml, method=search, start_params=start, maxiter=4000, **limits)
            best, start = max(best, float(found.llf)), found.params_object
    return best


@dataclass(frozen=True, slots=True)
class _Arranged:
    """A model as statsmodels wants it: groups that hold all terms, one correlated term, and independent ones."""

    groups: np.ndarray
    inner: RandomTerm | None
    rest: list[RandomTerm]


def _arranged(terms: tuple[RandomTerm, ...], n: int) -> _Arranged | None:
    """The arrangement, or None when statsmodels cannot express the model.

    Raises:
        DesignError: the model is too large for that route.
    """
    wide = [term for term in terms if term.width > 1 and term.correlated]
    if len(wide) > 1:
        return None
    groups = wide[0].codes if wide else _holding_all(terms, n)
    rest = [term for term in terms if not wide or term is not wide[0]]
    if wide and any(_n_pairs(term.codes, groups) > len(np.unique(term.codes)) for term in rest):
        return None
    levels = sum(len(np.unique(term.codes)) * term.width for term in rest)
    if n > _MOST_ROWS or n * max(levels, 1) > _MOST_CELLS * max(len(np.unique(groups)), 1):
        raise DesignError(
            f"{n} rows with {levels} random effects are too many for the second route; it is for small data."
        )
    return _Arranged(groups, wide[0] if wide else None, rest)


def _n_pairs(first: np.ndarray, second: np.ndarray) -> int:
    return int(np.unique(np.stack([first, second]), axis=1).shape[1])


def _holding_all(terms: tuple[RandomTerm, ...], n: int) -> np.ndarray:
    """The codes of a term within which all others are nested; one group for everything when there is none."""
    for term in terms:
        if all(_n_pairs(term.codes, other.codes) == len(np.unique(other.codes)) for other in terms):
            return term.codes
    return np.zeros(n, dtype=np.intp)


def _components(terms: list[RandomTerm], groups: np.ndarray) -> Any:
    """statsmodels' form of independent effects: for each effect and group, a matrix of indicator columns."""
    from statsmodels.regression.mixed_linear_model import VCSpec

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
    best = repeated_optimum(y, x, subject, visit, shape, reml=fit.method == "reml")
    return _compared("a likelihood written out subject by subject", fit.log_likelihood, best, tolerance)
