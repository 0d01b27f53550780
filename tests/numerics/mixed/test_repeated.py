"""Repeated visits with a residual covariance: published fits, exact small cases, errors."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from formulaic import model_matrix
from scipy import stats

from studykit.errors import CallError, DataError, DesignError, StudykitError
from studykit.numerics.mixed.repeated import RepeatedCovarianceFit, fit_residual_covariance, fit_shape
from studykit.numerics.mixed.repeated_criterion import criterion, pieces
from studykit.numerics.mixed.repeated_inference import repeated_ingredients
from studykit.numerics.mixed.residual_covariance import COVARIANCE_WORDS, Autoregressive
from studykit.numerics.mixed.small_sample import (
    kenward_roger,
    kenward_roger_df,
    kenward_roger_test,
    satterthwaite_df,
    satterthwaite_test,
)

REFERENCE = Path(__file__).parents[2] / "reference"


def expected(name: str) -> Any:
    return json.loads((REFERENCE / "expected" / f"{name}.json").read_text())


def fit(frame: pd.DataFrame, formula: str, subject: str, visit: str, covariance: str, method: str = "reml"):
    outcome = formula.split("~")[0].strip()
    rows = frame.dropna(subset=[outcome])
    _, x = model_matrix(formula, rows)
    codes, levels = pd.factorize(rows[visit], sort=True)
    return fit_residual_covariance(
        rows[outcome].to_numpy(float),
        np.asarray(x, dtype=float),
        pd.factorize(rows[subject])[0],
        codes,
        n_visits=len(levels),
        covariance=covariance,
        method=method,
    )


@pytest.fixture(scope="module")
def fev() -> pd.DataFrame:
    frame = pd.read_csv(REFERENCE / "data" / "fev_mmrm.csv")
    frame["SEX"] = pd.Categorical(frame["SEX"], ["Male", "Female"])
    return frame


FEV = "FEV1 ~ RACE + SEX + ARMCD*AVISIT"
# The reference optimises without a gradient tolerance; its estimates hold five to six digits, so 1e-5 is asked for.
MMRM = 1e-5


@pytest.mark.parametrize(
    ("word", "key"),
    [("unstructured", "unstructured"), ("autoregressive", "ar1"), ("compound-symmetry", "cs")],
)
class TestPublishedTrialOfLungFunction:
    """197 simulated patients, up to four visits, 537 rows; mmrm 0.3.16 (REML)."""

    def test_likelihood_and_covariance(self, fev: pd.DataFrame, word: str, key: str) -> None:
        found, wanted = fit(fev, FEV, "USUBJID", "AVISIT", word), expected("trial_fev_mmrm")[key]
        assert found.converged
        assert not found.boundary
        assert found.log_likelihood == pytest.approx(wanted["Satterthwaite"]["logLik"], rel=1e-9)
        np.testing.assert_allclose(found.covariance, wanted["varcov"]["values"], rtol=MMRM)
        rows = wanted["Satterthwaite"]["coefficients"]
        np.testing.assert_allclose(found.beta, [row["Estimate"] for row in rows], rtol=MMRM)
        np.testing.assert_allclose(np.sqrt(np.diag(found.phi)), [row["Std. Error"] for row in rows], rtol=MMRM)

    def test_satterthwaite(self, fev: pd.DataFrame, word: str, key: str) -> None:
        ingredients = repeated_ingredients(fit(fev, FEV, "USUBJID", "AVISIT", word))
        wanted = expected("trial_fev_mmrm")[key]["Satterthwaite"]
        df = [row["df"] for row in wanted["coefficients"]]
        np.testing.assert_allclose(satterthwaite_df(ingredients), df, rtol=MMRM)
        joint = wanted["joint_tests_of_term_coefficients"]["ARMCD:AVISIT"]
        contrast = np.eye(11)[:, 8:]
        test = satterthwaite_test(ingredients, contrast)
        assert (test.f, test.df2, test.p) == pytest.approx(
            (joint["f_stat"], joint["denom_df"], joint["p_val"]), rel=MMRM
        )

    def test_kenward_roger_without_curvature_from_the_observed_information(
        self, fev: pd.DataFrame, word: str, key: str
    ) -> None:
        # The reference takes W from the observed Hessian and, in its "Linear" form, leaves the second derivatives out.
        ingredients = repeated_ingredients(fit(fev, FEV, "USUBJID", "AVISIT", word))
        assert ingredients.w_observed is not None
        ingredients = replace(ingredients, w=ingredients.w_observed, r_matrices=None)
        wanted = expected("trial_fev_mmrm")[key]["Kenward-Roger-Linear"]
        np.testing.assert_allclose(kenward_roger(ingredients), wanted["vcov"]["values"], rtol=MMRM, atol=1e-8)
        np.testing.assert_allclose(
            kenward_roger_df(ingredients), [row["df"] for row in wanted["coefficients"]], rtol=MMRM
        )
        for name, columns in (("RACE", slice(1, 3)), ("AVISIT", slice(5, 8)), ("ARMCD:AVISIT", slice(8, 11))):
            joint = wanted["joint_tests_of_term_coefficients"][name]
            test = kenward_roger_test(ingredients, np.eye(11)[:, columns])
            assert (test.f, test.df2) == pytest.approx((joint["f_stat"], joint["denom_df"]), rel=MMRM)


class LogScaleAutoregressive(Autoregressive):
    """The AR(1) of the reference's own parameters: log standard deviation s and a with correlation a/sqrt(1+a^2)."""

    def own(self, theta: np.ndarray) -> tuple[float, float]:
        return 0.5 * float(np.log(theta[0])), float(theta[1] / np.sqrt(1 - theta[1] ** 2))

    def first(self, theta: np.ndarray) -> np.ndarray:
        _, a = self.own(theta)
        by_variance, by_correlation = super().first(theta)
        return np.stack([2 * theta[0] * by_variance, (1 + a * a) ** -1.5 * by_correlation])

    def second(self, theta: np.ndarray) -> np.ndarray:
        _, a = self.own(theta)
        by_variance, by_correlation = super().first(theta)
        curved = super().second(theta)
        slope, bend = (1 + a * a) ** -1.5, -3 * a * (1 + a * a) ** -2.5
        mixed = 2 * theta[0] * slope * curved[0, 1]
        return np.stack(
            [
                np.stack([4 * theta[0] * by_variance, mixed]),
                np.stack([mixed, slope**2 * curved[1, 1] + bend * by_correlation]),
            ]
        )


