"""Repeated visits through `fit_repeated`: mmrm 0.3.16 and nlme 3.1-162, by name."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest
from labelled_references import expected, in_r, table

from studykit.modelling import RepeatedFit, fit_repeated

# mmrm stops by its own tolerance: 1e-5. nlme's likelihood holds 1e-9, its estimates 1e-4.
MMRM = 1e-5
FEV = "RACE + SEX + ARMCD*AVISIT"


@cache
def lung(word: str) -> RepeatedFit:
    frame = table("fev_mmrm")
    frame["SEX"] = pd.Categorical(frame["SEX"], ["Male", "Female"])
    return fit_repeated(frame, outcome="FEV1", fixed=FEV, subject="USUBJID", visit="AVISIT", covariance=word)


@pytest.mark.parametrize(
    ("word", "key"), [("unstructured", "unstructured"), ("autoregressive", "ar1"), ("compound-symmetry", "cs")]
)
class TestLungFunction:
    def test_coefficients(self, word: str, key: str) -> None:
        found, wanted = lung_ordered(word), expected("trial_fev_mmrm")[key]
        assert found.log_likelihood == pytest.approx(wanted["Satterthwaite"]["logLik"], rel=1e-9)
        rows = {row["term"]: row for row in wanted["Satterthwaite"]["coefficients"]}
        for row in found.coefficients("satterthwaite").itertuples():
            theirs = rows[in_r(row.term)]
            assert (row.estimate, row.std_error, row.df) == pytest.approx(
                (theirs["Estimate"], theirs["Std. Error"], theirs["df"]), rel=MMRM
            )
            assert row.p == pytest.approx(theirs["Pr(>|t|)"], rel=1e-3, abs=1e-15)

    def test_terms(self, word: str, key: str) -> None:
        wanted = expected("trial_fev_mmrm")[key]["Satterthwaite"]["joint_tests_of_term_coefficients"]
        for term, theirs in wanted.items():
            test = lung_ordered(word).joint_test(term, "satterthwaite")
            assert (test.f, test.df1, test.df2) == pytest.approx(
                (theirs["f_stat"], theirs["num_df"], theirs["denom_df"]), rel=MMRM
            )


def lung_ordered(word: str) -> RepeatedFit:
    """The same fit with the visits as an ordered categorical, which an autoregressive covariance asks for."""
    frame = table("fev_mmrm")
    frame["SEX"] = pd.Categorical(frame["SEX"], ["Male", "Female"])
    frame["AVISIT"] = pd.Categorical(frame["AVISIT"], ["VIS1", "VIS2", "VIS3", "VIS4"], ordered=True)
    return fit_repeated(frame, outcome="FEV1", fixed=FEV, subject="USUBJID", visit="AVISIT", covariance=word)


@pytest.mark.parametrize("word", ["unstructured", "compound-symmetry"])
def test_kenward_roger_with_the_reference_s_information(word: str) -> None:
    # The reference takes the observed information; ours is the expected one unless asked.
    key = {"unstructured": "unstructured", "compound-symmetry": "cs"}[word]
    wanted = expected("trial_fev_mmrm")[key]["Kenward-Roger-Linear"]
    rows = {row["term"]: row for row in wanted["coefficients"]}
    for row in lung(word).coefficients(information="observed").itertuples():
        theirs = rows[in_r(row.term)]
        assert (row.std_error, row.df) == pytest.approx((theirs["Std. Error"], theirs["df"]), rel=MMRM)
    for term, theirs in wanted["joint_tests_of_term_coefficients"].items():
        test = lung(word).joint_test(term, information="observed")
        assert (test.f, test.df2) == pytest.approx((theirs["f_stat"], theirs["denom_df"]), rel=MMRM)


def test_means_and_contrasts_by_visit() -> None:
    wanted = expected("trial_fev_mmrm")["unstructured"]["Kenward-Roger-Linear"]
    means = lung("unstructured").marginal_means(["AVISIT", "ARMCD"], information="observed")
    for row, theirs in zip(means.itertuples(), wanted["emmeans"], strict=True):
        assert (theirs["AVISIT"], theirs["ARMCD"]) == (row.AVISIT, row.ARMCD)
        assert (row.estimate, row.std_error, row.df, row.low, row.high) == pytest.approx(
            (theirs["emmean"], theirs["SE"], theirs["df"], theirs["lower.CL"], theirs["upper.CL"]), rel=MMRM
        )
    pairs = lung("unstructured").contrasts("ARMCD", "pairwise", within="AVISIT", information="observed")
    for row, theirs in zip(pairs.itertuples(), wanted["contrasts_unadjusted"], strict=True):
        assert (row.contrast, row.AVISIT) == (theirs["contrast"], theirs["AVISIT"])
        assert (row.estimate, row.std_error, row.df, row.p) == pytest.approx(
            (theirs["estimate"], theirs["SE"], theirs["df"], theirs["p.value"]), rel=1e-4
        )


def test_missing_outcomes_are_counted_and_named() -> None:
    notes = lung("unstructured").notes
    assert notes[0] == "263 of 800 rows were left out because a value is missing ('FEV1' in 263; first: row 0)."
    assert any("reference level of 'SEX' is 'Male' (its first category)" in note for note in notes)
    assert any("variances and covariances as its parameters (linear" in note for note in notes)
    assert "The visits are text and stand in alphabetical order: 'VIS1', 'VIS2', 'VIS3', 'VIS4'." in notes


@pytest.mark.parametrize("method", ["reml", "ml"])
def test_growth_data(method: str) -> None:
    frame = table("Orthodont")
    frame["Sex"] = pd.Categorical(frame["Sex"], ["Male", "Female"])
    found = fit_repeated(
        frame,
        outcome="distance",
        fixed="Sex*age",
        subject="Subject",
        visit="age",
        covariance="unstructured",
        method=method,
    )
    wanted = expected("lmm_orthodont")[f"gls_unstructured_{method.upper()}"]
    # gls leaves its own likelihood 1e-8 short
    assert found.log_likelihood == pytest.approx(wanted["logLik"], rel=1e-7)
    assert found.log_likelihood >= wanted["logLik"] - 1e-9
    exact = expected("mmrm_orthodont")["ML" if method == "ml" else "REML_satterthwaite"]
    np.testing.assert_allclose(found.residual_covariance(), exact["covariance"]["values"], rtol=MMRM)
    rows = {row["term"]: row for row in exact["coefficients"]}
    for row in found.coefficients("satterthwaite").itertuples():
        theirs = rows[in_r(row.term)]
        assert (row.estimate, row.std_error, row.df) == pytest.approx(
            (theirs["Estimate"], theirs["Std. Error"], theirs["df"]), rel=MMRM
        )


@pytest.mark.parametrize(
    ("word", "key"), [("autoregressive", "gls_AR1_REML"), ("compound-symmetry", "gls_compound_symmetry_REML")]
)
def test_growth_data_with_fewer_parameters(word: str, key: str) -> None:
    frame = table("Orthodont")
    frame["Sex"] = pd.Categorical(frame["Sex"], ["Male", "Female"])
    found = fit_repeated(frame, outcome="distance", fixed="Sex*age", subject="Subject", visit="age", covariance=word)
    wanted = expected("lmm_orthodont")[key]
    assert found.log_likelihood == pytest.approx(wanted["logLik"], rel=1e-8)
    parameter = next(iter(wanted["cor_params_unconstrained"].values()))
    assert found.variances()["correlation"].dropna().iloc[0] == pytest.approx(parameter, rel=1e-4)
    assert found.variances()["sd"].iloc[0] == pytest.approx(wanted["sigma"], rel=1e-4)


def test_common_baseline() -> None:
    frame = table("BtheB_clda_long")
    found = fit_repeated(
        frame,
        outcome="bdi",
        fixed="C(visit) + trt_v2 + trt_v3 + trt_v5 + trt_v8",
        subject="id",
        visit="visit",
        covariance="unstructured",
    )
    wanted = expected("trial_BtheB_cLDA")
    gls = wanted["gls_unstructured_REML"]
    assert found.log_likelihood == pytest.approx(gls["logLik"], rel=1e-9)
    for row in found.coefficients("none").itertuples():
        assert row.estimate == pytest.approx(gls["fixef"][in_r(row.term)], rel=1e-4, abs=1e-4)
        assert row.std_error == pytest.approx(gls["se"][in_r(row.term)], rel=1e-4)
    rows = {row["term"]: row for row in wanted["mmrm_unstructured"]["Kenward-Roger-Linear"]["coefficients"]}
    for row in found.coefficients(information="observed").itertuples():
        theirs = rows[in_r(row.term)]
        assert (row.std_error, row.df) == pytest.approx((theirs["Std. Error"], theirs["df"]), rel=MMRM)


@pytest.mark.parametrize(
    ("word", "key", "mmrm"),
    [
        ("unstructured", "gls_unstructured_REML", "unstructured"),
        ("autoregressive", "gls_AR1_by_occasion_REML", "ar1"),
        ("compound-symmetry", "gls_compound_symmetry_REML", "cs"),
    ],
)
def test_depression_trial(word: str, key: str, mmrm: str) -> None:
    frame = table("BtheB_long_complete_rows")
    frame["treatment"] = pd.Categorical(frame["treatment"], ["TAU", "BtheB"])
    found = fit_repeated(
        frame,
        outcome="bdi",
        fixed="bdi_pre + treatment*C(visit) + drug + length",
        subject="id",
        visit="visit",
        covariance=word,
    )
    assert found.log_likelihood == pytest.approx(expected("trial_BtheB")[key]["logLik"], rel=1e-9)
    wanted = expected("trial_BtheB")["mmrm"][mmrm]
    rows = {row["term"]: row for row in wanted["Satterthwaite"]["coefficients"]}
    for row in found.coefficients("satterthwaite").itertuples():
        theirs = rows[in_r(row.term)]
        assert (row.estimate, row.std_error, row.df) == pytest.approx(
            (theirs["Estimate"], theirs["Std. Error"], theirs["df"]), rel=2 * MMRM
        )
    uneven = [note for note in found.notes if "not evenly spaced" in note]
    assert len(uneven) == (word == "autoregressive")  # months 2, 3, 5, 8
    if word == "unstructured":
        linear = wanted["Kenward-Roger-Linear"]
        pairs = found.contrasts("treatment", "pairwise", within="visit", information="observed")
        for row, theirs in zip(pairs.itertuples(), linear["contrasts_unadjusted"], strict=True):
            assert (row.estimate, row.std_error, row.df) == pytest.approx(
                (theirs["estimate"], theirs["SE"], theirs["df"]), rel=2 * MMRM
            )
