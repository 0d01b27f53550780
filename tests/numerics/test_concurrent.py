"""Concurrent inter- and intra-rater reliability: the published goniometer study, identities, degenerate tables."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.errors import CallError
from studykit.numerics.anova import crossed_mean_squares, two_way_mean_squares
from studykit.numerics.concurrent import concurrent_reliability
from studykit.numerics.icc import icc, icc_value
from studykit.numerics.precision import mdc

REFERENCE = Path(__file__).parents[1] / "reference"
EXPECTED = json.loads((REFERENCE / "expected" / "goniometer_eliasziw_1994.json").read_text())
FORMULA = 1e-10  # the reference is the same formula at 15 digits


def angles() -> np.ndarray:
    frame = pd.read_csv(REFERENCE / "data" / "eliasziw_goniometer_1994.csv")
    return frame.sort_values(["subject", "rater", "trial"])["angle"].to_numpy(float).reshape(29, 2, 3)


@pytest.mark.parametrize("raters", ["random", "fixed"])
def test_coefficients_and_errors_equal_the_reference(raters: str) -> None:
    reference = EXPECTED["eliasziw_formulas"]
    part = reference[f"{raters}_raters"]
    got = concurrent_reliability(crossed_mean_squares(angles()), raters=raters)
    assert float(got.inter) == pytest.approx(part["rho_inter"], rel=FORMULA)
    assert float(got.intra) == pytest.approx(part["rho_intra"], rel=FORMULA)
    assert got.intra_by_rater == pytest.approx(list(part["rho_intra_by_rater"].values()), rel=FORMULA)
    assert float(got.sem_inter.sem) == pytest.approx(part["SEM_inter"], rel=FORMULA)
    assert float(got.sem_intra.sem) == pytest.approx(reference["SEM_intra"], rel=FORMULA)
    by_rater = list(reference["SEM_intra_by_rater"].values())
    assert got.sem_intra_by_rater.sem == pytest.approx(by_rater, rel=FORMULA)
    assert float(mdc(got.sem_intra.sem)) == pytest.approx(reference["MDC95_intra"], rel=FORMULA)
    if raters == "random":
        assert float(mdc(got.sem_inter.sem)) == pytest.approx(reference["MDC95_inter_random"], rel=FORMULA)


@pytest.mark.parametrize("raters", ["random", "fixed"])
def test_lower_limits_and_tests_equal_a_second_program(raters: str) -> None:
    reference = EXPECTED["irr_relInterIntra"]
    got = concurrent_reliability(crossed_mean_squares(angles()), raters=raters, inter_null=0.6, intra_null=0.8)
    assert float(got.inter_lower) == pytest.approx(reference["lowvalue"][f"lowinter.{raters}"], rel=FORMULA)
    assert float(got.intra_lower) == pytest.approx(reference["lowvalue"]["lowintra"], rel=FORMULA)
    each = [reference["lowvalue"][f"lowintra.R{i}"] for i in (1, 2)]
    assert got.intra_by_rater_lower == pytest.approx(each, rel=FORMULA)
    assert float(got.inter_f) == pytest.approx(reference["Fs"]["Finter"], rel=FORMULA)
    assert float(got.inter_p) == pytest.approx(reference["pvalue"]["pvalue.Finter"], rel=1e-4)  # printed as 1 - cdf
    assert float(got.intra_f) == pytest.approx(reference["Fs"]["Fintra"], rel=FORMULA)
    assert got.intra_by_rater_f == pytest.approx([reference["Fs"][f"Fintra.R{i}"] for i in (1, 2)], rel=FORMULA)
    # the reference prints 1 - cdf, which is 0 here; its degrees of freedom are 28 and 58
    assert float(got.intra_p) == pytest.approx(stats.f.sf(reference["Fs"]["Fintra"], 28, 58), rel=1e-8)
    each_p = [stats.f.sf(reference["Fs"][f"Fintra.R{i}"], 28, 58) for i in (1, 2)]
    assert got.intra_by_rater_p.tolist() == pytest.approx(each_p, rel=1e-8)


def test_two_sided_interval_of_one_trial_each_is_that_of_the_agreement_form() -> None:
    """With error-free trials the inter-rater limits must be McGraw & Wong's: n targets, one reading a cell."""
    table = np.random.default_rng(2).normal(40, 6, (12, 1)) + np.random.default_rng(3).normal(0, 2, (12, 3))
    got = concurrent_reliability(crossed_mean_squares(np.repeat(table[:, :, None], 2, axis=2)), raters="random")
    direct = icc(two_way_mean_squares(table), form="agreement")
    assert float(got.inter) == pytest.approx(float(direct.value), rel=1e-10)
    assert float(got.inter_interval[0]) == pytest.approx(float(direct.low), rel=1e-10)
    assert float(got.inter_interval[1]) == pytest.approx(float(direct.high), rel=1e-10)


