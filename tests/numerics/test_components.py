"""Variance components: reference values, exact fractions, negative estimates."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.numerics.anova import crossed_mean_squares, two_way_mean_squares
from studykit.numerics.components import crossed_components, one_way_components, two_way_components
from studykit.numerics.icc import icc_value

REFERENCE = Path(__file__).parents[1] / "reference"
FORMULA = 1e-10  # the reference is the same formula at 15 digits


def test_two_way_and_one_way_equal_the_reference() -> None:
    expected = json.loads((REFERENCE / "expected" / "icc_shrout_fleiss_1979.json").read_text())["anova_formulas"]
    ms = two_way_mean_squares(pd.read_csv(REFERENCE / "data" / "shrout_fleiss_1979.csv").iloc[:, 1:].to_numpy(float))
    two = [c.variance for c in two_way_components(ms)]
    assert two == pytest.approx(list(expected["variance_components_two_way"].values()), rel=FORMULA)
    one = [c.variance for c in one_way_components(ms)]
    assert one == pytest.approx(list(expected["variance_components_one_way"].values()), rel=FORMULA)
    assert two_way_components(ms)[0].share == pytest.approx(float(icc_value(ms, form="agreement")), rel=FORMULA)


def test_goniometer_components_equal_the_reference_and_the_mixed_model() -> None:
    expected = json.loads((REFERENCE / "expected" / "goniometer_eliasziw_1994.json").read_text())
    frame = pd.read_csv(REFERENCE / "data" / "eliasziw_goniometer_1994.csv")
    table = frame.sort_values(["subject", "rater", "trial"])["angle"].to_numpy(float).reshape(29, 2, 3)
    parts = {c.facets: c for c in crossed_components(crossed_mean_squares(table))}
    formulas = expected["eliasziw_formulas"]["random_raters"]
    reml = {row["grp"]: row["vcov"] for row in expected["lme4_REML_varcomp"]}
    for facets, name, group in (
        (("target",), "var_subject", "subject"),
        (("rater",), "var_rater", "rater"),
        (("target", "rater"), "var_subject_x_rater", "subject:rater"),
        (("target", "rater", "trial"), "var_error", "Residual"),
    ):
        assert parts[facets].variance == pytest.approx(formulas[name], rel=FORMULA)
        assert parts[facets].variance == pytest.approx(reml[group], rel=1e-6)  # where its optimiser stopped
        assert parts[facets].low < parts[facets].variance < parts[facets].high
    assert sum(c.share for c in parts.values()) == pytest.approx(1.0, rel=1e-12)


def williams(upper: float, df_upper: int, lower: float, df_lower: int, divisor: int) -> list[float]:
    """Interval of a difference of mean squares by scipy's distributions, 95 %."""
    ends = []
    for tail in (0.975, 0.025):
        f, chi2 = stats.f.ppf(tail, df_upper, df_lower), stats.chi2.ppf(tail, df_upper)
        ends.append(max(df_upper * (upper - lower * f) / (divisor * chi2), 0.0))
    return ends


def test_intervals_have_the_degrees_of_freedom_of_their_mean_squares() -> None:
    rng = np.random.default_rng(14)
    table = rng.normal(50, 6, (9, 1, 1)) + rng.normal(0, 3, (1, 4, 1)) + rng.normal(0, 2, (9, 4, 1))
    table = table + rng.normal(0, 1, (9, 4, 3))
    flat, ms = two_way_mean_squares(table.mean(axis=2)), crossed_mean_squares(table)
    rows, columns, within, error = (float(x) for x in (flat.rows, flat.columns, flat.within, flat.error))
    targets, raters, both, trial = (float(x) for x in (ms.targets, ms.raters, ms.interaction, ms.error))
    expected = {
        "two-way": [williams(rows, 8, error, 24, 4), williams(columns, 3, error, 24, 9)],
        "one-way": [williams(rows, 8, within, 27, 4)],
        "crossed": [
            williams(targets, 8, both, 24, 12),
            williams(raters, 3, both, 24, 27),
            williams(both, 24, trial, 72, 3),
        ],
    }
    found = {
        "two-way": two_way_components(flat)[:-1],
        "one-way": one_way_components(flat)[:-1],
        "crossed": crossed_components(ms)[:-1],
    }
    for name, parts in found.items():
        for part, ends in zip(parts, expected[name], strict=True):
            assert [part.low, part.high] == pytest.approx(ends, rel=1e-10), (name, part.facets)
    for rest, df in (
        (two_way_components(flat)[-1], 24),
        (one_way_components(flat)[-1], 27),
        (crossed_components(ms)[-1], 72),
    ):
        ends = [df * rest.variance / stats.chi2.ppf(p, df) for p in (0.975, 0.025)]
        assert [rest.low, rest.high] == pytest.approx(ends, rel=1e-10)


def test_negative_component_becomes_zero_and_keeps_its_raw_value() -> None:
    ms = two_way_mean_squares([[1.0, 9.0], [9.0, 1.0], [2.0, 8.0], [8.0, 2.0]])
    target = two_way_components(ms)[0]
    assert target.variance == 0.0
    assert target.raw < 0.0
    assert target.low == 0.0


def test_constant_table_has_components_of_zero_and_no_shares() -> None:
    parts = two_way_components(two_way_mean_squares(np.full((4, 3), 7.0)))
    assert [c.variance for c in parts] == [0.0, 0.0, 0.0]
    assert all(np.isnan(c.share) for c in parts)


def test_interval_of_a_difference_covers_the_true_component() -> None:
    """4,000 tables of 20 x 3: coverage of a nominal 95 % interval; 3 Monte Carlo errors are 1 point."""
    rng = np.random.default_rng(12)
    inside = 0
    for _ in range(4000):
        table = rng.normal(0, 3.0, (20, 1)) + rng.normal(0, 2.0, (20, 3))
        target = two_way_components(two_way_mean_squares(table))[0]
        inside += target.low <= 9.0 <= target.high
    assert 0.94 <= inside / 4000 <= 0.97