def test_second_derivative_term_reproduces_the_reference_in_the_reference_s_own_parameters(fev: pd.DataFrame) -> None:
    # mmrm 0.3.16 "Kenward-Roger" keeps R_ij of its own parameters; the same machinery in those must give its numbers.
    found = fit(fev, FEV, "USUBJID", "AVISIT", "autoregressive")
    shape = LogScaleAutoregressive(4)
    scale = found.products.scale
    theta = np.array([found.theta[0] / scale**2, found.theta[1]])
    at = criterion(theta, shape, found.products, reml=True)
    parts = pieces(theta, shape, found.products)
    ingredients = repeated_ingredients(found)
    left, right = found.products.rotation.T / scale, found.products.rotation / scale
    assert parts.r_matrices is not None
    own = replace(
        ingredients,
        w=np.linalg.inv(at.observed),
        p_matrices=left @ parts.p_matrices @ right,
        q_matrices=left @ parts.q_matrices @ right,
        r_matrices=left @ parts.r_matrices @ right,
    )
    wanted = expected("trial_fev_mmrm")["ar1"]["Kenward-Roger"]
    np.testing.assert_allclose(kenward_roger(own), wanted["vcov"]["values"], rtol=MMRM, atol=1e-8)


class TestGrowthData:
    """Potthoff & Roy's 27 children, four ages, complete; unstructured."""

    def frame(self) -> pd.DataFrame:
        frame = pd.read_csv(REFERENCE / "data" / "Orthodont.csv")
        frame["Sex"] = pd.Categorical(frame["Sex"], ["Male", "Female"])
        return frame

    def test_maximum_likelihood_by_exact_alternation(self) -> None:
        found = fit(self.frame(), "distance ~ Sex*age", "Subject", "age", "unstructured", "ml")
        wanted = expected("orthodont_unstructured_ML_exact")
        assert -2 * found.log_likelihood == pytest.approx(wanted["minus2logLik"], rel=1e-12)
        # the alternation stopped at 1e-15 change of the covariance, but converges linearly: 1e-8 is what it holds
        np.testing.assert_allclose(found.covariance, wanted["covariance"]["values"], rtol=1e-8)
        np.testing.assert_allclose(found.beta, list(wanted["coef"].values()), rtol=1e-8)
        np.testing.assert_allclose(np.sqrt(np.diag(found.phi)), list(wanted["se"].values()), rtol=1e-8)

    def test_printed_likelihood_and_covariance(self) -> None:
        # Jennrich & Schluchter (1986) Biometrics 42, 805-820, model 2, ML: digits as recalled (see the reference set).
        found = fit(self.frame(), "distance ~ Sex*age", "Subject", "age", "unstructured", "ml")
        assert round(-2 * found.log_likelihood, 3) == 419.477
        printed = [5.1192, 2.4409, 3.9279, 3.6105, 2.7175, 5.9798, 2.5222, 3.0624, 3.8235, 4.6180]
        np.testing.assert_allclose(found.theta, printed, atol=5.1e-5)  # printed to four decimals

    @pytest.mark.parametrize("method", ["ml", "reml"])
    def test_satterthwaite(self, method: str) -> None:
        found = fit(self.frame(), "distance ~ Sex*age", "Subject", "age", "unstructured", method)
        wanted = expected("mmrm_orthodont")["ML" if method == "ml" else "REML_satterthwaite"]
        assert -2 * found.log_likelihood == pytest.approx(wanted["minus2logLik"], rel=1e-9)
        np.testing.assert_allclose(found.phi, wanted["vcov"]["values"], rtol=MMRM)
        df = [row["df"] for row in wanted["coefficients"]]
        np.testing.assert_allclose(satterthwaite_df(repeated_ingredients(found)), df, rtol=MMRM)

    def test_kenward_roger(self) -> None:
        found = fit(self.frame(), "distance ~ Sex*age", "Subject", "age", "unstructured")
        ingredients = repeated_ingredients(found)
        wanted = expected("mmrm_orthodont")["REML_kenward_roger_linear"]
        observed = replace(ingredients, w=ingredients.w_observed)
        np.testing.assert_allclose(kenward_roger(observed), wanted["vcov"]["values"], rtol=MMRM)
        # 27 complete children less two groups
        np.testing.assert_allclose(kenward_roger_df(ingredients), 25.0, rtol=1e-9)


