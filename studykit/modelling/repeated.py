"""Repeated visits of labelled data with a residual covariance by subject: `fit_repeated`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from studykit.errors import DataError, DesignError, check_choice
from studykit.formatting import counted
from studykit.modelling.confirm import Confirmation, confirm_repeated
from studykit.modelling.design import fixed_design, formula_variables
from studykit.modelling.inference import FixedEffectsFit
from studykit.modelling.rows import check_columns, model_rows
from studykit.numerics.mixed.repeated import METHODS, RepeatedCovarianceFit, fit_residual_covariance
from studykit.numerics.mixed.repeated_inference import repeated_ingredients
from studykit.numerics.mixed.repeated_influence import repeated_residuals, subject_influence
from studykit.numerics.mixed.repeated_profile import profile_intervals
from studykit.numerics.mixed.residual_covariance import COVARIANCE_WORDS


@dataclass(frozen=True, kw_only=True, repr=False)
class RepeatedFit(FixedEffectsFit):
    """A fitted repeated-visits model. Ask it questions by its methods; all numbers at full precision.

    Attributes:
        subject: columns whose combinations are the subjects.
        visit: column of the visits; visits: its values in order.
        covariance_word: the shape of the residual covariance.
        frame: the rows that were used, with the caller's index.
        subjects: names of the subjects in the order of their codes.
        subject_codes, visit_codes: of each row.
        engine: the fit in arrays, with the optimiser's log.
    """

    subject: tuple[str, ...]
    visit: str
    visits: tuple[Any, ...]
    covariance_word: str
    frame: pd.DataFrame
    subjects: tuple[str, ...]
    subject_codes: np.ndarray
    visit_codes: np.ndarray
    engine: RepeatedCovarianceFit

    def variances(self) -> pd.DataFrame:
        """Residual covariance over the visits: one row per visit, then one per pair of visits.

        Returns:
            Columns visit, other_visit (None for a variance), variance, sd, covariance, correlation.
        """
        matrix, sd = self.engine.covariance, np.sqrt(np.diag(self.engine.covariance))
        rows: list[dict[str, Any]] = [
            {
                "visit": visit,
                "other_visit": None,
                "variance": float(matrix[place, place]),
                "sd": float(sd[place]),
                "covariance": np.nan,
                "correlation": np.nan,
            }
            for place, visit in enumerate(self.visits)
        ]
        for second in range(len(self.visits)):
            for first in range(second):
                covariance = float(matrix[first, second])
                rows.append(
                    {
                        "visit": self.visits[first],
                        "other_visit": self.visits[second],
                        "variance": np.nan,
                        "sd": np.nan,
                        "covariance": covariance,
                        "correlation": covariance / float(sd[first] * sd[second]),
                    }
                )
        return pd.DataFrame(rows)

    def residual_covariance(self) -> pd.DataFrame:
        """The residual covariance as a square, visits by visits."""
        return pd.DataFrame(self.engine.covariance, index=list(self.visits), columns=list(self.visits))

    def variance_intervals(self, confidence: float = 0.95, *, likelihood: str = "ml") -> pd.DataFrame:
        """Profile-likelihood intervals for the parameters of the covariance.

        Args:
            confidence: level of each interval.
            likelihood: which likelihood is profiled: "ml", as for mixed models, or "reml".

        Returns:
            Columns parameter, low, high, likelihood; parameters are those of the shape (see `notes`).

        Raises:
            CallError: an unknown word or level.
            FitError: a limit could not be found.
        """
        check_choice(likelihood, METHODS, "likelihood")
        found = profile_intervals(self.engine, method=likelihood, confidence=confidence)
        names = self.engine.shape.names([str(visit) for visit in self.visits])
        return pd.DataFrame({"parameter": names, "low": found.low, "high": found.high, "likelihood": likelihood})

    def residuals(self) -> pd.DataFrame:
        """Fitted values and residuals of every row used, with the caller's index.

        Returns:
            Columns outcome, fitted, residual, residual_studentised.
        """
        outcome = self.frame[self.outcome].to_numpy(dtype=float)
        found = repeated_residuals(self.engine, outcome, self.design.matrix)
        return pd.DataFrame(
            {
                "outcome": outcome,
                "fitted": found.fitted,
                "residual": found.residual,
                "residual_studentised": found.studentised,
            },
            index=self.frame.index,
        )

    def influence(self) -> pd.DataFrame:
        """What leaving out each subject does to the fixed effects, the covariance held.

        Returns:
            Columns left_out, rows, leverage, cooks_distance, and the change of each fixed effect (with minus without)
            under its name; nan where a subject alone informs an effect.
        """
        outcome = self.frame[self.outcome].to_numpy(dtype=float)
        found = subject_influence(self.engine, outcome, self.design.matrix)
        frame = pd.DataFrame(
            {
                "left_out": list(self.subjects),
                "rows": np.bincount(self.subject_codes, minlength=len(self.subjects)),
                "leverage": found.leverage,
                "cooks_distance": found.cook_distance,
            }
        )
        return pd.concat([frame, pd.DataFrame(found.beta_shift, columns=list(self.design.columns))], axis=1)

    def confirm(self, tolerance: float = 1e-4) -> Confirmation:
        """Fit the same model by a likelihood written out subject by subject, and compare the log-likelihoods.

        Args:
            tolerance: largest difference allowed, in log-likelihood units.

        Raises:
            DesignError: the data are too large for that route.
            FitError: the two disagree; the message says who found the better optimum.
        """
        outcome = self.frame[self.outcome].to_numpy(dtype=float)
        return confirm_repeated(
            self.engine, outcome, self.design.matrix, self.subject_codes, self.visit_codes, tolerance
        )


def fit_repeated(
    frame: pd.DataFrame,
    *,
    outcome: str,
    fixed: str,
    subject: str | Sequence[str],
    visit: str,
    covariance: str,
    method: str = "reml",
) -> RepeatedFit:
    """Fit a linear model whose residuals are correlated within a subject over planned visits.

    Args:
        frame: one row per subject and visit; it is not changed. Visits may be missing.
        outcome: numeric column.
        fixed: right-hand side in Wilkinson-Rogers notation, such as "arm * visit + baseline".
        subject: column, or columns whose combinations are the subjects (participant and side, say).
        visit: column of the visits, in the order of its categories or numbers.
        covariance: "unstructured", "heterogeneous-compound-symmetry", "compound-symmetry", "autoregressive" or
            "independent-by-visit".
        method: "reml", or "ml" to compare fixed effects by likelihood.

    Raises:
        CallError: a formula or word that cannot be read.
        DataError: a column that is missing or of the wrong kind; a subject with two rows at one visit.
        DesignError: the data cannot answer; the sentence says why.
        FitError: no optimum that may be trusted was found.
    """
    check_choice(covariance, COVARIANCE_WORDS, "covariance")
    check_choice(method, METHODS, "method")
    by = [subject] if isinstance(subject, str) else list(subject)
    check_columns(frame, [*by, visit])
    if visit in by:
        raise DesignError(f"{visit!r} is named both as subject and as visit.")
    variables = formula_variables(fixed)
    rows = model_rows(frame, outcome=outcome, predictors=variables, groups=[*by, visit])
    design = fixed_design(fixed, rows.frame)
    grouped = rows.frame.groupby(by, observed=True, sort=True)
    subjects = tuple(":".join(map(str, key)) if isinstance(key, tuple) else str(key) for key in grouped.size().index)
    subject_codes = grouped.ngroup().to_numpy().astype(np.intp)
    visit_codes, visits, said = _visits(frame[visit], rows.frame[visit], covariance)
    if len(by) > 1 and len(subjects) > rows.frame[by[0]].nunique():
        said = (
            *said,
            f"Subjects are combinations of {' and '.join(map(repr, by))}: those that share a {by[0]!r} are taken as "
            "independent of each other.",
        )
    _check_once(rows.frame, by, visit)
    engine = fit_residual_covariance(
        rows.frame[outcome].to_numpy(dtype=float),
        design.matrix,
        subject_codes,
        visit_codes,
        n_visits=len(visits),
        covariance=covariance,
        method=method,
    )
    return RepeatedFit(
        outcome=outcome,
        design=design,
        ingredients=repeated_ingredients(engine),
        method=method,
        log_likelihood=engine.log_likelihood,
        converged=engine.converged,
        boundary=engine.boundary,
        notes=(*rows.notes, *said, *_conventions(engine)),
        n_rows=len(rows.frame),
        subject=tuple(by),
        visit=visit,
        visits=visits,
        covariance_word=covariance,
        frame=rows.frame,
        subjects=subjects,
        subject_codes=subject_codes,
        visit_codes=visit_codes,
        engine=engine,
    )


def _visits(given: pd.Series, used: pd.Series, covariance: str) -> tuple[np.ndarray, tuple[Any, ...], tuple[str, ...]]:
    """Codes, values in order, and what must be said about that order."""
    if isinstance(given.dtype, pd.CategoricalDtype):
        planned = list(given.cat.categories)
        levels = [level for level in planned if (used == level).any()]
        unused = [level for level in planned if level not in levels]
        if unused and covariance == "autoregressive":
            raise DesignError(
                f"Visit {unused[0]!r} occurs in no complete row, so that the distance between its neighbours is "
                "unclear to an autoregressive covariance; remove the category, or choose another covariance."
            )
        said = (
            (f"{len(unused)} visits occur in no row that is used ({', '.join(map(repr, unused))}).",) if unused else ()
        )
    elif pd.api.types.is_numeric_dtype(given.dtype) and not pd.api.types.is_bool_dtype(given.dtype):
        levels, said = sorted(used.unique().tolist()), ()
        gaps = {round(float(gap), 9) for gap in np.diff(np.asarray(levels, dtype=float))}
        if covariance == "autoregressive" and len(gaps) > 1:
            listed = ", ".join(f"{level:g}" for level in levels)
            said = (f"The visits {listed} are not evenly spaced; the autoregressive covariance counts them as if.",)
    else:
        levels = sorted(used.unique(), key=str)
        if covariance == "autoregressive":
            raise DesignError(
                f"The visits {', '.join(map(repr, levels))} are text, whose order an autoregressive covariance cannot "
                f"know; make {given.name!r} an ordered categorical."
            )
        said = (f"The visits are text and stand in alphabetical order: {', '.join(map(repr, levels))}.",)
    place = {level: code for code, level in enumerate(levels)}
    return used.map(place).to_numpy().astype(np.intp), tuple(levels), said


def _check_once(frame: pd.DataFrame, by: list[str], visit: str) -> None:
    repeated = frame.duplicated([*by, visit], keep=False)
    if not repeated.any():
        return
    first = frame.loc[repeated.to_numpy(), [*by, visit]].iloc[0]
    who = " and ".join(f"{name} {first[name]!r}" for name in by)
    pairs = frame.loc[repeated.to_numpy(), [*by, visit]].drop_duplicates()
    raise DataError(
        f"Several rows share a subject and a visit, {counted(len(pairs), 'time')} (first: {who}, "
        f"{visit} {first[visit]!r}). "
        "Average them, or name what tells them apart among the subject columns."
    )


def _conventions(fit: RepeatedCovarianceFit) -> tuple[str, ...]:
    curvature = "linear, so without a second-derivative term" if fit.shape.linear else "with the second-derivative term"
    said = [
        f"Kenward-Roger takes {fit.shape.parametrisation} as its parameters ({curvature}) and their expected "
        "information; Satterthwaite takes the observed information."
    ]
    if fit.boundary:
        said.append("The residual covariance is nearly singular: some visits predict another almost without error.")
    if fit.method == "ml":
        said.append(
            "This fit is by maximum likelihood, whose variances are too small in small samples; Kenward-Roger is "
            "defined for method='reml'."
        )
    return tuple(said)