def test_two_sided_intra_interval_of_a_fixed_single_question_is_the_one_way_form() -> None:
    """Raters without interaction or difference: all cells are one-way repeats, n t targets by m trials nearly."""
    rng = np.random.default_rng(4)
    table = rng.normal(40, 6, (400, 1, 1)) + rng.normal(0, 5, (400, 2, 1)) + rng.normal(0, 2, (400, 2, 3))
    got = concurrent_reliability(crossed_mean_squares(table), raters="fixed")
    flat = icc(two_way_mean_squares(table.reshape(800, 3)), form="one-way")
    # pooled cells are 800 correlated targets: the limits differ by the loss of degrees of freedom only
    assert float(got.intra_interval[0]) == pytest.approx(float(flat.low), abs=0.02)
    assert float(got.intra_interval[1]) == pytest.approx(float(flat.high), abs=0.02)


def test_mean_of_all_trials_is_the_agreement_form_on_means() -> None:
    """Second route for averaged readings: average first, then McGraw & Wong's two-way forms."""
    reference = EXPECTED["between_raters_on_trial_means"]["anova_formulas"]
    ms = crossed_mean_squares(angles())
    random, fixed = (concurrent_reliability(ms, raters=raters, readings=3) for raters in ("random", "fixed"))
    agreement, consistency = reference["icc"][1], reference["icc"][2]
    assert float(random.inter) == pytest.approx(agreement["icc"], rel=FORMULA)
    limits = [float(limit) for limit in random.inter_interval]
    assert limits == pytest.approx([agreement["ci95_lower"], agreement["ci95_upper"]], rel=FORMULA)
    assert float(fixed.inter) == pytest.approx(consistency["icc"], rel=FORMULA)
    sems = reference["sem"]
    assert float(random.sem_inter.sem) == pytest.approx(sems["sem_agreement_sqrt_var_rater_plus_error"], rel=FORMULA)
    assert float(fixed.sem_inter.sem) == pytest.approx(sems["sem_consistency_sqrt_MSE"], rel=FORMULA)
    interval = reference["sem_ci95_consistency_chisq"]
    assert float(fixed.sem_inter.low) == pytest.approx(interval["lower"], rel=FORMULA)
    assert float(fixed.sem_inter.high) == pytest.approx(interval["upper"], rel=FORMULA)


def test_more_readings_than_trials_extrapolate() -> None:
    got = [concurrent_reliability(crossed_mean_squares(angles()), raters="random", readings=q) for q in (1, 3, 6)]
    assert [float(g.sem_intra.sem) for g in got] == sorted((float(g.sem_intra.sem) for g in got), reverse=True)
    assert float(got[2].sem_inter.low) < float(got[2].sem_inter.sem) < float(got[2].sem_inter.high)
    with pytest.raises(CallError, match="at least 1 is averaged"):
        concurrent_reliability(crossed_mean_squares(angles()), raters="random", readings=0)


def test_components_equal_a_mixed_model_at_its_digits() -> None:
    reml = {row["grp"]: row["vcov"] for row in EXPECTED["lme4_REML_varcomp"]}
    got = concurrent_reliability(crossed_mean_squares(angles()), raters="random")
    total = sum(reml.values())
    assert float(got.inter) == pytest.approx(reml["subject"] / total, rel=1e-6)  # optimiser stops at 1e-7 of a variance
    assert float(got.intra) == pytest.approx(1 - reml["Residual"] / total, rel=1e-6)


