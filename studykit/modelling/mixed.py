"""Linear mixed models of labelled data: `fit_mixed`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studykit.errors import CallError
from studykit.modelling.confirm import Confirmation, confirm_mixed
from studykit.modelling.design import fixed_design, formula_variables
from studykit.modelling.inference import FixedEffectsFit
from studykit.modelling.rows import check_columns, model_rows
from studykit.modelling.terms import Grouping, Varies, groupings, reading_notes
from studykit.numerics.mixed.fit import VarianceComponentsFit, fit_variance_components


@dataclass(frozen=True, kw_only=True, repr=False)
class MixedFit(FixedEffectsFit):
    """A fitted mixed model. Ask it questions by its methods; all numbers at full precision.

    Attributes:
        random: the random terms as they were given.
        frame: the rows that were used, with the caller's index.
        engine: the fit in arrays, with the optimiser's log.
    """

    random: tuple[Varies, ...]
    frame: pd.DataFrame
    groups: tuple[Grouping, ...]
    engine: VarianceComponentsFit

    def variances(self) -> pd.DataFrame:
        """Variance components: one row per variance and per covariance, the residual last.

        Returns:
            Columns group, effect, other_effect (empty for a variance), variance, sd, covariance, correlation.
        """
        rows = []
        for group, matrix in zip(self.groups, self.engine.covariances, strict=True):
            names = group.term.column_names
            for place, name in enumerate(names):
                rows.append(_variance_row(group.term.name, name, float(matrix[place, place])))
            if not group.term.correlated:
                continue
            for second in range(len(names)):
                for first in range(second):
                    spread = float(np.sqrt(matrix[first, first] * matrix[second, second]))
                    covariance = float(matrix[first, second])
                    rows.append(
                        {
                            "group": group.term.name,
                            "effect": names[first],
                            "other_effect": names[second],
                            "variance": np.nan,
                            "sd": np.nan,
                            "covariance": covariance,
                            "correlation": covariance / spread if spread > 0 else np.nan,
                        }
                    )
        rows.append(_variance_row("residual", "", self.engine.residual_variance))
        return pd.DataFrame(rows)

    def variance_intervals(self, confidence: float = 0.95, *, likelihood: str = "ml") -> pd.DataFrame:
        """Profile-likelihood intervals for every standard deviation and correlation.

        Args:
            confidence: level of each interval.
            likelihood: which likelihood is profiled: "ml", the usual convention for fits by REML too, or "reml".

        Returns:
            Columns group, effect, other_effect, kind ("sd" or "correlation"), estimate (at the optimum of the
            likelihood that was profiled), low, high, likelihood.

        Raises:
            CallError: an unknown word or level.
            FitError: a limit could not be found.
        """
        found = self.engine.profile_intervals(confidence, deviance=likelihood)
        return pd.DataFrame(
            {
                "group": [item.term for item in found],
                "effect": [item.columns[0] if item.columns else "" for item in found],
                "other_effect": [item.columns[1] if len(item.columns) > 1 else "" for item in found],
                "kind": [item.kind for item in found],
                "estimate": [item.estimate for item in found],
                "low": [item.low for item in found],
                "high": [item.high for item in found],
                "likelihood": [item.deviance for item in found],
            }
        )

    def random_effects(self) -> pd.DataFrame:
        """Predictions of the random effects (best linear unbiased), one row per group and effect.

        Returns:
            Columns group, level, effect, prediction, sd_given_fixed_effects, sd_of_error.
        """
        blocks = []
        for group, found in zip(self.groups, self.engine.random_effects(), strict=True):
            for place, name in enumerate(found.column_names):
                blocks.append(
                    pd.DataFrame(
                        {
                            "group": group.term.name,
                            "level": [group.labels[code] for code in found.levels],
                            "effect": name,
                            "prediction": found.effects[:, place],
                            "sd_given_fixed_effects": _root(found.conditional_covariance[:, place, place]),
                            "sd_of_error": _root(found.error_covariance[:, place, place]),
                        }
                    )
                )
        return pd.concat(blocks, ignore_index=True)

    def residuals(self) -> pd.DataFrame:
        """Fitted values, residuals and leverage of every row used, with the caller's index.

        Returns:
            Columns outcome, fitted_marginal, fitted_conditional, residual_marginal, residual_conditional,
            residual_standardised (conditional, over its own standard deviation), leverage_fixed, leverage_total.
        """
        leverage = self.engine.leverage()
        marginal, conditional = self.engine.fitted(conditional=False), self.engine.fitted(conditional=True)
        outcome = self.frame[self.outcome].to_numpy(dtype=float)
        return pd.DataFrame(
            {
                "outcome": outcome,
                "fitted_marginal": marginal,
                "fitted_conditional": conditional,
                "residual_marginal": outcome - marginal,
                "residual_conditional": outcome - conditional,
                "residual_standardised": self.engine.residuals("standardised"),
                "leverage_fixed": leverage.fixed,
                "leverage_total": leverage.total,
            },
            index=self.frame.index,
        )

    def influence(self, by: str | Sequence[str] | None = None, *, refit: bool = False) -> pd.DataFrame:
        """What leaving out each participant (or other group) does to the fixed effects.

        Args:
            by: columns whose combinations are left out; the columns of the first random term when left out.
            refit: estimate the variances again each time instead of holding them.

        Returns:
            Columns left_out, rows, cooks_distance, covariance_ratio, and the change of each fixed effect (with minus
            without) under its name.

        Raises:
            DataError: a column that the data do not have.
        """
        names = list(self.random[0].columns) if by is None else [by] if isinstance(by, str) else list(by)
        check_columns(self.frame, names)
        grouped = self.frame.groupby(names, observed=True, sort=True)
        codes = grouped.ngroup().to_numpy().astype(np.intp)
        labels = [":".join(map(str, key)) if isinstance(key, tuple) else str(key) for key in grouped.size().index]
        found = self.engine.influence(codes, refit=refit)
        frame = pd.DataFrame(
            {
                "left_out": [labels[code] for code in found.codes],
                "rows": found.rows,
                "cooks_distance": found.cooks_distance,
                "covariance_ratio": found.covariance_ratio,
            }
        )
        return pd.concat([frame, pd.DataFrame(found.change, columns=list(self.design.columns))], axis=1)

    def confirm(self, tolerance: float = 1e-4) -> Confirmation:
        """Fit the same model by statsmodels (Powell, then Nelder-Mead) and compare the log-likelihoods.

        Args:
            tolerance: largest difference allowed, in log-likelihood units; derivative-free searches end within 1e-5.

        Raises:
            DesignError: statsmodels cannot express the model, or it is too large for that route.
            FitError: the two disagree; the message says who found the better optimum.
        """
        return confirm_mixed(self.engine, tolerance)


def _variance_row(group: str, effect: str, variance: float) -> dict[str, object]:
    return {
        "group": group,
        "effect": effect,
        "other_effect": "",
        "variance": variance,
        "sd": float(np.sqrt(variance)),
        "covariance": np.nan,
        "correlation": np.nan,
    }


def _root(values: np.ndarray) -> np.ndarray:
    root: np.ndarray = np.sqrt(np.maximum(values, 0.0))
    return root


def fit_mixed(
    frame: pd.DataFrame, *, outcome: str, fixed: str, random: Sequence[Varies], method: str = "reml"
) -> MixedFit:
    """Fit a linear mixed model.

    Args:
        frame: one row per measurement; it is not changed. Text and booleans become factors; a factor's first category
            (alphabetical for text) is the reference.
        outcome: numeric column.
        fixed: right-hand side in Wilkinson-Rogers notation, such as "week * arm".
        random: what varies at random, such as [Varies("participant_id"), Varies("rater_id")].
        method: "reml", or "ml" to compare fixed effects by likelihood.

    Raises:
        CallError: a formula, word or random term that cannot be read.
        DataError: a column that is missing or of the wrong kind.
        DesignError: the data cannot answer; the sentence says why.
        FitError: no optimum that may be trusted was found.
    """
    if isinstance(random, Varies) or not all(isinstance(term, Varies) for term in random):
        raise CallError("`random` is a list of Varies(...), such as random=[Varies('participant_id')].")
    variables = formula_variables(fixed)
    grouped = [name for term in random for name in term.used]
    rows = model_rows(frame, outcome=outcome, predictors=variables, groups=grouped)
    design = fixed_design(fixed, rows.frame)
    groups = groupings(rows.frame, random, variables)
    engine = fit_variance_components(
        rows.frame[outcome].to_numpy(dtype=float),
        design.matrix,
        [group.term for group in groups],
        method=method,
        column_names=design.columns,
    )
    return MixedFit(
        outcome=outcome,
        design=design,
        ingredients=engine.ingredients(),
        method=method,
        log_likelihood=engine.log_likelihood,
        converged=True,
        boundary=bool(engine.boundary),
        notes=(
            *rows.notes,
            *reading_notes(rows.frame, random, variables),
            *engine.boundary,
            *_conventions(method),
        ),
        n_rows=engine.n,
        random=tuple(random),
        frame=rows.frame,
        groups=groups,
        engine=engine,
    )


def _conventions(method: str) -> tuple[str, ...]:
    said = (
        "Kenward-Roger takes variances and covariances as its parameters and their expected information; Satterthwaite "
        "takes the observed information.",
    )
    if method == "ml":
        return (
            *said,
            "This fit is by maximum likelihood, whose variances are too small in small samples; Kenward-Roger is "
            "defined for method='reml'.",
        )
    return said
