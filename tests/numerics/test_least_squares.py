"""Least squares against R's lm, and its refusals."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from studykit.errors import DesignError, FitError
from studykit.numerics.least_squares import least_squares

REFERENCE = Path(__file__).parents[1] / "reference"


def anorexia() -> tuple[np.ndarray, np.ndarray]:
    rows = pd.read_csv(REFERENCE / "data" / "anorexia.csv")
    treated = [(rows["Treat"] == arm).astype(float) for arm in ("CBT", "FT")]
    columns = np.column_stack([np.ones(len(rows)), rows["Prewt"], *treated])
    return rows["Postwt"].to_numpy(dtype=float), columns


def test_analysis_of_covariance_equals_lm() -> None:
    wanted = json.loads((REFERENCE / "expected" / "ancova_anorexia.json").read_text())["ancova"]
    order = ["(Intercept)", "Prewt", "TreatCBT", "TreatFT"]
    fit = least_squares(*anorexia())
    coefficients = {row["term"]: row for row in wanted["coef"]}
    limits = {row["term"]: row for row in wanted["ci95"]}
    assert fit.df == wanted["df_residual"]
    for place, term in enumerate(order):
        value, error, low, high = fit.estimate(np.eye(4)[place], 0.95)
        # Closed formulas: the tolerance of the reference set.
        assert value == pytest.approx(coefficients[term]["Estimate"], rel=1e-9)
        assert error == pytest.approx(coefficients[term]["Std. Error"], rel=1e-9)
        assert [low, high] == pytest.approx([limits[term]["lower"], limits[term]["upper"]], rel=1e-9)
    assert fit.covariance() == pytest.approx(np.array(wanted["vcov"]["values"]), rel=1e-8)


def test_a_second_route() -> None:
    y, x = anorexia()
    other = sm.OLS(y, x).fit()
    fit = least_squares(y, x)
    assert fit.beta == pytest.approx(other.params, rel=1e-10)
    assert fit.covariance() == pytest.approx(other.cov_params(), rel=1e-9)


def test_designs_without_an_answer() -> None:
    x = np.column_stack([np.ones(5), np.arange(5.0), 1e6 * np.arange(5.0)])
    with pytest.raises(DesignError, match="determine each other"):
        least_squares(np.arange(5.0) ** 2, x)
    with pytest.raises(DesignError, match="2 rows cannot carry 2 coefficients"):
        least_squares(np.arange(2.0), np.column_stack([np.ones(2), np.arange(2.0)]))
    with pytest.raises(FitError, match="fits every row exactly"):
        least_squares(3.0 + 2.0 * np.arange(5.0), x[:, :2])