def test_rater_fixed_agrees_with_consistency_on_means_when_trials_are_exact() -> None:
    """Trials without error: fixed inter-rater reliability is the consistency ICC of one reading."""
    table = np.random.default_rng(2).normal(40, 6, (8, 1)) + np.random.default_rng(3).normal(0, 2, (8, 3))
    got = concurrent_reliability(crossed_mean_squares(np.repeat(table[:, :, None], 2, axis=2)), raters="fixed")
    ms = two_way_mean_squares(table)
    assert float(got.inter) == pytest.approx(float(icc_value(ms, form="consistency")), rel=1e-10)
    assert float(got.intra) == 1.0
    assert float(got.sem_intra.high) == 0.0


@pytest.mark.parametrize("raters", ["random", "fixed"])
def test_interval_of_the_error_between_raters_adds_mean_squares(raters: str) -> None:
    """Graybill & Wang written out with scipy's chi-square: n 29, t 2, m 3."""
    ms = crossed_mean_squares(angles())
    trial, both, rater = float(ms.error) * 2 / 3, float(ms.interaction), float(ms.raters)
    terms = [(both / 3, 28), (trial, 116)]
    if raters == "random":
        terms = [(rater / 87, 1), (both * 28 / 87, 28), (trial, 116)]
    total = sum(term for term, _ in terms)
    down = sum(((1 - df / stats.chi2.ppf(0.975, df)) * term) ** 2 for term, df in terms)
    up = sum(((df / stats.chi2.ppf(0.025, df) - 1) * term) ** 2 for term, df in terms)
    got = concurrent_reliability(ms, raters=raters).sem_inter
    assert float(got.low) == pytest.approx(np.sqrt(total - np.sqrt(down)), rel=1e-10)
    assert float(got.high) == pytest.approx(np.sqrt(total + np.sqrt(up)), rel=1e-10)


@pytest.mark.parametrize("raters", ["random", "fixed"])
def test_interval_within_raters_is_the_f_ratio_of_cells_and_trials(raters: str) -> None:
    ms = crossed_mean_squares(angles())
    targets, both, rater, trial = (float(x) for x in (ms.targets, ms.interaction, ms.raters, ms.error))
    terms = [(targets / 2, 28), (both / 2, 28)]
    if raters == "random":
        terms = [(targets / 2, 28), (both * (1 / 2 - 1 / 29), 28), (rater / 29, 1)]
    cells = sum(term for term, _ in terms)
    df = cells**2 / sum(term**2 / d for term, d in terms)
    ends = [cells / trial / stats.f.ppf(0.975, df, 116), cells / trial * stats.f.ppf(0.975, 116, df)]
    got = concurrent_reliability(ms, raters=raters)
    assert [float(x) for x in got.intra_interval] == pytest.approx([(x - 1) / (x + 2) for x in ends], rel=1e-9)
    first = [cells / float(ms.error_by_rater[0]) / stats.f.ppf(0.975, df, 58), 0.0]
    assert float(got.intra_by_rater_interval[0][0]) == pytest.approx((first[0] - 1) / (first[0] + 2), rel=1e-9)


def test_intervals_enclose_the_errors() -> None:
    got = concurrent_reliability(crossed_mean_squares(angles()), raters="random")
    for size in (got.sem_inter, got.sem_intra, got.sem_intra_by_rater):
        assert np.all(size.low < size.sem)
        assert np.all(size.sem < size.high)


def test_constant_ratings_have_no_coefficient() -> None:
    got = concurrent_reliability(crossed_mean_squares(np.full((4, 2, 3), 10.0)), raters="random")
    assert np.isnan(got.inter)
    assert float(got.sem_inter.sem) == 0.0


def test_unknown_words_and_nulls_are_refused() -> None:
    ms = crossed_mean_squares(angles())
    with pytest.raises(CallError, match="raters is 'some'"):
        concurrent_reliability(ms, raters="some")
    with pytest.raises(CallError, match="0 <= null < 1"):
        concurrent_reliability(ms, raters="fixed", inter_null=1.0)


def test_a_negative_correlation_between_raters_lies_inside_its_interval() -> None:
    rng = np.random.default_rng(5)
    table = rng.normal(0.0, 1.0, (200, 6, 3, 1)) + rng.normal(0.0, 0.7, (200, 6, 3, 2))
    table -= 0.9 * table.mean(axis=(-2, -1), keepdims=True)
    got = concurrent_reliability(crossed_mean_squares(table), raters="random")
    low, high = got.inter_interval
    negative = got.inter < 0.0
    assert negative.sum() > 150
    assert np.all((low < got.inter)[negative])
    assert np.all((got.inter < high)[negative])
