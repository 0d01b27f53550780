"""Rubin's rules against mice and mitools, from stored completed sets; decided edges."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from studykit.errors import CallError
from studykit.numerics.least_squares import least_squares
from studykit.numerics.pooling import pooled

REFERENCE = Path(__file__).parents[1] / "reference"

CASES = [
    ("mi_nhanes", "pooled", "nhanes_imputed_m5.csv", "chl", ["age", "bmi"]),
    ("mi_nhanes", "pooled_bmi", "nhanes_imputed_m5.csv", "bmi", ["age", "hyp", "chl"]),
    ("mi_BtheB_ancova", "pooled", "BtheB_imputed_m10.csv", "bdi_8m", ["bdi_pre", "trt"]),
]


def reference(name: str, part: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((REFERENCE / "expected" / f"{name}.json").read_text())[part]
    return found


def of_sets(table: str, outcome: str, columns: list[str]) -> tuple[np.ndarray, np.ndarray, int]:
    """Coefficients and their variances in every completed set, by our own least squares."""
    sets = pd.read_csv(REFERENCE / "data" / table)
    estimates, variances, df = [], [], 0
    for _, rows in sets.groupby(".imp"):
        design = np.column_stack([np.ones(len(rows)), rows[columns]])
        fit = least_squares(rows[outcome].to_numpy(dtype=float), design)
        estimates.append(fit.beta)
        variances.append(np.diag(fit.covariance()))
        df = fit.df
    return np.array(estimates), np.array(variances), df


@pytest.mark.parametrize(("name", "part", "table", "outcome", "columns"), CASES, ids=[f"{c[0]}-{c[1]}" for c in CASES])
def test_pooling_equals_mice(name: str, part: str, table: str, outcome: str, columns: list[str]) -> None:
    wanted = reference(name, part)
    estimates, variances, df = of_sets(table, outcome, columns)
    assert df == wanted["df_complete"]
    # lm and our least squares differ by rounding; the stored sets have 15 digits.
    stored = np.array(wanted["per_imputation_estimates"]["values"]).T
    assert np.allclose(estimates, stored, rtol=1e-9, atol=0.0)
    mine = pooled(estimates, variances, df_complete=df)
    low, high = mine.limits(0.95)
    p = mine.p()
    for place, (row, said) in enumerate(zip(wanted["mice_pool"], wanted["mice_summary"], strict=True)):
        for own, theirs in (
            (mine.estimate, row["estimate"]),
            (mine.within, row["ubar"]),
            (mine.between, row["b"]),
            (mine.total, row["t"]),
            (mine.df, row["df"]),
            (mine.increase, row["riv"]),
            (mine.share, row["lambda"]),
            (mine.fmi, row["fmi"]),
            (mine.std_error, said["std.error"]),
            (low, said["2.5 %"]),
            (high, said["97.5 %"]),
            (p, said["p.value"]),
        ):
            # The pooling formulas agree to 1e-10; what enters them, to the rounding of the fits above.
            assert own[place] == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize("case", CASES, ids=[f"{c[0]}-{c[1]}" for c in CASES])
def test_pooling_formulas_to_ten_digits(case: tuple[str, str, str, str, list[str]]) -> None:
    """From the stored estimates and variances themselves, so that only the formulas are between them and mice."""
    wanted = reference(case[0], case[1])
    mine = pooled(
        np.array(wanted["per_imputation_estimates"]["values"]).T,
        np.array(wanted["per_imputation_variances"]["values"]).T,
        df_complete=wanted["df_complete"],
    )
    terms = wanted["per_imputation_estimates"]["rows"]
    formulas = wanted["formulas"]
    rubin = wanted["mitools_df_infinite"]["df"]
    for place, term in enumerate(terms):
        row = wanted["mice_pool"][place]
        assert mine.estimate[place] == pytest.approx(formulas["Qbar"][term], rel=1e-10)
        assert mine.total[place] == pytest.approx(formulas["T"][term], rel=1e-10)
        assert mine.df[place] == pytest.approx(row["df"], rel=1e-10)
        assert mine.fmi[place] == pytest.approx(row["fmi"], rel=1e-10)
        assert mine.df_rubin[place] == pytest.approx(formulas["df_rubin_1987"][term], rel=1e-10)
        assert mine.df_rubin[place] == pytest.approx(rubin[term], rel=1e-10)


def test_sets_that_agree_are_one_complete_analysis_but_for_barnard_and_rubin() -> None:
    """B = 0: T = U and the df are (df_com + 1) / (df_com + 3) df_com, as in mice."""
    mine = pooled([2.0, 2.0, 2.0], [0.5, 0.5, 0.5], df_complete=20)
    assert mine.total == 0.5
    assert mine.df == pytest.approx(21 / 23 * 20)
    assert np.isinf(mine.df_rubin)


def test_one_set_or_a_variance_of_zero_is_refused() -> None:
    with pytest.raises(CallError, match="two or more"):
        pooled([1.0], [1.0], df_complete=10)
    with pytest.raises(CallError, match="not above 0"):
        pooled([1.0, 2.0], [1.0, 0.0], df_complete=10)
