"""Limits of agreement against published data and the exact quadrature of the reference set."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from studykit.errors import DataError, DesignError
from studykit.numerics.limits import (
    Limits,
    limits,
    limits_by_regression,
    limits_linked,
    limits_unlinked,
    log_ratios,
)

REFERENCE = Path(__file__).parents[1] / "reference"
FORMULA = 1e-10  # the reference is the same formula at 15 digits
QUADRATURE = 1e-10  # the reference inverts the noncentral t by quadrature to 1e-13


def expected(name: str) -> dict[str, Any]:
    answer: dict[str, Any] = json.loads((REFERENCE / "expected" / f"{name}.json").read_text())
    return answer


def data(name: str) -> pd.DataFrame:
    return pd.read_csv(REFERENCE / "data" / f"{name}.csv")


def assert_equal(got: Limits, reference: dict[str, Any]) -> None:
    assert got.n == reference["n"]
    assert float(got.bias) == pytest.approx(reference["bias"], rel=FORMULA)
    assert float(got.sd) == pytest.approx(reference["sd"], rel=FORMULA)
    pairs = [
        (got.bias_low, got.bias_high, reference["bias_ci95"], FORMULA),
        (got.lower, got.upper, reference["loa_1_96"], FORMULA),
        (got.sd_low, got.sd_high, reference["sd_ci95_chisq"], FORMULA),
        (got.lower_low, got.lower_high, reference["loa_ci95_exact_noncentral_t"]["lower"], QUADRATURE),
        (got.upper_low, got.upper_high, reference["loa_ci95_exact_noncentral_t"]["upper"], QUADRATURE),
    ]
    for low, high, theirs, tolerance in pairs:
        assert [float(low), float(high)] == pytest.approx([theirs["lower"], theirs["upper"]], rel=tolerance)


def peak_flow(meter: str, replicate: int) -> np.ndarray:
    frame = data("pefr_bland_altman_1986")
    chosen = frame[(frame["meter"] == meter) & (frame["replicate"] == replicate)]
    return chosen.sort_values("subject")["pefr"].to_numpy(float)


def test_two_peak_flow_meters() -> None:
    """Bland & Altman (1986), Lancet 327, 307-310."""
    reference = expected("bland_altman_1986_pefr")
    got = limits(peak_flow("Wright", 1) - peak_flow("Mini", 1))
    assert_equal(got, reference["first_readings_wright_minus_mini"])
    assert float(got.bias) == pytest.approx(-2.1, abs=0.05)  # as printed
    assert float(got.sd) == pytest.approx(38.8, abs=0.05)


def test_plasma_volume_differences_logarithms_and_regression() -> None:
    """Bland & Altman (1999), Stat. Methods Med. Res. 8, 135-160."""
    reference = expected("bland_altman_1999_plasma_volume")
    frame = data("plasma_volume_bland_altman_1999")
    wide = frame.pivot_table(index="subject", columns="method", values="y")
    nadler, hurley = wide["Nadler"].to_numpy(), wide["Hurley"].to_numpy()
    assert_equal(limits(nadler - hurley), reference["raw"])
    logs = limits(log_ratios(nadler, hurley))
    assert_equal(logs, reference["log_ratio_first_over_second"]["stats"])
    assert float(logs.lower) == pytest.approx(0.056, abs=0.0005)  # as printed, section 3.1
    assert float(logs.upper) == pytest.approx(0.141, abs=0.0005)
    line = limits_by_regression((nadler + hurley) / 2, nadler - hurley)
    slope, spread = reference["regression_of_difference_on_mean"], reference["regression_of_abs_residual_on_mean"]
    assert [line.intercept, line.slope] == pytest.approx(list(slope["coef"].values()), rel=1e-9)  # lm by QR
    assert line.residual_sd == pytest.approx(slope["residual_sd"], rel=FORMULA)
    assert [line.spread_intercept, line.spread_slope] == pytest.approx(list(spread["coef"].values()), rel=1e-8)
    t = slope["coef"]["pr"] / slope["se"]["pr"]
    assert line.slope_p == pytest.approx(2 * stats.t.sf(t, 97), rel=1e-8)
    bias, low, high = line.at(100.0)
    assert float(high - bias) == pytest.approx(float(bias - low), rel=1e-12)


def test_hypothetical_methods_of_giavarina() -> None:
    """Giavarina (2015), Biochem. Med. 25, 141-151: bias -27.17, SD 34.81."""
    frame = data("blandaltman_pingouin")
    got = limits((frame["A"] - frame["B"]).to_numpy(float))
    assert_equal(got, expected("bland_altman_giavarina_2015")["A_minus_B"])
    assert float(got.bias) == pytest.approx(-27.17, abs=0.005)


def oximetry() -> pd.DataFrame:
    frame = data("oximetry_ox")
    return frame.pivot_table(index=["subject", "replicate"], columns="method", values="y").dropna().reset_index()


def test_linked_pairs_of_the_oximeter() -> None:
    reference = expected("loa_oximetry_repeated")["pairs_true_value_varies"]
    wide = oximetry()
    got = limits_linked((wide["CO"] - wide["pulse"]).to_numpy(), pd.factorize(wide["subject"])[0])
    assert got.n == reference["n_subjects"]
    assert float(got.bias) == pytest.approx(reference["bias_mean_of_all_differences"], rel=FORMULA)
    assert float(got.sd) == pytest.approx(reference["total_sd"], rel=FORMULA)
    assert [float(got.lower), float(got.upper)] == pytest.approx(list(reference["loa_1_96"].values()), rel=FORMULA)
    assert got.upper_low < got.upper < got.upper_high


def combined(bias: float, se: float, n: int, terms: list[tuple[float, int]]) -> dict[str, float]:
    """Intervals of bias and limits from those of mean and variance, written out with scipy's distributions."""
    z, t = stats.norm.ppf(0.975), stats.t.ppf(0.975, n - 1)
    total = sum(term for term, _ in terms)
    down = sum(((1 - df / stats.chi2.ppf(0.975, df)) * term) ** 2 for term, df in terms)
    up = sum(((df / stats.chi2.ppf(0.025, df) - 1) * term) ** 2 for term, df in terms)
    sd, low, high = np.sqrt(total), np.sqrt(max(total - np.sqrt(down), 0.0)), np.sqrt(total + np.sqrt(up))
    inward, outward = np.hypot(t * se, z * (sd - low)), np.hypot(t * se, z * (high - sd))
    return {
        "bias_low": bias - t * se,
        "bias_high": bias + t * se,
        "sd_low": low,
        "sd_high": high,
        "lower_low": bias - z * sd - outward,
        "lower_high": bias - z * sd + inward,
        "upper_low": bias + z * sd - inward,
        "upper_high": bias + z * sd + outward,
    }