class TestDepressionTrial:
    """BtheB, 97 patients with drop-out; nlme::gls, whose estimates hold about 1e-4 though its likelihood holds 1e-8."""

    formula = "bdi ~ bdi_pre + treatment*C(visit) + drug + length"

    @pytest.mark.parametrize(
        ("word", "method", "key"),
        [
            ("unstructured", "reml", "gls_unstructured_REML"),
            ("unstructured", "ml", "gls_unstructured_ML"),
            ("autoregressive", "reml", "gls_AR1_by_occasion_REML"),
            ("compound-symmetry", "reml", "gls_compound_symmetry_REML"),
        ],
    )
    def test_gls(self, word: str, method: str, key: str) -> None:
        frame = pd.read_csv(REFERENCE / "data" / "BtheB_long_complete_rows.csv")
        frame["treatment"] = pd.Categorical(frame["treatment"], ["TAU", "BtheB"])
        found, wanted = fit(frame, self.formula, "id", "visit", word, method), expected("trial_BtheB")[key]
        assert found.log_likelihood == pytest.approx(wanted["logLik"], rel=1e-9)
        assert found.log_likelihood >= wanted["logLik"] - 1e-9
        if word == "unstructured" and method == "reml":
            marginal = wanted["marginal_covariance"]["values"]
            np.testing.assert_allclose(found.covariance, marginal, rtol=2e-4)
        columns = model_matrix(self.formula.split("~")[1], frame).columns
        named = dict(zip(columns, found.beta, strict=True))
        assert named["bdi_pre"] == pytest.approx(wanted["fixef"]["bdi_pre"], rel=1e-4)
        assert named["treatment[T.BtheB]"] == pytest.approx(wanted["fixef"]["treatmentBtheB"], rel=1e-4)
        # gls(method="ML") multiplies its covariance by N / (N - p)
        factor = 280 / (280 - 11) if method == "ml" else 1.0
        error = np.sqrt(found.phi[columns.get_loc("bdi_pre"), columns.get_loc("bdi_pre")] * factor)
        assert error == pytest.approx(wanted["se"]["bdi_pre"], rel=1e-4)

    def test_compound_symmetry_is_the_random_intercept_model(self) -> None:
        # The same model as lmer's random intercept while the covariance is positive, so pbkrtest's numbers hold.
        frame = pd.read_csv(REFERENCE / "data" / "BtheB_long_complete_rows.csv")
        frame["treatment"] = pd.Categorical(frame["treatment"], ["TAU", "BtheB"])
        found = fit(frame, self.formula, "id", "visit", "compound-symmetry")
        wanted = expected("trial_BtheB")["lmm_random_intercept_visit_factor"]
        columns = list(model_matrix(self.formula.split("~")[1], frame).columns)
        names = {"bdi_pre": "bdi_pre", "drugYes": "drug[T.Yes]", "treatmentBtheB": "treatment[T.BtheB]"}
        df, adjusted = kenward_roger_df(repeated_ingredients(found)), kenward_roger(repeated_ingredients(found))
        satterthwaite = satterthwaite_df(repeated_ingredients(found))
        by_term = {row["term"]: row for row in wanted["satterthwaite_coef"]}
        for row in wanted["KR_coef"]:
            if row["term"] in names:
                at = columns.index(names[row["term"]])
                assert df[at] == pytest.approx(row["df"], rel=1e-6)  # pbkrtest, polished optimum
                assert np.sqrt(adjusted[at, at]) == pytest.approx(row["Std. Error"], rel=1e-6)
                # numerical Hessian in the reference
                assert satterthwaite[at] == pytest.approx(by_term[row["term"]]["df"], rel=1e-5)

    def test_constrained_baseline(self) -> None:
        frame = pd.read_csv(REFERENCE / "data" / "BtheB_clda_long.csv")
        formula = "bdi ~ C(visit) + trt_v2 + trt_v3 + trt_v5 + trt_v8"
        found = fit(frame, formula, "id", "visit", "unstructured")
        wanted = expected("trial_BtheB_cLDA")["mmrm_unstructured"]
        assert found.log_likelihood == pytest.approx(wanted["Satterthwaite"]["logLik"], rel=1e-9)
        np.testing.assert_allclose(found.covariance, wanted["varcov"]["values"], rtol=MMRM)
        ingredients = repeated_ingredients(found)
        observed = replace(ingredients, w=ingredients.w_observed)
        rows = wanted["Kenward-Roger-Linear"]["coefficients"]
        np.testing.assert_allclose(kenward_roger_df(observed), [row["df"] for row in rows], rtol=MMRM)
        errors = [row["Std. Error"] for row in rows]
        np.testing.assert_allclose(np.sqrt(np.diag(kenward_roger(observed))), errors, rtol=MMRM)


