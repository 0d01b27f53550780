"""Every reference fit: lme4, lmerTest and pbkrtest (versions in tests/reference/README.md), at their own precision."""

from __future__ import annotations

import numpy as np
import pytest
from reference_mixed_models import (
    CASES,
    Case,
    boundary_case,
    nearly_singular_slope,
    reference_variances,
    unbalanced_two_arms,
)

from studykit.numerics.mixed.fit import VarianceComponentsFit, fit_variance_components
from studykit.numerics.mixed.small_sample import (
    kenward_roger,
    kenward_roger_df,
    kenward_roger_test,
    satterthwaite_df,
    satterthwaite_test,
)

# Precision of the references (tests/reference/README.md): log-likelihood 1e-9; estimates of polished fits 1e-7; the
# variances where the reference's own gradient is left at 5e-7 or more (its optimiser's last digits) 1e-6.
LOG_LIKELIHOOD, ESTIMATE, LOOSE_VARIANCE = 1e-9, 1e-7, 1e-6
KENWARD_ROGER, SATTERTHWAITE, PROFILE = 1e-6, 1e-5, 1e-4
# Fits without these in the reference: one whose n x n matrices were too many there, and those with a mean alone.
WITHOUT_KENWARD_ROGER = ("trial G",)
WITHOUT_TESTS = ("Penicillin", "Pastes", "Dyestuff", "trial F", "trial G")
NOT_POLISHED = ("BodyWeight", "trial B", "trial F", "trial G")
# The reference reads limits off a spline through few points of the profile, which is coarse where the profile bends
# (a standard deviation of few levels); test_mixed_dense_route.py shows that ours have the deviance they should.
COARSE_SPLINE = {("Dyestuff", "Batch"), ("Machines, unbalanced", "Worker"), ("trial A", "rater")}


@pytest.fixture(scope="module")
def fits() -> dict[tuple[str, str], tuple[Case, VarianceComponentsFit]]:
    made = {}
    for name, make in CASES.items():
        case = make()
        for method in ("reml", "ml"):
            made[name, method] = case, fit_variance_components(case.y, case.x, case.terms, method=method)
    return made


def _check_variances(fit: VarianceComponentsFit, block: dict, tolerance: float) -> None:
    """Each variance and covariance against the reference's, in sorted order; covariances on the scale of their SDs."""
    own = [(fit.residual_variance, fit.residual_variance)]
    for term, covariance in zip(fit.design.terms, fit.covariances, strict=True):
        spread = np.sqrt(np.diag(covariance))
        for row, column in zip(*np.tril_indices(term.width), strict=True):
            if row == column or term.correlated:
                own.append((covariance[row, column], spread[row] * spread[column]))
    values, scales = np.array(sorted(own)).T
    reference = np.array(sorted(reference_variances(block).values()))
    np.testing.assert_allclose(values / scales, reference / scales, atol=tolerance, rtol=0.0)


@pytest.mark.parametrize("method", ["reml", "ml"])
@pytest.mark.parametrize("name", list(CASES))
def test_fit_agrees_with_lme4(fits, name, method):
    case, fit = fits[name, method]
    block = case.expected[method.upper()]
    assert fit.log_likelihood == pytest.approx(block["logLik"], rel=LOG_LIKELIHOOD)
    np.testing.assert_allclose(fit.beta, list(block["fixef"].values()), rtol=ESTIMATE)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.phi)), list(block["se"].values()), rtol=ESTIMATE)
    _check_variances(fit, block, LOOSE_VARIANCE if name in NOT_POLISHED else ESTIMATE)
    assert fit.gradient_norm < 1e-8, "the engine's own optimum is far sharper than what it is compared with"


@pytest.mark.parametrize("name", [name for name in CASES if name not in WITHOUT_KENWARD_ROGER])
def test_kenward_roger_agrees_with_pbkrtest(fits, name):
    case, fit = fits[name, "reml"]
    record = case.expected
    ingredients = fit.ingredients()
    adjusted = kenward_roger(ingredients)
    reference = np.atleast_2d(record["KR_vcov_adjusted"]["values"])
    # Covariances near zero are compared on the scale of the standard errors that they belong to.
    scale = np.sqrt(np.outer(np.diag(reference), np.diag(reference)))
    np.testing.assert_allclose(adjusted / scale, reference / scale, atol=KENWARD_ROGER, rtol=0.0)
    degrees = [row.get("df", row.get("ddf")) for row in record["KR_coef"]]
    np.testing.assert_allclose(kenward_roger_df(ingredients), degrees, rtol=KENWARD_ROGER)