def test_intervals_of_linked_limits_written_out() -> None:
    wide = oximetry()
    d, groups = (wide["CO"] - wide["pulse"]).to_numpy(), pd.factorize(wide["subject"])[0]
    reference = expected("loa_oximetry_repeated")["pairs_true_value_varies"]
    m0, between, within = reference["divisor"], reference["MS_between"], reference["MS_within"]
    sizes = np.bincount(groups)
    se = np.sqrt(reference["var_between"] * np.sum(sizes**2) / 177**2 + within / 177)
    terms = [(between / m0, 60), ((1 - 1 / m0) * within, 116)]
    got = limits_linked(d, groups)
    for name, value in combined(float(d.mean()), float(se), 61, terms).items():
        assert float(getattr(got, name)) == pytest.approx(value, rel=1e-9), name


def test_intervals_of_unlinked_limits_written_out() -> None:
    frame = data("eliasziw_goniometer_1994")
    reference = expected("goniometer_eliasziw_1994")["bland_altman_repeated_unlinked"]
    spread, (one, two) = reference["variance_of_mean_differences"], reference["within_subject_variance"].values()
    groups = pd.factorize(frame["subject"])[0]
    first, second = (frame["rater"] == name for name in ("R1", "R2"))
    got = limits_unlinked(frame.loc[first, "angle"], groups[first], frame.loc[second, "angle"], groups[second])
    terms = [(spread, 28), (one * 2 / 3, 58), (two * 2 / 3, 58)]
    bias = reference["bias_mean_of_subject_mean_differences"]
    for name, value in combined(bias, float(np.sqrt(spread / 29)), 29, terms).items():
        assert float(getattr(got, name)) == pytest.approx(value, rel=1e-9), name