def balanced(n: int = 9, t: int = 4) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Outcomes of n complete subjects at t visits, and their codes."""
    rng = np.random.default_rng(31)
    table = rng.normal(size=(n, 1)) + rng.normal(size=(n, t)) * np.arange(1, t + 1) + np.arange(t)
    return table, np.repeat(np.arange(n), t), np.tile(np.arange(t), n)


class TestExact:
    def test_complete_unstructured_data_are_sample_means_and_covariances(self) -> None:
        table, subject, visit = balanced()
        x = np.eye(4)[visit]
        found = fit_residual_covariance(table.ravel(), x, subject, visit, n_visits=4, covariance="unstructured")
        np.testing.assert_allclose(found.beta, table.mean(axis=0), rtol=1e-10)  # exact arithmetic
        np.testing.assert_allclose(found.covariance, np.cov(table.T), rtol=1e-9)

    def test_kenward_roger_is_hotelling_s_t_squared(self) -> None:
        # Kenward & Roger (1997), section 4: with complete data their F is Hotelling's, scale and df included.
        table, subject, visit = balanced()
        found = fit_residual_covariance(
            table.ravel(), np.eye(4)[visit], subject, visit, n_visits=4, covariance="unstructured"
        )
        contrast = np.array([[-1.0, 1, 0, 0], [-1, 0, 1, 0], [-1, 0, 0, 1]]).T
        n, size = len(table), 3
        mean, spread = contrast.T @ table.mean(axis=0), contrast.T @ np.cov(table.T) @ contrast
        hotelling = n * mean @ np.linalg.solve(spread, mean)
        wanted = hotelling * (n - size) / ((n - 1) * size)
        test = kenward_roger_test(repeated_ingredients(found), contrast)
        assert test.df2 == pytest.approx(n - size, rel=1e-8)
        assert test.f == pytest.approx(wanted, rel=1e-8)

    def test_two_visits_are_a_paired_t_test(self) -> None:
        table, subject, visit = balanced(n=11, t=2)
        x = np.column_stack([np.ones(22), visit])
        found = fit_residual_covariance(table.ravel(), x, subject, visit, n_visits=2, covariance="unstructured")
        ingredients = repeated_ingredients(found)
        wanted = stats.ttest_rel(table[:, 1], table[:, 0])
        adjusted = kenward_roger(ingredients)
        assert kenward_roger_df(ingredients)[1] == pytest.approx(10, rel=1e-9)
        assert found.beta[1] / np.sqrt(adjusted[1, 1]) == pytest.approx(wanted.statistic, rel=1e-9)

    def test_compound_symmetry_is_the_repeated_measures_analysis_of_variance(self) -> None:
        table, subject, visit = balanced(n=8, t=3)
        x = np.column_stack([np.ones(24), visit == 1, visit == 2]).astype(float)
        found = fit_residual_covariance(table.ravel(), x, subject, visit, n_visits=3, covariance="compound-symmetry")
        centred = table - table.mean(axis=1, keepdims=True)
        visits = 8 * np.sum((table.mean(axis=0) - table.mean()) ** 2) / 2
        error = np.sum((centred - centred.mean(axis=0)) ** 2) / 14
        test = kenward_roger_test(repeated_ingredients(found), np.eye(3)[:, 1:])
        assert (test.f, test.df2, test.scale) == pytest.approx((visits / error, 14, 1), rel=1e-9)

    def test_one_visit_is_least_squares(self) -> None:
        rng = np.random.default_rng(5)
        x = np.column_stack([np.ones(20), rng.normal(size=20)])
        y = x @ [3.0, 2.0] + rng.normal(size=20)
        found = fit_residual_covariance(
            y, x, np.arange(20), np.zeros(20, dtype=int), n_visits=1, covariance="unstructured"
        )
        line = stats.linregress(x[:, 1], y)
        assert found.beta[1] == pytest.approx(line.slope, rel=1e-10)
        assert np.sqrt(found.phi[1, 1]) == pytest.approx(line.stderr, rel=1e-9)
        np.testing.assert_allclose(kenward_roger_df(repeated_ingredients(found)), 18, rtol=1e-9)

    def test_independent_visits_with_their_own_means_are_sample_variances(self) -> None:
        table, subject, visit = balanced()
        found = fit_residual_covariance(
            table.ravel(), np.eye(4)[visit], subject, visit, n_visits=4, covariance="independent-by-visit"
        )
        np.testing.assert_allclose(found.theta, table.var(axis=0, ddof=1), rtol=1e-9)


class TestErrors:
    def call(self, y: np.ndarray, x: np.ndarray, s: np.ndarray, v: np.ndarray, word: str = "unstructured") -> Any:
        return fit_residual_covariance(y, x, s, v, n_visits=int(v.max()) + 1, covariance=word)

    def test_unknown_words(self) -> None:
        table, s, v = balanced()
        with pytest.raises(CallError, match="covariance is 'toeplitz'; allowed are 'unstructured'"):
            self.call(table.ravel(), np.eye(4)[v], s, v, "toeplitz")
        with pytest.raises(CallError, match="method is 'REML'"):
            fit_residual_covariance(
                table.ravel(), np.eye(4)[v], s, v, n_visits=4, covariance="unstructured", method="REML"
            )

    def test_repeated_visit(self) -> None:
        table, s, v = balanced()
        v = v.copy()
        v[1] = 0
        with pytest.raises(DataError, match="two rows at one visit"):
            self.call(table.ravel(), np.eye(4)[v], s, v)

    @pytest.mark.parametrize("word", COVARIANCE_WORDS)
    def test_constant_outcome(self, word: str) -> None:
        _, s, v = balanced()
        with pytest.raises(DesignError, match="leave no variation in the outcome"):
            self.call(np.full(36, 7.0), np.eye(4)[v], s, v, word)

    def test_dependent_columns(self) -> None:
        table, s, v = balanced()
        with pytest.raises(DesignError, match="linearly dependent"):
            self.call(table.ravel(), np.column_stack([np.ones(36), np.eye(4)[v]]), s, v)

    def test_visits_never_seen_together(self) -> None:
        table, s, v = balanced()
        keep = ~((v == 3) & (s < 5)) & ~((v == 0) & (s >= 5))
        subject = s[keep]
        with pytest.raises(DesignError, match="Visits number 1 and 4 were seen together in 0 subjects"):
            self.call(table.ravel()[keep], np.eye(4)[v[keep]], subject, v[keep])

    def test_one_row_a_subject(self) -> None:
        table, s, v = balanced()
        keep = v == s % 4
        with pytest.raises(DesignError, match="No subject was seen at two visits"):
            self.call(table.ravel()[keep], np.eye(4)[v[keep]], s[keep], v[keep], "autoregressive")

    def test_one_subject(self) -> None:
        with pytest.raises(DesignError, match="one subject only"):
            self.call(np.arange(4.0), np.ones((4, 1)), np.zeros(4, dtype=int), np.arange(4))

    def test_too_few_subjects_for_an_unstructured_covariance(self) -> None:
        table, s, v = balanced(n=3)  # four visits with their own means: a residual covariance of rank two, no optimum
        with pytest.raises(StudykitError, match="fewer parameters"):
            self.call(table.ravel(), np.eye(4)[v], s, v)


def test_a_fit_keeps_its_optimiser_s_log() -> None:
    table, subject, visit = balanced()
    found: RepeatedCovarianceFit = fit_residual_covariance(
        table.ravel(), np.eye(4)[visit], subject, visit, n_visits=4, covariance="autoregressive"
    )
    values = [step.value for step in found.log]
    assert values == sorted(values, reverse=True)
    assert found.gradient_norm < 1e-8
    assert fit_shape(found.shape, found.products, method="reml").log_likelihood == found.log_likelihood
