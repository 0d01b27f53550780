"""SEM and MDC: reference values, printed values, identities, properties."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from studykit.errors import CallError, DataError
from studykit.numerics.anova import two_way_mean_squares
from studykit.numerics.icc import icc_value
from studykit.numerics.precision import coefficient_of_variation, mdc, sem, sem_from_icc

REFERENCE = Path(__file__).parents[1] / "reference"
FORMULA = 1e-10  # the reference is the same formula at 15 digits
WEIR = np.array([[146, 148, 170, 90, 157, 156, 176, 205], [140, 152, 152, 99, 145, 153, 167, 218]]).T


@pytest.mark.parametrize(
    ("name", "file"), [("icc_shrout_fleiss_1979", "shrout_fleiss_1979"), ("icc_video_irr", "video_irr")]
)
def test_sem_and_mdc_equal_the_reference(name: str, file: str) -> None:
    expected = json.loads((REFERENCE / "expected" / f"{name}.json").read_text())["anova_formulas"]
    table = pd.read_csv(REFERENCE / "data" / f"{file}.csv").iloc[:, 1:].to_numpy(float)
    ms = two_way_mean_squares(table)
    for form, theirs in (
        ("consistency", "sem_consistency_sqrt_MSE"),
        ("agreement", "sem_agreement_sqrt_var_rater_plus_error"),
        ("one-way", "sem_one_way_sqrt_MSW"),
    ):
        got = sem(ms, form=form)
        assert float(got.sem) == pytest.approx(expected["sem"][theirs], rel=FORMULA)
        assert float(mdc(got.sem)) == pytest.approx(expected["mdc95"][f"mdc_{form.replace('-', '_')}"], rel=FORMULA)
    limits = expected["sem_ci95_consistency_chisq"]
    got = sem(ms, form="consistency")
    assert [float(got.low), float(got.high)] == pytest.approx([limits["lower"], limits["upper"]], rel=FORMULA)
    indirect = sem_from_icc(float(np.std(table, ddof=1)), icc_value(ms, form="agreement"))
    assert float(indirect) == pytest.approx(expected["sem"]["sem_from_sd_and_icc21"], rel=FORMULA)


def test_sem_and_minimal_difference_printed_by_weir() -> None:
    """Weir (2005), J. Strength Cond. Res. 19, 231-240, data set A: SEM 7.6, minimal difference 1.96 sqrt(2) SEM."""
    got = sem(two_way_mean_squares(WEIR), form="consistency")
    assert float(got.sem) == pytest.approx(7.6, abs=0.05)
    assert float(mdc(got.sem)) == pytest.approx(20.9463475409538, rel=FORMULA)


def test_intervals_of_one_mean_square_are_chi_square() -> None:
    ms = two_way_mean_squares(WEIR)
    got = sem(ms, form="one-way", confidence=0.9)
    expected = [np.sqrt(8 * float(ms.within) / stats.chi2.ppf(p, 8)) for p in (0.95, 0.05)]
    assert [float(got.low), float(got.high)] == pytest.approx(expected, rel=1e-12)
    assert float(got.df) == 8.0


def test_mean_of_k_trials_shrinks_by_the_root_of_k() -> None:
    ms = two_way_mean_squares(WEIR)
    one, four = sem(ms, form="agreement"), sem(ms, form="agreement", measurements=4)
    for name in ("sem", "low", "high"):
        assert float(getattr(four, name)) == pytest.approx(float(getattr(one, name)) / 2.0, rel=1e-14)
    with pytest.raises(CallError, match="at least 1"):
        sem(ms, form="agreement", measurements=0)


def test_mdc_level_moves_with_the_normal_quantile() -> None:
    ratio = float(mdc(1.0, confidence=0.95)) / float(mdc(1.0, confidence=0.90))
    assert ratio == pytest.approx(1.959963984540054 / 1.6448536269514722, rel=1e-12)


tables = arrays(np.float64, (7, 3), elements=st.integers(20, 80).map(float))


@given(tables)
def test_agreement_and_one_way_are_one_number_with_different_intervals(ratings: np.ndarray) -> None:
    """c / n + (n - 1) e / n is the mean square within targets: an identity of the sums of squares."""
    ms = two_way_mean_squares(ratings)
    agreement, one_way = sem(ms, form="agreement"), sem(ms, form="one-way")
    assert float(agreement.sem) == pytest.approx(float(one_way.sem), rel=1e-9, abs=1e-9)


@given(tables, st.floats(0.1, 20.0), st.floats(-50.0, 50.0))
def test_sem_scales_with_the_unit_and_ignores_the_zero(ratings: np.ndarray, scale: float, offset: float) -> None:
    for form in ("agreement", "consistency"):
        before = sem(two_way_mean_squares(ratings), form=form)
        after = sem(two_way_mean_squares(ratings * scale + offset), form=form)
        for name in ("sem", "low", "high"):
            assert float(getattr(after, name)) == pytest.approx(
                float(getattr(before, name)) * scale, rel=1e-7, abs=1e-9 * scale
            )


def test_perfect_agreement_has_no_error_and_no_width() -> None:
    ms = two_way_mean_squares(np.repeat([[40.1], [50.2], [61.3]], 2, axis=1))
    for form in ("agreement", "consistency", "one-way"):
        got = sem(ms, form=form)
        assert (float(got.sem), float(got.low), float(got.high)) == (0.0, 0.0, 0.0)


def test_coefficient_of_variation_by_hand() -> None:
    # pairs (9, 11) and (18, 22): s / m = sqrt(2) / 10 in both, so the root mean square is sqrt(0.02)
    got = coefficient_of_variation([[9.0, 11.0], [18.0, 22.0]])
    assert got.root_mean_square == pytest.approx(np.sqrt(0.02), rel=1e-12)
    logs = np.log(11 / 9) / np.sqrt(2)
    assert got.logarithmic == pytest.approx(np.expm1(logs), rel=1e-12)
    assert got.log_low < got.logarithmic < got.log_high


def test_coefficient_of_variation_of_three_values_a_target() -> None:
    table = np.array([[9.0, 10.0, 11.5], [18.0, 22.0, 20.0], [30.0, 33.0, 29.0], [41.0, 40.0, 44.0]])
    got = coefficient_of_variation(table)
    within = float(np.log(table).var(axis=1, ddof=1).mean())
    assert got.logarithmic == pytest.approx(np.expm1(np.sqrt(within)), rel=1e-12)
    ends = [np.expm1(np.sqrt(8 * within / stats.chi2.ppf(p, 8))) for p in (0.975, 0.025)]
    assert [got.log_low, got.log_high] == pytest.approx(ends, rel=1e-10)
    shares = table.std(axis=1, ddof=1) / table.mean(axis=1)
    assert got.root_mean_square == pytest.approx(np.sqrt((shares**2).mean()), rel=1e-12)


def test_agreement_interval_adds_the_mean_squares_of_raters_and_error() -> None:
    """Graybill & Wang written out with scipy's chi-square."""
    ms = two_way_mean_squares(WEIR)
    terms, dfs = [float(ms.columns) / 8, float(ms.error) * 7 / 8], [1, 7]
    total = sum(terms)
    down = sum(((1 - d / stats.chi2.ppf(0.975, d)) * t) ** 2 for t, d in zip(terms, dfs, strict=True))
    up = sum(((d / stats.chi2.ppf(0.025, d) - 1) * t) ** 2 for t, d in zip(terms, dfs, strict=True))
    got = sem(ms, form="agreement")
    assert [float(got.low), float(got.high)] == pytest.approx(
        [np.sqrt(total - np.sqrt(down)), np.sqrt(total + np.sqrt(up))], rel=1e-10
    )
    estimated = sem(ms, form="agreement", interval="satterthwaite")
    df = total**2 / sum(t**2 / d for t, d in zip(terms, dfs, strict=True))
    assert float(estimated.df) == pytest.approx(df, rel=1e-12)
    ends = [np.sqrt(df * total / stats.chi2.ppf(p, df)) for p in (0.975, 0.025)]
    assert [float(estimated.low), float(estimated.high)] == pytest.approx(ends, rel=1e-10)


def test_coefficient_of_variation_needs_a_true_zero() -> None:
    with pytest.raises(DataError, match="1 of 4 values are 0 or below"):
        coefficient_of_variation([[9.0, 11.0], [-2.0, 22.0]])
