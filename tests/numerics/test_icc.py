"""Intraclass correlation: reference values, exact fractions, a second library, properties, degenerate tables."""

from __future__ import annotations

import json
import warnings
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from studykit.errors import CallError
from studykit.numerics.anova import two_way_mean_squares
from studykit.numerics.icc import FORMS, icc, icc_value, spearman_brown, spearman_brown_back

REFERENCE = Path(__file__).parents[1] / "reference"
FORMULA = 1e-10  # the reference is the same formula at 15 digits
SETS = ("icc_shrout_fleiss_1979", "icc_wine_pingouin", "icc_video_irr")
NAMES = {
    "one-way single": ("one-way", False),
    "two-way agreement single": ("agreement", False),
    "two-way consistency single": ("consistency", False),
    "one-way average": ("one-way", True),
    "two-way agreement average": ("agreement", True),
    "two-way consistency average": ("consistency", True),
}


def ratings_of(name: str) -> np.ndarray:
    if name == "icc_wine_pingouin":
        frame = pd.read_csv(REFERENCE / "data" / "wine_pingouin.csv")
        return frame.pivot_table(index="Wine", columns="Judge", values="Scores").to_numpy(float)
    file = {"icc_shrout_fleiss_1979": "shrout_fleiss_1979.csv", "icc_video_irr": "video_irr.csv"}[name]
    return pd.read_csv(REFERENCE / "data" / file).iloc[:, 1:].to_numpy(float)


@pytest.mark.parametrize("name", SETS)
def test_six_formulas_equal_the_reference(name: str) -> None:
    expected = json.loads((REFERENCE / "expected" / f"{name}.json").read_text())
    ms = two_way_mean_squares(ratings_of(name))
    for row in expected["anova_formulas"]["icc"]:
        form, averaged = NAMES[row["form"]]
        got = icc(ms, form=form, averaged=averaged)
        for mine, theirs in (
            ("value", "icc"),
            ("f", "F"),
            ("df1", "df1"),
            ("df2", "df2"),
            ("p", "p"),
            ("low", "ci95_lower"),
            ("high", "ci95_upper"),
        ):
            assert float(getattr(got, mine)) == pytest.approx(row[theirs], rel=FORMULA), (row["form"], mine)


def test_values_printed_by_shrout_and_fleiss() -> None:
    """Shrout & Fleiss (1979), table 4, two decimals."""
    ms = two_way_mean_squares(ratings_of("icc_shrout_fleiss_1979"))
    printed = {
        ("one-way", False): 0.17,
        ("agreement", False): 0.29,
        ("consistency", False): 0.71,
        ("one-way", True): 0.44,
        ("agreement", True): 0.62,
        ("consistency", True): 0.91,
    }
    for (form, averaged), value in printed.items():
        assert float(icc_value(ms, form=form, averaged=averaged)) == pytest.approx(value, abs=0.005)


def test_trial_data_printed_by_weir() -> None:
    """Weir (2005), J. Strength Cond. Res. 19, 231-240, data set A: ICC(2,1) 0.95 and ICC(3,1) 0.95."""
    table = np.array([[146, 148, 170, 90, 157, 156, 176, 205], [140, 152, 152, 99, 145, 153, 167, 218]]).T
    ms = two_way_mean_squares(table)
    assert float(icc_value(ms, form="agreement")) == pytest.approx(0.949975070633206, rel=FORMULA)
    assert float(icc_value(ms, form="consistency")) == pytest.approx(0.947016137048941, rel=FORMULA)


