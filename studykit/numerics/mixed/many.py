"""Many outcomes of one design, each fitted and tested: the cross-products of the design are formed once.

For power studies by simulation. Each fit begins at its moment estimate and looks for no second minimum (in designs of
a few dozen rows about one fit in a thousand has one); everything else is as in a single fit.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import stats

from studykit.errors import CallError, FitError, check_choice
from studykit.numerics.mixed import checks
from studykit.numerics.mixed.cross_products import DesignProducts, ResponseProducts, response_products
from studykit.numerics.mixed.fit import METHODS, check_trusted
from studykit.numerics.mixed.information import ingredients, outward_parameters, residual_variance
from studykit.numerics.mixed.search import search
from studykit.numerics.mixed.small_sample import (
    Ingredients,
    kenward_roger,
    kenward_roger_df,
    kenward_roger_test,
    satterthwaite_df,
    satterthwaite_test,
    wald_test,
)

SMALL_SAMPLE = ("kenward-roger", "satterthwaite", "none")

# Outcomes whose cross-products are formed together: enough to fill a matrix product, little enough for memory.
_TOGETHER = 64


@dataclass(frozen=True, slots=True)
class ManyFits:
    """Fits of m outcomes; rows of fits that could not be trusted are nan.

    Attributes:
        method: "reml" or "ml".
        beta: (m, p) fixed effects.
        parameters: (m, K + 1) covariances of the random terms, lower triangles column after column, and s2 last.
        fitted: (m,) whether the fit reached an optimum.
        made: m ingredients of small-sample inference, None where not fitted.
    """

    method: str
    beta: np.ndarray
    parameters: np.ndarray
    fitted: np.ndarray
    made: tuple[Ingredients | None, ...]

    def contrast(self, weights: np.ndarray, *, small_sample: str = "kenward-roger") -> ManyContrasts:
        """One contrast of the fixed effects in every fit.

        Args:
            weights: (p,).
            small_sample: "kenward-roger", "satterthwaite" or "none".

        Raises:
            CallError: an unknown word, or weights that do not fit.
        """
        check_choice(small_sample, SMALL_SAMPLE, "small_sample")
        column = np.asarray(weights, dtype=float)
        if column.shape != self.beta.shape[1:]:
            raise CallError(
                f"The weights have shape {column.shape}; give one for each of {self.beta.shape[1]} effects."
            )
        std_error, df = np.full(len(self.made), np.nan), np.full(len(self.made), np.nan)
        for index, made in self._fits():
            covariance = kenward_roger(made) if small_sample == "kenward-roger" else made.phi
            std_error[index] = np.sqrt(column @ covariance @ column)
            if small_sample == "none":
                df[index] = np.inf
            else:
                single_df = kenward_roger_df if small_sample == "kenward-roger" else satterthwaite_df
                df[index] = single_df(made, column)[0]
        estimate = self.beta @ column
        return ManyContrasts(estimate, std_error, df, 2.0 * stats.t.sf(np.abs(estimate / std_error), df))

    def test_p(self, contrast: np.ndarray, *, small_sample: str = "kenward-roger") -> np.ndarray:
        """(m,) p of the F test of L' b = 0 in every fit, L (p, l); nan where there is no fit or no F distribution.

        Raises:
            CallError: an unknown word, or a contrast that does not fit.
        """
        check_choice(small_sample, SMALL_SAMPLE, "small_sample")
        test = {"kenward-roger": kenward_roger_test, "satterthwaite": satterthwaite_test, "none": wald_test}[
            small_sample
        ]
        p = np.full(len(self.made), np.nan)
        for index, made in self._fits():
            try:
                p[index] = test(made, contrast).p
            except FitError:
                p[index] = np.nan
        return p

    def _fits(self) -> Iterator[tuple[int, Ingredients]]:
        return ((index, made) for index, made in enumerate(self.made) if made is not None)


@dataclass(frozen=True, slots=True)
class ManyContrasts:
    """A contrast in m fits: (m,) estimates, standard errors, denominator df and two-sided p."""

    estimate: np.ndarray
    std_error: np.ndarray
    df: np.ndarray
    p: np.ndarray


def fit_many(design: DesignProducts, y: np.ndarray, *, method: str = "reml") -> ManyFits:
    """Fit every column of y.

    Args:
        design: from `prepare_design`.
        y: (n, m) outcomes.
        method: "reml" or "ml".

    Raises:
        CallError: an unknown word, or outcomes that do not fit the design.
        DataError: missing values.
        DesignError: covariance parameters that cannot be told apart in this design.
    """
    check_choice(method, METHODS, "method")
    outcomes = np.asarray(y, dtype=float)
    checks.check_rows(outcomes, design.x)
    reml = method == "reml"
    count, size = outcomes.shape[1], len(design.components.items) + 1
    beta, parameters = np.full((count, design.p), np.nan), np.full((count, size), np.nan)
    made: list[Ingredients | None] = [None] * count
    inverse_root, outward = np.linalg.inv(design.x_root), outward_parameters(design)
    for index, response in enumerate(_responses(design, outcomes)):
        if index == 0:
            checks.check_identified(design, response)
        try:
            optimum = search(design, response, reml=reml, several=False)
            check_trusted(optimum, design.n)
        except FitError:
            continue
        point = optimum.point
        s2 = residual_variance(point, design, reml=reml)
        beta[index] = inverse_root @ (response.start[:, 0] + point.beta)
        parameters[index] = outward @ (s2 * np.append(1.0, point.gamma))
        made[index] = ingredients(point, design, beta[index], reml=reml)
    fitted = np.array([one is not None for one in made])
    return ManyFits(method, beta, parameters, fitted, tuple(made))


def _responses(design: DesignProducts, outcomes: np.ndarray) -> Iterator[ResponseProducts]:
    """The cross-products of each outcome, formed some at a time."""
    for first in range(0, outcomes.shape[1], _TOGETHER):
        some = response_products(design, outcomes[:, first : first + _TOGETHER])
        for index in range(some.y.shape[1]):
            one = slice(index, index + 1)
            yield ResponseProducts(
                y=some.y[:, one],
                start=some.start[:, one],
                turned=tuple(turned[:, :, one] for turned in some.turned),
                rest_design=some.rest_design[:, one],
                rest_own=some.rest_own[one],
                least_squares=some.least_squares[one],
            )
