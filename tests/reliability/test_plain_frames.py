"""The labelled front door on plain frames: reference values through labels, order, gaps, bad input of every kind."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studykit.errors import CallError, DataError, DesignError
from studykit.reliability import icc, icc_forms, inter_and_intra, limits_of_agreement, precision, variation

REFERENCE = Path(__file__).parents[1] / "reference"
FORMULA = 1e-10  # the reference is the same formula at 15 digits
NAMES = {"target": "participant_id", "rater": "rater_id", "value": "value"}


def long_frame(table: np.ndarray, raters: str = "ABCDEFG") -> pd.DataFrame:
    n, k = table.shape
    return pd.DataFrame(
        {
            "participant_id": np.repeat([f"P{i + 1:03d}" for i in range(n)], k),
            "rater_id": np.tile(list(raters[:k]), n),
            "value": table.ravel(),
        }
    )


@pytest.fixture
def judges() -> pd.DataFrame:
    return long_frame(pd.read_csv(REFERENCE / "data" / "shrout_fleiss_1979.csv").iloc[:, 1:].to_numpy(float))


@pytest.fixture
def goniometer() -> pd.DataFrame:
    frame = pd.read_csv(REFERENCE / "data" / "eliasziw_goniometer_1994.csv")
    return frame.rename(columns={"subject": "participant_id", "rater": "rater_id", "angle": "value"})


def reference(name: str) -> dict[str, object]:
    answer: dict[str, object] = json.loads((REFERENCE / "expected" / f"{name}.json").read_text())
    return answer


@pytest.mark.parametrize(
    ("form", "averaged", "row", "older"),
    [
        ("one-way", False, 0, "ICC(1,1)"),
        ("agreement", False, 1, "ICC(2,1)"),
        ("consistency", False, 2, ""),
        ("one-way", True, 3, "ICC(1,k)"),
        ("agreement", True, 4, "ICC(2,k)"),
        ("consistency", True, 5, ""),
    ],
)
def test_labelled_frame_gives_the_reference(
    judges: pd.DataFrame, form: str, averaged: bool, row: int, older: str
) -> None:
    expected = reference("icc_shrout_fleiss_1979")["anova_formulas"]["icc"][row]  # type: ignore[index]
    got = icc(judges, **NAMES, form=form, averaged=averaged)
    assert got.value == pytest.approx(expected["icc"], rel=FORMULA)
    assert (got.low, got.high) == pytest.approx((expected["ci95_lower"], expected["ci95_upper"]), rel=FORMULA)
    assert (got.f, got.df1, got.df2, got.p) == pytest.approx(
        (expected["F"], expected["df1"], expected["df2"], expected["p"]), rel=FORMULA
    )
    assert got.form.older_name == older
    assert (got.targets, got.people, got.ratings_per_target, got.reason) == (6, 6, 4, "")
    assert got.headline.startswith(got.form.name)


def test_ten_forms_side_by_side_share_six_formulas(judges: pd.DataFrame) -> None:
    expected = reference("icc_shrout_fleiss_1979")["anova_formulas"]["icc"]  # type: ignore[index]
    got = icc_forms(judges, **NAMES)
    assert len(got) == 10
    assert got[["model", "name"]].drop_duplicates().shape[0] == 10
    assert sorted(set(got["value"].round(9))) == sorted(round(row["icc"], 9) for row in expected)
    single = got[(got["form"] == "agreement") & ~got["averaged"]].iloc[0]
    assert (single["low"], single["high"]) == pytest.approx(
        (expected[1]["ci95_lower"], expected[1]["ci95_upper"]), rel=FORMULA
    )


def test_sem_and_mdc_of_the_frame_give_the_reference(judges: pd.DataFrame) -> None:
    expected = reference("icc_shrout_fleiss_1979")["anova_formulas"]
    got = precision(judges, **NAMES, form="consistency")
    assert got.sem == pytest.approx(expected["sem"]["sem_consistency_sqrt_MSE"], rel=FORMULA)  # type: ignore[index]
    change = got.mdc(0.95)
    assert change.value == pytest.approx(expected["mdc95"]["mdc_consistency"], rel=FORMULA)  # type: ignore[index]
    assert change.low / change.value == pytest.approx(got.low / got.sem, rel=1e-12)
    assert got.mdc(0.90).value < change.value
    agreement = icc(judges, **NAMES).value
    assert got.indirect_sem(agreement) == pytest.approx(expected["sem"]["sem_from_sd_and_icc21"], rel=FORMULA)  # type: ignore[index]
    assert got.repeatability() == pytest.approx(expected["mdc95"]["mdc_one_way"], rel=FORMULA)  # type: ignore[index]


def test_goniometer_frame_gives_inter_and_intra(goniometer: pd.DataFrame) -> None:
    expected = reference("goniometer_eliasziw_1994")["eliasziw_formulas"]
    got = inter_and_intra(goniometer, **NAMES)
    assert got.inter.value == pytest.approx(expected["random_raters"]["rho_inter"], rel=FORMULA)  # type: ignore[index]
    assert got.intra.sem == pytest.approx(expected["SEM_intra"], rel=FORMULA)  # type: ignore[index]
    assert got.inter.mdc().value == pytest.approx(expected["MDC95_inter_random"], rel=FORMULA)  # type: ignore[index]
    assert [part.rater for part in got.intra_by_rater] == ["R1", "R2"]
    assert (got.targets, got.trials) == (29, 3)
    assert got.inter.low < got.inter.lower < got.inter.value < got.inter.high < 1.0
    for part in (got.intra, *got.intra_by_rater):
        assert part.low < part.value < part.high


@settings(max_examples=20)
@given(st.permutations(range(24)), st.integers(0, 1))
def test_order_of_rows_does_not_matter_and_the_frame_is_left_alone(order: list[int], flip: int) -> None:
    table = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], dtype=float)
    frame = long_frame(table)
    mixed = frame.iloc[order].reset_index(drop=True)
    before = mixed.copy()
    renamed = mixed.replace({"rater_id": {"A": "zoe"}}) if flip else mixed
    for form in ("agreement", "consistency"):
        assert icc(renamed, **NAMES, form=form).value == pytest.approx(icc(frame, **NAMES, form=form).value, rel=1e-12)
    pd.testing.assert_frame_equal(mixed, before)


def test_gaps_are_refused_with_the_count_and_the_first_and_can_be_left_out(judges: pd.DataFrame) -> None:
    gappy = judges.drop(index=[6, 16])
    with pytest.raises(DesignError, match=r"2 of 6 targets were not measured by every rater \(first: P002\)"):
        icc(gappy, **NAMES)
    got = icc(gappy, **NAMES, complete=True)
    assert got.targets == 4
    assert got.left_out == ("P002", "P005")
    assert "2 of 6 targets were incomplete" in got.cautions[0]
    kept = judges[~judges["participant_id"].isin(got.left_out)]
    assert got.value == pytest.approx(icc(kept, **NAMES).value, rel=1e-14)


def test_an_empty_value_is_a_gap(judges: pd.DataFrame) -> None:
    gappy = judges.copy()
    gappy.loc[0, "value"] = np.nan
    with pytest.raises(DesignError, match="1 of 6 targets were not measured by every rater"):
        precision(gappy, **NAMES)


def test_one_rater(judges: pd.DataFrame) -> None:
    with pytest.raises(DesignError, match=r"There is one rater \(A\)"):
        icc(judges[judges["rater_id"] == "A"], **NAMES)


def test_one_target(judges: pd.DataFrame) -> None:
    with pytest.raises(DesignError, match="1 target was measured by every rater"):
        icc(judges[judges["participant_id"] == "P001"], **NAMES)


def test_constant_ratings_say_why_there_is_no_number(judges: pd.DataFrame) -> None:
    got = icc(judges.assign(value=46.0), **NAMES)
    assert np.isnan(got.value)
    assert "0/0" in got.reason
    assert "cannot be estimated" in got.headline
    still = precision(judges.assign(value=46.0), **NAMES)
    assert still.sem == 0.0
    assert "agree to the last digit" in still.reason


def test_perfect_agreement_is_one_and_says_what_that_means() -> None:
    got = icc(long_frame(np.repeat([[40.0], [50.0], [61.0]], 2, axis=1)), **NAMES)
    assert (got.value, got.low, got.high, got.p) == (1.0, 1.0, 1.0, 0.0)
    assert "no width" in got.reason


def test_negative_correlation_is_explained() -> None:
    got = icc(long_frame(np.array([[1.0, 9.0], [9.0, 1.0], [2.0, 8.0], [8.0, 2.0]])), **NAMES, form="one-way")
    assert got.value == pytest.approx(-1.0)
    assert "read it as 0" in got.reason


def test_interval_that_includes_zero_is_said() -> None:
    got = icc(long_frame(np.array([[1.0, 4.0], [2.0, 1.0], [4.0, 3.0], [3.0, 5.0]])), **NAMES, form="consistency")
    assert got.low < 0.0 < got.value
    assert any("includes 0" in text for text in got.cautions)


def test_a_rater_who_measured_nobody_twice(goniometer: pd.DataFrame) -> None:
    once = goniometer[(goniometer["rater_id"] == "R1") | (goniometer["trial"] == 1)]
    with pytest.raises(DesignError, match="R2 measured nobody twice"):
        inter_and_intra(once, **NAMES)


def test_text_among_the_values(judges: pd.DataFrame) -> None:
    text = judges.astype({"value": object})
    text.loc[3, "value"] = "about 8"
    with pytest.raises(
        DataError, match=r"1 value in column 'value' cannot be read as a number \(first in row 4: 'about 8'"
    ):
        icc(text, **NAMES)
    with pytest.raises(DataError, match="yes/no"):
        icc(judges.assign(value=True), **NAMES)
    with pytest.raises(DataError, match="dates or times"):
        icc(judges.assign(value=pd.Timestamp("2025-03-04")), **NAMES)
    with pytest.raises(DataError, match="cannot be read as a number"):
        icc(judges.assign(value=[True, *judges["value"][1:]]).astype({"value": object}), **NAMES)
    with pytest.raises(DataError, match="cannot be read as a number"):
        icc(judges.assign(value=[np.inf, *judges["value"][1:]]), **NAMES)


def test_nullable_columns_and_categories_are_read(judges: pd.DataFrame) -> None:
    nullable = judges.astype({"value": "Float64", "rater_id": "category", "participant_id": "string"})
    assert icc(nullable, **NAMES).value == pytest.approx(icc(judges, **NAMES).value, rel=1e-14)
    nullable.loc[0, "value"] = pd.NA
    assert icc(nullable, **NAMES, complete=True).left_out == ("P001",)


def test_more_raters_than_declared(judges: pd.DataFrame) -> None:
    with pytest.raises(DataError, match=r"1 rater in column 'rater_id' not among the declared 3 \(first: D\)"):
        icc(judges, **NAMES, raters=["A", "B", "C"])


def test_repeated_trials_are_not_averaged_in_silence(goniometer: pd.DataFrame) -> None:
    with pytest.raises(DesignError, match=r"29 targets measured more than once by one rater \(first: 1 by R1\)"):
        icc(goniometer, **NAMES)
    expected = reference("goniometer_eliasziw_1994")["between_raters_on_trial_means"]["anova_formulas"]["icc"][1]  # type: ignore[index]
    got = icc(goniometer, **NAMES, mean_of_trials=True)
    assert got.value == pytest.approx(expected["icc"], rel=FORMULA)


def test_raters_who_share_no_target_cannot_be_compared() -> None:
    frame = pd.DataFrame({"participant_id": ["a", "b", "c", "d"], "rater_id": list("wxyz"), "value": [1.0, 2, 3, 4]})
    with pytest.raises(DesignError, match="No target was measured by two raters"):
        icc(frame, **NAMES)
    with pytest.raises(DesignError, match="No target was rated twice"):
        icc(frame, **NAMES, form="one-way")


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        ({"rater": "who"}, CallError, "no column 'who'"),
        ({"form": "two-way"}, CallError, "allowed are"),
        ({"confidence": 95}, CallError, "between 0 and 1"),
        ({"interval": "wald"}, CallError, "allowed are"),
        ({"form": "one-way", "mean_of_trials": True}, CallError, "does not go with"),
    ],
)
def test_unknown_words(judges: pd.DataFrame, change: dict[str, object], error: type[Exception], words: str) -> None:
    with pytest.raises(error, match=words):
        icc(judges, **{**NAMES, **change})  # type: ignore[arg-type]


def test_labels_of_mixed_kinds_that_read_the_same_are_one_label() -> None:
    frame = long_frame(np.array([[1.0, 2.0], [3.0, 5.0], [6.0, 6.0]])).astype({"participant_id": object})
    frame["participant_id"] = [1, "1", 2, "2", 3, "3"]
    assert icc(frame, **NAMES).targets == 3


def test_unnamed_rater_and_no_values(judges: pd.DataFrame) -> None:
    nameless = judges.copy()
    nameless.loc[2, "rater_id"] = None
    with pytest.raises(DataError, match="1 rating with a value have no 'rater_id'"):
        icc(nameless, **NAMES)
    with pytest.raises(DataError, match="holds no value"):
        icc(judges.assign(value=np.nan), **NAMES)


def test_limits_of_two_goniometers(goniometer: pd.DataFrame) -> None:
    expected = reference("goniometer_eliasziw_1994")
    means = limits_of_agreement(goniometer, **NAMES, repeated="mean")
    plain = expected["bland_altman_on_trial_means_R1_minus_R2"]
    assert (means.bias, means.lower, means.upper) == pytest.approx(
        (plain["bias"], plain["loa_1_96"]["lower"], plain["loa_1_96"]["upper"]),
        rel=FORMULA,  # type: ignore[index]
    )
    exact = plain["loa_ci95_exact_noncentral_t"]["upper"]  # type: ignore[index]
    assert means.upper_interval == pytest.approx((exact["lower"], exact["upper"]), rel=FORMULA)
    single = limits_of_agreement(goniometer, **NAMES, repeated="unlinked")
    repeats = expected["bland_altman_repeated_unlinked"]
    assert (single.lower, single.upper) == pytest.approx(tuple(repeats["loa_1_96"].values()), rel=FORMULA)  # type: ignore[index]
    assert single.upper > means.upper
    assert any("means of as many trials" in text for text in means.cautions)


def test_linked_pairs_by_trial() -> None:
    expected = reference("loa_oximetry_repeated")["pairs_true_value_varies"]
    frame = pd.read_csv(REFERENCE / "data" / "oximetry_ox.csv")
    got = limits_of_agreement(
        frame, target="subject", rater="method", value="y", pair=("CO", "pulse"), repeated="linked", trial="replicate"
    )
    assert (got.lower, got.upper) == pytest.approx(tuple(expected["loa_1_96"].values()), rel=FORMULA)  # type: ignore[index]
    assert (got.targets, got.people, got.pairs) == (61, 61, 177)


def test_ratio_limits_multiply() -> None:
    expected = reference("bland_altman_1999_plasma_volume")["log_ratio_first_over_second"]
    frame = pd.read_csv(REFERENCE / "data" / "plasma_volume_bland_altman_1999.csv")
    got = limits_of_agreement(
        frame, target="subject", rater="method", value="y", pair=("Nadler", "Hurley"), scale="ratio"
    )
    assert (got.lower, got.upper) == pytest.approx(tuple(expected["ratio_limits"]), rel=FORMULA)  # type: ignore[index]
    plain = limits_of_agreement(frame, target="subject", rater="method", value="y", pair=("Nadler", "Hurley"))
    assert plain.slope_p < 0.001
    assert any("shifts along the scale" in text for text in plain.cautions)


@pytest.mark.parametrize(
    ("options", "error", "words"),
    [
        ({}, DesignError, "Say what the repeats are"),
        ({"repeated": "linked"}, CallError, "trial="),
        ({"pair": ("R1", "R9")}, CallError, "the raters with values are R1 and R2"),
        ({"scale": "ratio", "repeated": "mean"}, DataError, "0 or below"),
        ({"repeated": "average"}, CallError, "allowed are"),
    ],
)
def test_limits_refusals(
    goniometer: pd.DataFrame, options: dict[str, object], error: type[Exception], words: str
) -> None:
    with pytest.raises(error, match=words):
        limits_of_agreement(goniometer, **{**NAMES, **options})  # type: ignore[arg-type]


def test_limits_need_two_raters_and_shared_targets(judges: pd.DataFrame) -> None:
    with pytest.raises(DesignError, match=r"There are 4 raters .*Name them with pair"):
        limits_of_agreement(judges, **NAMES)
    two = judges[judges["rater_id"].isin(["A", "B"])].drop(index=[1])
    with pytest.raises(DesignError, match=r"1 of 6 targets were not measured by both raters \(first: P001\)"):
        limits_of_agreement(two, **NAMES)
    assert limits_of_agreement(two, **NAMES, complete=True).left_out == ("P001",)


def test_variation_needs_a_ratio_scale(judges: pd.DataFrame) -> None:
    with pytest.raises(CallError, match="true zero"):
        variation(judges, **NAMES, ratio_scale=False)
    assert 0.0 < variation(judges, **NAMES, ratio_scale=True).logarithmic < 1.5


@pytest.mark.parametrize("interval", ["bootstrap", "bootstrap-percentile"])
def test_resampled_intervals_between_and_within_raters(goniometer: pd.DataFrame, interval: str) -> None:
    """That sums of a resample give the analysis of its rows is held in numerics; here labels and reasons are."""
    plain = inter_and_intra(goniometer, **NAMES)
    got = inter_and_intra(goniometer, **NAMES, interval=interval, rng=np.random.default_rng(3))
    again = inter_and_intra(goniometer, **NAMES, interval=interval, rng=np.random.default_rng(3))
    assert got == again
    assert "bootstrap over persons" in got.interval
    for part, formula in zip((got.inter, got.intra), (plain.inter, plain.intra), strict=True):
        assert part.value == formula.value
        assert part.lower == formula.lower
    for part in (got.inter, got.intra, *got.intra_by_rater):
        assert part.low < part.value < part.high
        assert part.sem_low < part.sem < part.sem_high
    two = goniometer[goniometer["participant_id"] <= 2]
    few = inter_and_intra(two, **NAMES, interval=interval)
    assert np.isnan(few.inter.low)
    assert "resampling persons cannot make an interval" in few.reason


def test_percentile_intervals_of_one_coefficient_are_offered_too(judges: pd.DataFrame) -> None:
    both = [
        icc(judges, **NAMES, form="consistency", interval=name, rng=np.random.default_rng(1))
        for name in ("bootstrap", "bootstrap-percentile")
    ]
    assert both[0].low != both[1].low
    assert both[1].interval == "percentile bootstrap over 6 persons"
    size = precision(judges, **NAMES, interval="bootstrap-percentile", rng=np.random.default_rng(1))
    assert size.low < size.sem < size.high
