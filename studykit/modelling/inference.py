"""Questions about fixed effects that both families of models answer in the same way.

Three words for the reference distribution: "kenward-roger" (adjusted covariance and df; expected information),
"satterthwaite" (unadjusted covariance, df from the observed information), "none" (normal; covariance taken as known).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from studykit.errors import CallError, DataError, check_choice, check_confidence
from studykit.formatting import counted
from studykit.modelling.design import FixedDesign
from studykit.modelling.marginal_means import contrast_weights, mean_weights, slope_weights
from studykit.modelling.rows import check_columns
from studykit.numerics.mixed.small_sample import (
    ContrastTest,
    Ingredients,
    kenward_roger,
    kenward_roger_df,
    kenward_roger_test,
    satterthwaite_df,
    satterthwaite_test,
    wald_test,
)
from studykit.numerics.multiplicity import AdjustedContrasts, adjust_contrasts

Array = NDArray[np.float64]

SMALL_SAMPLE_WORDS = ("kenward-roger", "satterthwaite", "none")
INFORMATION_WORDS = ("expected", "observed")


@dataclass(frozen=True, kw_only=True, repr=False)
class FixedEffectsFit:
    """What a fitted model knows of its fixed effects.

    Attributes:
        outcome: name of the outcome.
        design: the fixed effects' columns and how they were made.
        ingredients: of small-sample inference.
        method: "reml" or "ml".
        log_likelihood: with all constants.
        converged: whether the end of the search is an optimum.
        boundary: whether a covariance sits on its boundary; `notes` say which.
        notes: rows left out, levels, reference levels, boundary and conventions, a sentence each.
        n_rows: rows that were used.
    """

    outcome: str
    design: FixedDesign
    ingredients: Ingredients
    method: str
    log_likelihood: float
    converged: bool
    boundary: bool
    notes: tuple[str, ...]
    n_rows: int

    def __repr__(self) -> str:
        """One line: the model, its rows, its criterion; the arrays behind it are attributes."""
        return (
            f"<{type(self).__name__} {self.outcome} ~ {self.design.formula}, {self.n_rows} rows, {self.method}, "
            f"log-likelihood {self.log_likelihood!r}>"
        )

    def coefficients(
        self, small_sample: str = "kenward-roger", confidence: float = 0.95, *, information: str | None = None
    ) -> pd.DataFrame:
        """Every fixed effect with its test against zero.

        Args:
            small_sample: "kenward-roger", "satterthwaite" or "none".
            confidence: level of the intervals.
            information: "expected" or "observed" information of the covariance parameters; by default what the word
                stands for (expected for Kenward-Roger, observed for Satterthwaite).

        Returns:
            Columns term, estimate, std_error, df, t, p, low, high.

        Raises:
            CallError: an unknown word or level.
        """
        weights = np.eye(len(self.design.columns))
        tested = self._tested(weights, small_sample, confidence, information=information)
        return pd.DataFrame({"term": list(self.design.columns), **_columns_of(tested)})

    def covariance(self, small_sample: str = "kenward-roger", *, information: str | None = None) -> pd.DataFrame:
        """Covariance of the fixed effects: adjusted under Kenward-Roger, else (X'V^-1 X)^-1."""
        matrix = self._covariance(small_sample, self._ingredients(small_sample, information))
        return pd.DataFrame(matrix, index=list(self.design.columns), columns=list(self.design.columns))

    def joint_test(
        self,
        hypothesis: str | Sequence[str] | pd.DataFrame | Any,
        small_sample: str = "kenward-roger",
        *,
        null: float | Sequence[float] = 0.0,
        information: str | None = None,
    ) -> ContrastTest:
        """F test of several combinations of fixed effects at once.

        Args:
            hypothesis: a term of the formula, a list of terms or coefficients, a matrix with one row per combination
                and one column per fixed effect, or a frame whose columns are names of fixed effects (absent ones 0).
            small_sample: as in `coefficients`.
            null: value of every combination under the hypothesis.
            information: as in `coefficients`.

        Returns:
            f, df1, df2, p, and the `scale` that Kenward-Roger multiplied F by.

        Raises:
            CallError: an unknown term or word; a matrix of the wrong shape.
        """
        weights = self._hypothesis(hypothesis)
        ingredients = self._ingredients(small_sample, information)
        test = {"kenward-roger": kenward_roger_test, "satterthwaite": satterthwaite_test, "none": wald_test}
        return test[small_sample](ingredients, weights.T, np.asarray(null, dtype=float))

    def marginal_means(
        self,
        over: str | Sequence[str],
        at: Mapping[str, Any] | None = None,
        *,
        small_sample: str = "kenward-roger",
        confidence: float = 0.95,
        information: str | None = None,
    ) -> pd.DataFrame:
        """Means of the outcome at levels of some variables, averaged evenly over the levels of all other factors.

        Args:
            over: one or more variables; a numeric one needs values in `at`.
            at: values for variables: of numeric covariates instead of their mean, of factors instead of all levels.
            small_sample, confidence, information: as in `coefficients`; p is of the mean against zero.

        Returns:
            The variables in `over`, then estimate, std_error, df, t, p, low, high.

        Raises:
            CallError: an unknown variable, level or word.
        """
        means = mean_weights(self.design, over, at)
        tested = self._tested(means.weights, small_sample, confidence, information=information)
        return pd.concat([means.labels, pd.DataFrame(_columns_of(tested))], axis=1)

    def slopes(
        self,
        covariate: str,
        over: str | Sequence[str] = (),
        at: Mapping[str, Any] | None = None,
        *,
        small_sample: str = "kenward-roger",
        confidence: float = 0.95,
        information: str | None = None,
    ) -> pd.DataFrame:
        """Slopes of a numeric covariate (change of the mean per unit) at levels of factors; at its mean if it bends."""
        means = slope_weights(self.design, covariate, over, at)
        tested = self._tested(means.weights, small_sample, confidence, information=information)
        return pd.concat([means.labels, pd.DataFrame(_columns_of(tested))], axis=1)

    def contrasts(
        self,
        over: str | Sequence[str],
        kind: str = "reference",
        *,
        reference: Any = None,
        within: str | Sequence[str] = (),
        slope_of: str | None = None,
        matrix: pd.DataFrame | None = None,
        at: Mapping[str, Any] | None = None,
        multiplicity: str = "none",
        small_sample: str = "kenward-roger",
        confidence: float = 0.95,
        information: str | None = None,
    ) -> pd.DataFrame:
        """Differences between marginal means, or between slopes.

        Args:
            over: variables whose means are compared.
            kind: "reference" (each minus one of them), "pairwise" (the earlier minus the later) or "given" (`matrix`).
            reference: the level to compare with, a tuple for several variables; the first when left out.
            within: variables in each of whose levels the comparison is made on its own; one family each.
            slope_of: compare slopes of this covariate instead of means.
            matrix: one named row per contrast, one column per mean in the order of `marginal_means(over)`.
            at: as in `marginal_means`.
            multiplicity: "none", "holm", "tukey" (pairwise) or "dunnett" (reference), adjusting p and intervals.
            small_sample, confidence, information: as in `coefficients`.

        Returns:
            The variables in `within`, contrast, estimate, std_error, df, t, p, low, high.

        Raises:
            CallError: unknown variables, levels or words; a matrix of the wrong shape.
        """
        inside = [within] if isinstance(within, str) else list(within)
        outer = [over] if isinstance(over, str) else list(over)
        if set(inside) & set(outer):
            raise CallError(f"{sorted(set(inside) & set(outer))[0]!r} is both compared and held; name it once.")
        every = [*inside, *outer]
        means = mean_weights(self.design, every, at) if slope_of is None else None
        means = means if means is not None else slope_weights(self.design, str(slope_of), every, at)
        blocks = []
        for labels, block in means.split(inside, outer):
            names, rows = contrast_weights(block, kind, reference=reference, matrix=matrix)
            tested = self._tested(
                rows, small_sample, confidence, information=information, multiplicity=multiplicity, n_means=len(block)
            )
            made = pd.DataFrame({"contrast": names, **_columns_of(tested)})
            for position, (name, value) in enumerate(labels.items()):
                made.insert(position, name, value)
            blocks.append(made)
        return pd.concat(blocks, ignore_index=True)

    def predict(
        self,
        frame: pd.DataFrame,
        *,
        small_sample: str = "kenward-roger",
        confidence: float = 0.95,
        information: str | None = None,
    ) -> pd.DataFrame:
        """Means of the outcome for new rows, without random effects.

        Args:
            frame: rows that hold every variable of the formula, without missing values.
            small_sample, confidence, information: as in `coefficients`.

        Returns:
            Columns estimate, std_error, df, t, p, low, high, with the index of `frame`.

        Raises:
            DataError: a column is missing, a value is missing, or a level that the fit has not seen.
        """
        variables = [*self.design.factors, *self.design.covariates]
        check_columns(frame, variables)
        for name in variables:
            if frame[name].isna().any():
                missing = counted(int(frame[name].isna().sum()), "row")
                raise DataError(f"{name!r} is missing in {missing} of {len(frame)}; fill or drop them.")
        tested = self._tested(self.design.rows(frame), small_sample, confidence, information=information)
        return pd.DataFrame(_columns_of(tested), index=frame.index)

    def _ingredients(self, small_sample: str, information: str | None) -> Ingredients:
        """The ingredients with the information that was asked for in the place where the word takes it from."""
        check_choice(small_sample, SMALL_SAMPLE_WORDS, "small_sample")
        if information is None:
            return self.ingredients
        check_choice(information, INFORMATION_WORDS, "information")
        if information == "expected":
            return replace(self.ingredients, w_observed=None)
        if self.ingredients.w_observed is None:
            raise CallError("This fit has no observed information; use information='expected'.")
        return replace(self.ingredients, w=self.ingredients.w_observed)

    def _covariance(self, small_sample: str, ingredients: Ingredients) -> Array:
        return kenward_roger(ingredients) if small_sample == "kenward-roger" else ingredients.phi

    def _tested(
        self,
        weights: Array,
        small_sample: str,
        confidence: float,
        *,
        information: str | None,
        multiplicity: str = "none",
        n_means: int | None = None,
    ) -> AdjustedContrasts:
        """Estimates, tests and intervals of combinations, one row of weights each."""
        check_confidence(confidence)
        ingredients = self._ingredients(small_sample, information)
        covariance = weights @ self._covariance(small_sample, ingredients) @ weights.T
        if small_sample == "kenward-roger":
            df = kenward_roger_df(ingredients, weights.T)
        elif small_sample == "satterthwaite":
            df = satterthwaite_df(ingredients, weights.T)
        else:
            df = np.full(len(weights), np.inf)
        return adjust_contrasts(
            weights @ ingredients.beta,
            covariance,
            df,
            method=multiplicity,
            n_means=n_means,
            confidence=confidence,
        )

    def _hypothesis(self, hypothesis: Any) -> Array:
        """Weights of a hypothesis, one row per combination."""
        columns = list(self.design.columns)
        if isinstance(hypothesis, str):
            hypothesis = [hypothesis]
        if isinstance(hypothesis, pd.DataFrame):
            unknown = [name for name in hypothesis.columns if name not in columns]
            if unknown:
                raise CallError(f"There is no fixed effect {unknown[0]!r}; there are {', '.join(map(repr, columns))}.")
            wide: Array = hypothesis.reindex(columns=columns, fill_value=0.0).to_numpy(dtype=float)
            return wide
        if isinstance(hypothesis, (list, tuple)) and all(isinstance(name, str) for name in hypothesis):
            places = [place for name in hypothesis for place in self._places(name)]
            chosen: Array = np.eye(len(columns))[list(dict.fromkeys(places))]
            return chosen
        matrix = np.atleast_2d(np.asarray(hypothesis, dtype=float))
        if matrix.ndim != 2 or matrix.shape[1] != len(columns):
            raise CallError(
                f"The matrix has shape {matrix.shape}; give one row per combination and one column for each of the "
                f"{len(columns)} fixed effects."
            )
        return matrix

    def _places(self, name: str) -> tuple[int, ...]:
        """Columns of a term, whichever way round an interaction is written, or of a single coefficient."""
        parts = sorted(part.strip() for part in name.split(":"))
        for term, places in self.design.terms.items():
            if sorted(part.strip() for part in term.split(":")) == parts:
                return places
        if name in self.design.columns:
            return (self.design.columns.index(name),)
        terms = ", ".join(repr(term) for term in self.design.terms)
        raise CallError(f"There is no term {name!r} in the formula; there are {terms}.")


def _columns_of(tested: AdjustedContrasts) -> dict[str, Array]:
    return {
        "estimate": tested.estimate,
        "std_error": tested.std_error,
        "df": tested.df,
        "t": tested.t,
        "p": tested.p,
        "low": tested.low,
        "high": tested.high,
    }
