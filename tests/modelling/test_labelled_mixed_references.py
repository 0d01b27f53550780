"""Every mixed model of the reference set through `fit_mixed`: lme4 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2.

Tolerances are those of the references themselves: polished lme4 optima 1e-7, pbkrtest 1e-6, lmerTest (numerical
Hessian) 1e-5, lme4 profiles 1e-4, log-likelihoods 1e-9. Slightly wider ones say why where they stand.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pytest
from labelled_references import CASES, expected, in_r, table

from studykit.modelling import MixedFit, Varies, fit_mixed

NAMES = list(CASES)
# The variance between two raters is hardly determined, and lme4 leaves it at six digits in these two fits.
LOOSE = {"motion B": 5e-7, "motion G": 5e-7}


@cache
def fitted(name: str, method: str = "reml") -> MixedFit:
    return CASES[name].fit(method)


def by_term(rows: list[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    return {row["term"]: row for row in rows}


@pytest.mark.parametrize("method", ["reml", "ml"])
@pytest.mark.parametrize("name", NAMES)
class TestFits:
    def test_likelihood_fixed_effects_and_errors(self, name: str, method: str) -> None:
        found, wanted = fitted(name, method), CASES[name].wanted[method.upper()]
        assert found.converged
        assert found.boundary == wanted["singular"]
        assert found.n_rows == wanted["nobs"]
        assert found.log_likelihood == pytest.approx(wanted["logLik"], rel=1e-9)
        rows = found.coefficients("none").set_index("term")
        assert {in_r(term) for term in rows.index} == set(wanted["fixef"])
        for term, row in rows.iterrows():
            assert row["estimate"] == pytest.approx(wanted["fixef"][in_r(term)], rel=1e-7, abs=1e-8)
            assert row["std_error"] == pytest.approx(wanted["se"][in_r(term)], rel=1e-7)
        assert np.all(np.isinf(rows["df"]))

    def test_variances(self, name: str, method: str) -> None:
        found, wanted = fitted(name, method).variances(), CASES[name].wanted[method.upper()]["varcorr"]
        loose = LOOSE.get(name, 1e-7)
        assert len(found) == len(wanted)
        for row in wanted:
            group = "residual" if row["grp"] == "Residual" else row["grp"].removesuffix(".1")
            first = {"(Intercept)": "intercept", None: ""}.get(row["var1"], row["var1"])
            first = first.replace("MachineA", "Machine[A]").replace("MachineB", "Machine[B]")
            first = first.replace("MachineC", "Machine[C]")
            match = found[(found["group"] == group) & (found["effect"] == first)]
            if row["var2"] is None:
                mine = match[match["other_effect"] == ""]
                assert mine["variance"].item() == pytest.approx(row["vcov"], rel=loose)
                assert mine["sd"].item() == pytest.approx(row["sdcor"], rel=loose)
            else:
                other = row["var2"].replace("MachineB", "Machine[B]").replace("MachineC", "Machine[C]")
                mine = match[match["other_effect"] == other]
                # a covariance near zero holds its digits relative to the variances
                size = float(np.sqrt(np.prod(found["variance"].dropna().head(2))))
                assert mine["covariance"].item() == pytest.approx(row["vcov"], rel=loose, abs=loose * size)
                assert mine["correlation"].item() == pytest.approx(row["sdcor"], rel=10 * loose, abs=loose)


@pytest.mark.parametrize("name", [name for name in NAMES if "KR_coef" in CASES[name].wanted])
def test_kenward_roger_coefficients(name: str) -> None:
    found = fitted(name).coefficients().set_index("term")
    wanted = by_term(CASES[name].wanted["KR_coef"])
    limits = by_term(CASES[name].wanted.get("KR_ci95", []))
    for term, row in found.iterrows():
        theirs = wanted[in_r(term)]
        error, df = theirs.get("Std. Error", theirs.get("se")), theirs.get("df", theirs.get("ddf"))
        p = theirs.get("Pr(>|t|)", theirs.get("p"))
        assert row["std_error"] == pytest.approx(error, rel=1e-6)
        assert row["df"] == pytest.approx(df, rel=1e-6)
        assert row["p"] == pytest.approx(p, rel=1e-5, abs=1e-15)  # a relative error of t grows in the tail
        if limits:
            bounds = (limits[in_r(term)]["lower"], limits[in_r(term)]["upper"])
            assert (row["low"], row["high"]) == pytest.approx(bounds, rel=1e-6, abs=1e-7)


@pytest.mark.parametrize("name", [name for name in NAMES if "KR_vcov_adjusted" in CASES[name].wanted])
def test_kenward_roger_covariance(name: str) -> None:
    found, wanted = fitted(name).covariance(), CASES[name].wanted["KR_vcov_adjusted"]
    theirs = pd.DataFrame(
        np.atleast_2d(wanted["values"]), index=np.atleast_1d(wanted["rows"]), columns=np.atleast_1d(wanted["cols"])
    )
    theirs = theirs.loc[[in_r(term) for term in found.index], [in_r(term) for term in found.columns]]
    size = np.sqrt(np.outer(np.diag(theirs), np.diag(theirs)))
    np.testing.assert_allclose(found.to_numpy() / size, theirs.to_numpy() / size, atol=2e-6)


@pytest.mark.parametrize("name", NAMES)
def test_satterthwaite_coefficients(name: str) -> None:
    found = fitted(name).coefficients("satterthwaite").set_index("term")
    wanted = by_term(CASES[name].wanted["satterthwaite_coef"])
    for term, row in found.iterrows():
        theirs = wanted[in_r(term)]
        # lmerTest differentiates numerically
        assert row["df"] == pytest.approx(theirs["df"], rel=1e-5)
        assert row["p"] == pytest.approx(theirs["Pr(>|t|)"], rel=1e-4, abs=1e-12)


@pytest.mark.parametrize("name", [name for name in NAMES if CASES[name].wanted.get("KRmodcomp")])
def test_kenward_roger_joint_tests(name: str) -> None:
    found = fitted(name)
    for label, wanted in CASES[name].wanted["KRmodcomp"].items():
        rows = CASES[name].wanted["REML"]["vcov"]["rows"]
        matrix = pd.DataFrame(wanted["L"], columns=rows)
        names = {in_r(column): column for column in found.design.columns}
        test = found.joint_test(matrix.rename(columns=names))
        assert test.df1 == wanted["ndf"]
        assert test.df2 == pytest.approx(wanted["ddf"], rel=1e-6)
        assert test.f == pytest.approx(wanted["Fstat_scaled"], rel=2e-6)
        assert test.scale == pytest.approx(wanted["F_scaling"], rel=1e-6)
        assert test.p == pytest.approx(wanted["p"], rel=1e-4)
        if label.startswith("coefficients_of:"):
            term = label.removeprefix("coefficients_of:")
            term = {"visitf": "C(visit)", "wk": "C(week)", "treatment:visitf": "treatment:C(visit)"}.get(term, term)
            by_name = found.joint_test(term)
            assert (by_name.f, by_name.df2) == pytest.approx((test.f, test.df2), rel=1e-12)


def test_satterthwaite_joint_test_of_the_largest_interaction() -> None:
    # lmerTest's type III table; the highest-order interaction is the same hypothesis in any coding
    for name, term in (("cake", "recipe:temperature"), ("bodyweight", "Time:Diet"), ("machines unbalanced", "Machine")):
        rows = {row["term"]: row for row in CASES[name].wanted["anova_type3_satterthwaite"]}
        test = fitted(name).joint_test(term, "satterthwaite")
        assert test.f == pytest.approx(rows[term]["F value"], rel=1e-5)
        assert test.df2 == pytest.approx(rows[term]["DenDF"], rel=1e-4)


@pytest.mark.parametrize(
    "name", ["sleep", "sleep uncorrelated", "penicillin", "pastes", "dyestuff", "machines", "orthodont", "depression"]
)
def test_profile_intervals(name: str) -> None:
    found = fitted(name).variance_intervals()
    wanted = {row["par"]: row for row in CASES[name].wanted["profile_ci95_ML"]["table"]}
    for row in found.itertuples():
        if row.kind == "correlation":
            label = next(par for par in wanted if par.startswith("cor_"))
        else:
            effect = {"intercept": "(Intercept)"}.get(row.effect, row.effect)
            label = "sigma" if row.group == "residual" else f"sd_{effect}|{row.group}"
        # lme4 interpolates its profile: four digits, of an interval's width when a limit is near zero
        width = wanted[label]["upper"] - wanted[label]["lower"]
        assert (row.low, row.high) == pytest.approx(
            (wanted[label]["lower"], wanted[label]["upper"]), rel=1e-4, abs=1e-4 * width
        )


@pytest.mark.parametrize("name", [name for name in NAMES if CASES[name].wanted.get("ranef_REML")])
def test_predictions_of_random_effects(name: str) -> None:
    found = fitted(name).random_effects()
    for group, wanted in CASES[name].wanted["ranef_REML"].items():
        terms = wanted["terms"] if isinstance(wanted["terms"], list) else [wanted["terms"]]
        blup = np.reshape(wanted["blup"], (len(wanted["levels"]), len(terms)))
        deviation = np.reshape(wanted["cond_sd"], blup.shape) if wanted.get("cond_sd") is not None else None
        for place, term in enumerate(terms):
            effect = {"(Intercept)": "intercept"}.get(term, term)
            mine = found[(found["group"] == group) & (found["effect"] == effect)].set_index("level")
            mine = mine.loc[[str(level) for level in wanted["levels"]]]
            scale = np.abs(blup[:, place]).max()
            np.testing.assert_allclose(mine["prediction"], blup[:, place], rtol=1e-5, atol=1e-6 * scale)
            if deviation is not None:
                np.testing.assert_allclose(mine["sd_given_fixed_effects"], deviation[:, place], rtol=1e-5)


def test_a_slope_variance_on_the_boundary() -> None:
    case = expected("edge_cases")["nearly_singular_slope"]
    found = fit_mixed(
        table("nearly_singular_slope"), outcome="rom", fixed="week*arm", random=[Varies("pid", slope="week")]
    )
    assert found.boundary
    assert any("correlation of intercept and week by pid is" in note for note in found.notes)
    # the reference stops where its own tolerance ends on the boundary; ours must not be lower
    assert found.log_likelihood == pytest.approx(case["logLik_REML"], rel=1e-7)
    assert found.log_likelihood >= case["logLik_REML"] - 1e-6
    rows = found.coefficients("none").set_index("term")
    for term, row in rows.iterrows():
        assert row["estimate"] == pytest.approx(case["fixef"][in_r(term)], rel=1e-4)
        assert row["std_error"] == pytest.approx(case["se"][in_r(term)], rel=1e-3)
    inferred = found.coefficients()
    assert np.isfinite(inferred[["df", "p", "low", "high"]].to_numpy()).all()


def test_kenward_roger_is_not_satterthwaite_in_unbalanced_data() -> None:
    case = expected("edge_cases")["unbalanced_two_arms"]
    found = fit_mixed(table("unbalanced_two_arms"), outcome="y", fixed="w*g", random=[Varies("s")])
    for word, key in (("kenward-roger", "kenward_roger"), ("satterthwaite", "satterthwaite")):
        rows = by_term(case[key])
        for row in found.coefficients(word).itertuples():
            theirs = rows[in_r(row.term)]
            assert row.df == pytest.approx(theirs["df"], rel=2e-5)
            assert row.std_error == pytest.approx(theirs["Std. Error"], rel=1e-6)
    differ = found.coefficients()["df"] - found.coefficients("satterthwaite")["df"]
    assert np.abs(differ).max() > 0.01
