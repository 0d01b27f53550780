"""Many outcomes of one design, each fitted and tested: they advance together through one look at the design.

For power studies by simulation. Each fit begins at its moment estimate and looks for no second minimum (in designs of
a few dozen rows about one fit in a thousand has one); everything else is as in a single fit. A fit that does not arrive
together with the others is made alone. The digits of a fit do not depend on the outcomes beside it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import stats

from studykit.errors import CallError, FitError, check_choice
from studykit.numerics.mixed import checks
from studykit.numerics.mixed.criterion import Point, evaluate
from studykit.numerics.mixed.cross_products import DesignProducts, ResponseProducts, response_products
from studykit.numerics.mixed.fit import GRADIENT_PER_ROW, METHODS, check_trusted
from studykit.numerics.mixed.information import ingredients, outward_parameters, residual_variance
from studykit.numerics.mixed.many_criterion import look
from studykit.numerics.mixed.many_inference import ManyInference, inference_one_by_one, many_inference
from studykit.numerics.mixed.many_products import (
    Kinds,
    block_kinds,
    design_kinds,
    many_products,
    numbers_of_design,
    numbers_of_fit,
)
from studykit.numerics.mixed.many_search import search_many
from studykit.numerics.mixed.search import search
from studykit.numerics.mixed.small_sample import (
    ContrastTest,
    Ingredients,
    kenward_roger_test,
    satterthwaite_df,
    satterthwaite_test,
    wald_test,
)

SMALL_SAMPLE = ("kenward-roger", "satterthwaite", "none")
_TESTS: dict[str, Callable[[Ingredients, np.ndarray], ContrastTest]] = {
    "kenward-roger": kenward_roger_test,
    "satterthwaite": satterthwaite_test,
    "none": wald_test,
}

# Outcomes that advance together at most, and numbers that they may take (10 MB): enough to fill a matrix product,
# little enough to stay near the processor. Both were chosen by time; no digit depends on them.
_TOGETHER = 64
_NUMBERS_TOGETHER = 1_300_000
# Numbers that the products of a design may take (32 MB). Large blocks of which hardly two are alike take more; such a
# design is fitted one outcome after the other.
_MOST_NUMBERS = 4_000_000


@dataclass(frozen=True, slots=True)
class ManyFits:
    """Fits of m outcomes; rows of fits that could not be trusted are nan.

    Attributes:
        method: "reml" or "ml".
        beta: (m, p) fixed effects.
        parameters: (m, K + 1) covariances of the random terms, lower triangles column after column, and s2 last.
        fitted: (m,) whether the fit reached an optimum.
        ratios: (m, K) covariance parameters over s2, in the engine's working units.
        inference: of some fits that were reached, those of the next, and so on in the order of the outcomes.
        design, responses: what was fitted, for all further questions.
    """

    method: str
    beta: np.ndarray
    parameters: np.ndarray
    fitted: np.ndarray
    ratios: np.ndarray
    inference: tuple[ManyInference, ...]
    design: DesignProducts
    responses: tuple[ResponseProducts, ...]

    def contrast(self, weights: np.ndarray, *, small_sample: str = "kenward-roger") -> ManyContrasts:
        """One contrast of the fixed effects in every fit.

        Args:
            weights: (p,).
            small_sample: "kenward-roger", "satterthwaite" (which looks at every fit once more) or "none".

        Raises:
            CallError: an unknown word, or weights that do not fit.
        """
        check_choice(small_sample, SMALL_SAMPLE, "small_sample")
        column = np.asarray(weights, dtype=float)
        if column.shape != self.beta.shape[1:]:
            raise CallError(
                f"The weights have shape {column.shape}; give one for each of {self.beta.shape[1]} effects."
            )
        estimate = (self.beta[:, None] @ column)[:, 0]
        std_error, df = np.full((2, self.fitted.size), np.nan)
        adjusted = small_sample == "kenward-roger"
        if self.inference:
            std_error[self.fitted] = np.sqrt(
                np.concatenate([some.variance(column, adjusted=adjusted) for some in self.inference])
            )
            if adjusted:
                df[self.fitted] = np.concatenate([some.kenward_roger_df(column) for some in self.inference])
        if small_sample == "none":
            df[self.fitted] = np.inf
        elif not adjusted:
            df[self.fitted] = [satterthwaite_df(self._ingredients(index), column)[0] for index in self._places()]
        return ManyContrasts(estimate, std_error, df, 2.0 * stats.t.sf(np.abs(estimate / std_error), df))

    def test_p(self, contrast: np.ndarray, *, small_sample: str = "kenward-roger") -> np.ndarray:
        """(m,) p of the F test of L' b = 0 in every fit, L (p, l); nan where there is no fit or no F distribution.

        Every fit is looked at once more.

        Raises:
            CallError: an unknown word, or a contrast that does not fit.
        """
        check_choice(small_sample, SMALL_SAMPLE, "small_sample")
        p = np.full(self.fitted.size, np.nan)
        for index in self._places():
            made = self._ingredients(index)
            try:
                p[index] = _TESTS[small_sample](made, contrast).p
            except FitError:
                p[index] = np.nan
        return p

    def _places(self) -> list[int]:
        return [int(index) for index in np.flatnonzero(self.fitted)]

    def _ingredients(self, index: int) -> Ingredients:
        """Ingredients of one fit, from a look of its own at its optimum."""
        point = evaluate(self.design, self.responses[index], self.ratios[index])
        return ingredients(point, self.design, self.beta[index], reml=self.method == "reml")


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
        FitError: the rows hold no information about one of the variances.
    """
    check_choice(method, METHODS, "method")
    outcomes = np.asarray(y, dtype=float)
    checks.check_rows(outcomes, design.x)
    responses = tuple(response_products(design, column[:, None]) for column in np.ascontiguousarray(outcomes.T))
    if responses:
        checks.check_identified(design, responses[0])
    reml = method == "reml"
    ids = block_kinds(design)
    if numbers_of_design(design, ids) <= _MOST_NUMBERS:
        together = int(np.clip(_NUMBERS_TOGETHER // numbers_of_fit(design, ids), 1, _TOGETHER))
        kinds = design_kinds(design, ids)
        some = [
            _fit_together(design, kinds, responses[first : first + together], reml=reml)
            for first in range(0, len(responses), together)
        ]
    else:
        some = [_fit_alone(design, response, reml=reml) for response in responses]
    return _joined(design, responses, some, method)


@dataclass(frozen=True, slots=True)
class _Some:
    """Fits of some outcomes: (a,) whether fitted; then of those that were: ratios, s2, effects, inference."""

    fitted: np.ndarray
    ratios: np.ndarray
    s2: np.ndarray
    beta: np.ndarray
    inference: ManyInference | None


def _fit_together(
    design: DesignProducts, kinds: tuple[Kinds, ...], responses: tuple[ResponseProducts, ...], *, reml: bool
) -> _Some:
    """Outcomes that advance together; those that do not arrive are fitted alone and join the others for inference."""
    many = many_products(design, kinds, responses)
    optima = search_many(many, len(responses), reml=reml)
    arrived = optima.found & (np.abs(optima.gradient).max(axis=1) <= GRADIENT_PER_ROW * design.n)
    gamma = optima.ratios.copy()
    for index in np.flatnonzero(~arrived):
        point = _search_alone(design, responses[index], reml=reml)
        if point is not None:
            gamma[index], arrived[index] = point.gamma, True
    if not arrived.any():
        return _Some(arrived, gamma[:0], np.zeros(0), np.zeros((0, design.p)), None)
    points = look(many, np.flatnonzero(arrived), gamma[arrived], reml=True)
    s2 = points.quadratic / (design.n - design.p if reml else design.n)
    return _Some(arrived, gamma[arrived], s2, points.beta, many_inference(many, points, s2))


def _fit_alone(design: DesignProducts, response: ResponseProducts, *, reml: bool) -> _Some:
    point = _search_alone(design, response, reml=reml)
    if point is None:
        return _Some(np.array([False]), np.zeros((0, 0)), np.zeros(0), np.zeros((0, design.p)), None)
    made = ingredients(point, design, point.beta, reml=reml)
    s2 = residual_variance(point, design, reml=reml)
    return _Some(np.array([True]), point.gamma[None], np.array([s2]), point.beta[None], inference_one_by_one([made]))


def _search_alone(design: DesignProducts, response: ResponseProducts, *, reml: bool) -> Point | None:
    """The optimum of one outcome by the single search; None where there is none to be trusted."""
    try:
        optimum = search(design, response, reml=reml, several=False)
        check_trusted(optimum, design.n)
    except FitError:
        return None
    return optimum.point


def _joined(
    design: DesignProducts, responses: tuple[ResponseProducts, ...], some: list[_Some], method: str
) -> ManyFits:
    """All fits in the units given."""
    size = len(design.components.items)
    fitted = np.concatenate([one.fitted for one in some]) if some else np.zeros(0, dtype=bool)
    beta, ratios, parameters = (np.full((fitted.size, columns), np.nan) for columns in (design.p, size, size + 1))
    inverse_root, outward = np.linalg.inv(design.x_root), outward_parameters(design)
    reached = [one for one in some if one.inference is not None]
    places = np.flatnonzero(fitted)
    gammas = [gamma for one in reached for gamma in one.ratios]
    effects = [effect for one in reached for effect in one.beta]
    variances = [s2 for one in reached for s2 in one.s2]
    for place, gamma, effect, s2 in zip(places, gammas, effects, variances, strict=True):
        ratios[place] = gamma
        beta[place] = inverse_root @ (responses[place].start[:, 0] + effect)
        parameters[place] = outward @ (s2 * np.append(1.0, gamma))
    inference = tuple(one.inference for one in reached if one.inference is not None)
    return ManyFits(method, beta, parameters, fitted, ratios, inference, design, responses)