@pytest.mark.parametrize(
    ("set_name", "part", "methods"),
    [
        ("oximetry_ox", ("loa_oximetry_repeated", "unlinked_replicates"), ("CO", "pulse")),
        ("eliasziw_goniometer_1994", ("goniometer_eliasziw_1994", "bland_altman_repeated_unlinked"), ("R1", "R2")),
        ("pefr_bland_altman_1986", ("bland_altman_1986_pefr", "repeated_both_replicates"), ("Wright", "Mini")),
    ],
)
def test_unlinked_repeats(set_name: str, part: tuple[str, str], methods: tuple[str, str]) -> None:
    reference = expected(part[0])[part[1]]
    frame = data(set_name)
    method = next(name for name in ("method", "rater", "meter") if name in frame)
    value = next(name for name in ("y", "angle", "pefr") if name in frame)
    groups = pd.factorize(frame["subject"])[0]
    one, two = (frame[method] == name for name in methods)
    got = limits_unlinked(frame.loc[one, value], groups[one], frame.loc[two, value], groups[two])
    assert float(got.bias) == pytest.approx(reference["bias_mean_of_subject_mean_differences"], rel=FORMULA)
    assert float(got.sd) == pytest.approx(reference["corrected_sd"], rel=FORMULA)
    assert [float(got.lower), float(got.upper)] == pytest.approx(list(reference["loa_1_96"].values()), rel=FORMULA)
    assert got.n == reference["n_subjects"]


def test_one_pair_a_target_makes_linked_limits_the_plain_ones_in_the_limit() -> None:
    """Two equal pairs a target: the variance within is 0, so total variance is the plain variance of one pair."""
    d = np.array([1.0, -2.0, 4.0, 0.5, 3.0])
    got = limits_linked(np.repeat(d, 2), np.repeat(np.arange(5), 2))
    assert float(got.sd) == pytest.approx(float(limits(d).sd), rel=1e-12)
    assert float(got.bias_high) == pytest.approx(float(limits(d).bias_high), rel=1e-12)


differences = arrays(np.float64, 9, elements=st.integers(-40, 40).map(float)).filter(lambda d: np.ptp(d) > 0)


@given(differences, st.floats(-100.0, 100.0), st.floats(0.05, 20.0))
def test_limits_move_with_shift_and_unit(d: np.ndarray, offset: float, scale: float) -> None:
    before, after = limits(d), limits(d * scale + offset)
    for name in ("bias", "lower", "lower_low", "lower_high", "upper", "upper_low", "upper_high"):
        moved = float(getattr(before, name)) * scale + offset
        assert float(getattr(after, name)) == pytest.approx(moved, rel=1e-9, abs=1e-9 * (scale + abs(offset)))


@given(differences)
def test_swapping_the_methods_mirrors_the_limits(d: np.ndarray) -> None:
    there, back = limits(d), limits(-d)
    assert float(there.lower) == pytest.approx(-float(back.upper), rel=1e-12, abs=1e-12)
    assert float(there.lower_low) == pytest.approx(-float(back.upper_high), rel=1e-12, abs=1e-12)


def test_two_methods_that_never_differ() -> None:
    got = limits(np.full(6, 1.1))
    assert (float(got.sd), float(got.lower), float(got.upper_high)) == (0.0, float(got.bias), float(got.bias))


def test_refusals() -> None:
    with pytest.raises(DesignError, match="at least 2 targets"):
        limits([1.0])
    with pytest.raises(DesignError, match="same targets"):
        limits_unlinked([1.0, 2.0, 3.0, 4.0], [0, 0, 1, 1], [1.0, 2.0, 3.0, 4.0, 5.0, 6.0], [0, 0, 1, 1, 2, 2])
    with pytest.raises(DesignError, match="at least 3 targets"):
        limits_by_regression([1.0, 1.0, 1.0], [0.0, 1.0, 2.0])
    with pytest.raises(DataError, match="1 values are 0 or below"):
        log_ratios([1.0, 0.0], [2.0, 3.0])