def test_small_table_in_exact_fractions() -> None:
    x = [[1, 2], [3, 5], [4, 4]]
    n, k = 3, 2
    grand = Fraction(19, 6)
    row = [Fraction(3, 2), Fraction(4), Fraction(4)]
    column = [Fraction(8, 3), Fraction(11, 3)]
    msr = k * sum((m - grand) ** 2 for m in row) / (n - 1)
    msc = n * sum((m - grand) ** 2 for m in column) / (k - 1)
    cells = [(i, j) for i in range(n) for j in range(k)]
    msw = sum((x[i][j] - row[i]) ** 2 for i, j in cells) / Fraction(n * (k - 1))
    mse = sum((x[i][j] - row[i] - column[j] + grand) ** 2 for i, j in cells) / Fraction((n - 1) * (k - 1))
    ms = two_way_mean_squares(x)
    exact = {
        ("one-way", False): (msr - msw) / (msr + (k - 1) * msw),
        ("one-way", True): (msr - msw) / msr,
        ("consistency", False): (msr - mse) / (msr + (k - 1) * mse),
        ("consistency", True): (msr - mse) / msr,
        ("agreement", False): (msr - mse) / (msr + (k - 1) * mse + k * (msc - mse) / n),
        ("agreement", True): (msr - mse) / (msr + (msc - mse) / n),
    }
    for (form, averaged), fraction in exact.items():
        assert float(icc_value(ms, form=form, averaged=averaged)) == pytest.approx(float(fraction), rel=1e-13)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_second_library_gives_the_same_digits(seed: int) -> None:
    """pingouin 0.7 with the rounding of its intervals switched off."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its import and pandas 3.1 warn about each other
        import pingouin as pg

        rng = np.random.default_rng(seed)
        table = rng.normal(55.0, 9.0, (14, 1)) + rng.normal(0.0, 2.0, (1, 3)) + rng.normal(0.0, 3.0, (14, 3))
        frame = pd.DataFrame(
            {
                "target": np.repeat(np.arange(14), 3),
                "rater": np.tile(["a", "b", "c"], 14),
                "value": table.ravel(),
            }
        )
        before = pg.options["round.column.CI95"]
        pg.options["round.column.CI95"] = None
        try:
            other = pg.intraclass_corr(frame, targets="target", raters="rater", ratings="value")
        finally:
            pg.options["round.column.CI95"] = before
    ms = two_way_mean_squares(table)
    interval = next(name for name in other.columns if name.startswith("CI95"))
    order = ["one-way", "agreement", "consistency"]
    for i, (_, row) in enumerate(other.iterrows()):
        got = icc(ms, form=order[i % 3], averaged=i >= 3)
        assert float(got.value) == pytest.approx(row["ICC"], rel=FORMULA)
        assert [float(got.low), float(got.high)] == pytest.approx(list(row[interval]), rel=FORMULA)
        assert float(got.f) == pytest.approx(row["F"], rel=FORMULA)
        assert float(got.p) == pytest.approx(row["pval" if "pval" in other.columns else "p_val"], rel=1e-9, abs=1e-15)


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("averaged", [False, True])
def test_interval_and_test_tell_the_same_story(form: str, averaged: bool) -> None:
    """The lower limit is the null that a one-sided test at half of alpha just fails to reject: two routes.

    For agreement the interval takes its degrees of freedom at the estimate and the test at the null: they agree for
    the ratio forms only.
    """
    ms = two_way_mean_squares(
        np.random.default_rng(5).normal(0, 3, (12, 1)) + np.random.default_rng(6).normal(size=(12, 4))
    )
    got = icc(ms, form=form, averaged=averaged, confidence=0.9)
    at_limit = icc(ms, form=form, averaged=averaged, null=float(got.low))
    if form == "agreement":
        assert float(at_limit.p) == pytest.approx(0.05, abs=0.02)  # degrees of freedom differ, see above
    else:
        assert float(at_limit.p) == pytest.approx(0.05, rel=1e-9)  # quantile and tail are inverse functions


def test_test_against_a_non_zero_null_by_the_formula() -> None:
    """McGraw & Wong (1996), table 8, written out for the agreement form."""
    ms = two_way_mean_squares(ratings_of("icc_shrout_fleiss_1979"))
    n, k, rho = 6, 4, 0.1
    a = k * rho / (n * (1 - rho))
    b = 1 + k * rho * (n - 1) / (n * (1 - rho))
    c, e = float(ms.columns), float(ms.error)
    df = (a * c + b * e) ** 2 / ((a * c) ** 2 / (k - 1) + (b * e) ** 2 / ((n - 1) * (k - 1)))
    f = float(ms.rows) / (a * c + b * e)
    got = icc(ms, form="agreement", null=rho)
    assert float(got.f) == pytest.approx(f, rel=FORMULA)
    assert float(got.df2) == pytest.approx(df, rel=FORMULA)
    assert float(got.p) == pytest.approx(float(stats.f.sf(f, n - 1, df)), rel=FORMULA)
    averaged = icc(ms, form="agreement", averaged=True, null=float(spearman_brown(np.float64(rho), k)))
    assert float(averaged.f) == pytest.approx(f, rel=FORMULA)


tables = arrays(np.float64, (6, 3), elements=st.integers(20, 80).map(float)).filter(
    lambda x: two_way_mean_squares(x).error > 0.1
)


@given(tables, st.floats(-200.0, 200.0), st.floats(0.1, 10.0), st.booleans())
def test_shift_scale_and_sign_change_no_form(ratings: np.ndarray, offset: float, scale: float, mirrored: bool) -> None:
    moved = (-ratings if mirrored else ratings) * scale + offset
    for form in FORMS:
        before, after = icc(two_way_mean_squares(ratings), form=form), icc(two_way_mean_squares(moved), form=form)
        for name in ("value", "low", "high"):
            # differences of numbers near 1000 lose four digits
            assert float(getattr(after, name)) == pytest.approx(float(getattr(before, name)), rel=1e-7, abs=1e-9)


@given(tables)
def test_limits_enclose_the_estimate_and_consistency_is_blind_to_a_constant_rater(ratings: np.ndarray) -> None:
    ms = two_way_mean_squares(ratings)
    for form in ("one-way", "consistency"):
        got = icc(ms, form=form)
        assert got.low <= got.value <= got.high
    shifted = two_way_mean_squares(ratings + np.array([0.0, 5.0, -3.0]))
    assert float(icc_value(shifted, form="consistency")) == pytest.approx(
        float(icc_value(ms, form="consistency")), rel=1e-9, abs=1e-9
    )


@given(st.floats(-0.3, 0.99), st.integers(2, 6))
def test_spearman_brown_and_back(single: float, k: int) -> None:
    averaged = float(spearman_brown(np.float64(single), k))
    if np.isfinite(averaged):
        assert spearman_brown_back(averaged, k) == pytest.approx(single, rel=1e-9, abs=1e-12)
    else:
        assert single <= -1 / (k - 1)


def test_perfect_agreement_is_one_with_infinite_f() -> None:
    ms = two_way_mean_squares(np.repeat([[40.1], [50.2], [61.3]], 3, axis=1))
    for form in FORMS:
        for averaged in (False, True):
            got = icc(ms, form=form, averaged=averaged)
            assert (float(got.value), float(got.low), float(got.high)) == (1.0, 1.0, 1.0)
            assert float(got.f) == np.inf
            assert float(got.p) == 0.0


def test_constant_ratings_have_no_correlation_and_no_test() -> None:
    ms = two_way_mean_squares(np.full((5, 3), 46.1))
    for form in FORMS:
        got = icc(ms, form=form)
        assert np.isnan([got.value, got.low, got.high, got.f, got.p]).all()


def test_raters_who_differ_by_a_constant_are_consistent_and_do_not_agree() -> None:
    ms = two_way_mean_squares(np.array([[10.0], [12.0], [14.0]]) + np.array([0.0, 4.0]))
    # rows 8, columns 24, error 0 (n = 3, k = 2): agreement 8 / (8 + 2 * 24 / 3) = 1/3
    assert float(icc_value(ms, form="consistency")) == 1.0
    assert float(icc_value(ms, form="agreement")) == pytest.approx(1 / 3, rel=1e-12)
    assert float(icc(ms, form="agreement").low) < 1 / 3 < float(icc(ms, form="agreement").high)


def test_negative_correlation_is_reported_as_it_is() -> None:
    ms = two_way_mean_squares([[1.0, 9.0], [9.0, 1.0], [2.0, 8.0], [8.0, 2.0]])
    assert float(icc_value(ms, form="one-way")) == pytest.approx(-1.0, rel=1e-12)
    assert float(icc(ms, form="consistency").high) < 0.5


@pytest.mark.parametrize("options", [{"form": "two-way"}, {"form": "agreement", "null": 1.0}])
def test_unknown_words_and_nulls_are_refused(options: dict[str, object]) -> None:
    ms = two_way_mean_squares([[1.0, 2.0], [3.0, 4.0]])
    with pytest.raises(CallError):
        icc(ms, **options)  # type: ignore[arg-type]
    with pytest.raises(CallError, match="confidence"):
        icc(ms, form="one-way", confidence=95)


def test_a_negative_agreement_lies_inside_its_interval() -> None:
    """Rows almost without spread: the published degrees of freedom fail below 0, those at 0 are taken."""
    rng = np.random.default_rng(5)
    table = rng.normal(0.0, 1.0, (200, 6, 3))
    table -= 0.9 * table.mean(axis=-1, keepdims=True)
    got = icc(two_way_mean_squares(table), form="agreement")
    negative = got.value < 0.0
    assert negative.sum() > 150
    assert np.all(got.low[negative] < got.value[negative])
    assert np.all(got.value[negative] < got.high[negative])