def test_kenward_roger_weights_agree_with_pbkrtest(fits):
    case, fit = fits["sleepstudy, intercept and slope", "reml"]
    reference = np.array(case.expected["KR_W_cov_of_variance_params"])
    np.testing.assert_allclose(fit.parameter_covariance(), reference, rtol=KENWARD_ROGER)


@pytest.mark.parametrize("name", [name for name in CASES if name not in WITHOUT_TESTS])
def test_kenward_roger_tests_agree_with_pbkrtest(fits, name):
    case, fit = fits[name, "reml"]
    tests = case.expected["KRmodcomp"]
    assert tests
    ingredients = fit.ingredients()
    for record in tests.values():
        contrast = np.array(record["L"], dtype=float).reshape(-1, fit.p).T
        test = kenward_roger_test(ingredients, contrast)
        assert test.df1 == record["ndf"]
        found = [test.f, test.df2, test.scale, test.p]
        named = [record["Fstat_scaled"], record["ddf"], record["F_scaling"], record["p"]]
        np.testing.assert_allclose(found, named, rtol=KENWARD_ROGER)


@pytest.mark.parametrize("name", list(CASES))
def test_satterthwaite_agrees_with_lmertest(fits, name):
    case, fit = fits[name, "reml"]
    ingredients = fit.ingredients()
    degrees = [row["df"] for row in case.expected["satterthwaite_coef"]]
    np.testing.assert_allclose(satterthwaite_df(ingredients), degrees, rtol=SATTERTHWAITE)


@pytest.mark.parametrize(
    ("name", "term", "places"),
    [
        ("Machines", "Machine", [1, 2]),
        ("Machines, unbalanced", "Machine", [1, 2]),
        ("Machines, three machines by worker", "Machine", [1, 2]),
        ("cake, linear", "recipe", [1, 2]),
        ("sleepstudy, uncorrelated", "Days", [1]),
    ],
)
def test_satterthwaite_f_tests_agree_with_lmertest(fits, name, term, places):
    case, fit = fits[name, "reml"]
    record = next(row for row in case.expected["anova_type3_satterthwaite"] if row["term"] == term)
    test = satterthwaite_test(fit.ingredients(), np.eye(fit.p)[:, places])
    assert test.f == pytest.approx(record["F value"], rel=ESTIMATE)
    assert (test.df1, test.df2) == (record["NumDF"], pytest.approx(record["DenDF"], rel=SATTERTHWAITE))
    assert test.p == pytest.approx(record["Pr(>F)"], rel=SATTERTHWAITE)


@pytest.mark.parametrize(
    "name",
    [name for name in CASES if name[:5] not in ("cake,", "trial") and "three machines" not in name] + ["trial A"],
)
def test_profile_intervals_agree_with_lme4(fits, name):
    case, fit = fits[name, "reml"]
    rows = {row["par"]: row for row in case.expected["profile_ci95_ML"]["table"]}
    words = {"slope": "Days" if "sleep" in name else "agec" if "Ortho" in name else "Time"}
    found = 0
    for interval in fit.profile_intervals(0.95):
        assert interval.deviance == "ml"
        if interval.term == "residual":
            row = rows["sigma"]
        else:
            group = interval.term.removesuffix(".1")
            effects = [words.get(column, "(Intercept)") for column in interval.columns]
            label = "sd_" + effects[0] if interval.kind == "sd" else "cor_" + ".".join(reversed(effects))
            row = rows[f"{label}|{group}"]
        # The reference reads its limits off a spline through the profile: 1e-4; a correlation on its scale of 1.
        absolute = PROFILE if interval.kind == "correlation" else 0.0
        relative = 6e-4 if (name, interval.term) in COARSE_SPLINE else PROFILE
        np.testing.assert_allclose(
            [interval.low, interval.high], [row["lower"], row["upper"]], rtol=relative, atol=absolute
        )
        found += 1
    assert found == sum(1 for par in rows if par.startswith(("sd_", "cor_", "sigma")))


@pytest.mark.parametrize(
    "name",
    [
        "sleepstudy, intercept and slope",
        "Penicillin",
        "Pastes",
        "Dyestuff",
        "Machines",
        "Orthodont, slope",
        "BodyWeight",
    ],
)
def test_predictions_agree_with_lme4(fits, name):
    case, fit = fits[name, "reml"]
    for effects in fit.random_effects():
        record = case.expected["ranef_REML"][effects.term]
        blup = np.atleast_2d(np.array(record["blup"], dtype=float)).reshape(len(record["levels"]), -1)
        spread = np.array(record["cond_sd"], dtype=float).reshape(-1, blup.shape[1]) if blup.shape[1] > 1 else None
        levels = [str(level) for level in record["levels"]]
        order = np.argsort(["|".join(level.split(":")) for level in levels])
        # Predictions move with the variances: the precision of the variances, on the scale of the largest effect.
        scale = np.abs(blup).max(axis=0)
        np.testing.assert_allclose(effects.effects / scale, blup[order] / scale, atol=1e-6, rtol=0.0)
        own = np.sqrt(np.einsum("lcc->lc", effects.conditional_covariance))
        if spread is None:
            spread = np.array(record["cond_sd"], dtype=float).ravel()[:, None]
        np.testing.assert_allclose(own, spread[order], rtol=1e-6)


def test_slope_variance_at_the_boundary_reaches_the_optimum_that_others_miss():
    case = nearly_singular_slope()
    fit = fit_variance_components(case.y, case.x, case.terms)
    assert fit.log_likelihood == pytest.approx(case.expected["logLik_REML"], rel=LOG_LIKELIHOOD)
    np.testing.assert_allclose(fit.beta, list(case.expected["fixef"].values()), rtol=ESTIMATE)
    # The reference stops at 1e-11 in its own parameters; on the boundary that is 1e-6 in variances.
    np.testing.assert_allclose(np.sqrt(np.diag(fit.phi)), list(case.expected["se"].values()), rtol=ESTIMATE)
    _check_variances(fit, case.expected, LOOSE_VARIANCE)
    assert fit.boundary == ("The correlation of intercept and week by pid is -1.",)
    assert np.isfinite(kenward_roger(fit.ingredients())).all()


def test_kenward_roger_and_satterthwaite_differ_where_the_reference_says_so():
    case = unbalanced_two_arms()
    fit = fit_variance_components(case.y, case.x, case.terms)
    ingredients = fit.ingredients()
    assert fit.log_likelihood == pytest.approx(case.expected["logLik_REML"], rel=LOG_LIKELIHOOD)
    rows = case.expected["kenward_roger"]
    np.testing.assert_allclose(kenward_roger_df(ingredients), [row["df"] for row in rows], rtol=KENWARD_ROGER)
    np.testing.assert_allclose(
        np.sqrt(np.diag(kenward_roger(ingredients))), [row["Std. Error"] for row in rows], rtol=KENWARD_ROGER
    )
    np.testing.assert_allclose(kenward_roger(ingredients), case.expected["KR_vcov_adjusted"], rtol=KENWARD_ROGER)
    rows = case.expected["satterthwaite"]
    np.testing.assert_allclose(satterthwaite_df(ingredients), [row["df"] for row in rows], rtol=SATTERTHWAITE)
    assert np.all(np.abs(kenward_roger_df(ingredients) - satterthwaite_df(ingredients)) > 0.05)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("nearly_singular_slope", "The correlation of intercept and week by pid is -1."),
        ("zero_rater_variance", "The variance of intercept by rater is zero."),
    ],
)
def test_inference_on_the_boundary_is_that_of_the_references(name, words):
    """Kenward–Roger keeps the component at zero in its sums (pbkrtest); Satterthwaite takes it as known (lmerTest)."""
    case = boundary_case(name)
    fit = fit_variance_components(case.y, case.x, case.terms)
    assert fit.boundary == (words,)
    ingredients, record = fit.ingredients(), case.expected
    np.testing.assert_allclose(kenward_roger_df(ingredients), record["kr_df"], rtol=KENWARD_ROGER)
    np.testing.assert_allclose(kenward_roger(ingredients), record["kr_vcov"], rtol=KENWARD_ROGER)
    np.testing.assert_allclose(satterthwaite_df(ingredients), record["satterthwaite_df"], rtol=SATTERTHWAITE)
    named = record["kr_test"]
    contrast = np.array(named["L"]).T
    test = kenward_roger_test(ingredients, contrast)
    found = [test.f, test.df2, test.scale, test.p]
    np.testing.assert_allclose(found, [named["f"], named["ddf"], named["scale"], named["p"]], rtol=KENWARD_ROGER)
    named, test = record["satterthwaite_test"], satterthwaite_test(ingredients, contrast)
    np.testing.assert_allclose([test.f, test.df2, test.p], [named["f"], named["ddf"], named["p"]], rtol=SATTERTHWAITE)
