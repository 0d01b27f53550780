"""Formulas become columns: treatment coding by hand, data only, and a sentence for what cannot be read."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from studykit.errors import CallError, DataError, DesignError
from studykit.modelling.design import FixedDesign, fixed_design, formula_variables
from studykit.modelling.rows import model_rows


def frame() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "y": np.arange(8.0),
            "arm": list("abcabcab"),
            "week": [0, 4, 8, 0, 4, 8, 0, 4],
            "warm": [True, False] * 4,
            "x": [0.1, 0.5, 0.2, 0.9, 0.4, 0.7, 0.3, 0.8],
            "hip angle": [1.0, 2, 4, 3, 5, 7, 6, 8],
        }
    )


def design(formula: str, data: pd.DataFrame | None = None) -> FixedDesign:
    data = frame() if data is None else data
    rows = model_rows(data, outcome="y", predictors=formula_variables(formula), groups=[])
    return fixed_design(formula, rows.frame)


def test_treatment_coding_by_hand() -> None:
    made = design("arm + x")
    assert made.columns == ("Intercept", "arm[T.b]", "arm[T.c]", "x")
    arm = frame()["arm"]
    np.testing.assert_array_equal(made.matrix, np.column_stack([np.ones(8), arm == "b", arm == "c", frame()["x"]]))
    assert made.terms == {"1": (0,), "arm": (1, 2), "x": (3,)}
    assert made.factors == {"arm": ("a", "b", "c")}
    assert made.covariates == {"x": pytest.approx(frame()["x"].mean())}


def test_interaction_columns_are_products() -> None:
    made = design("arm*x")
    for level, column in (("b", "arm[T.b]:x"), ("c", "arm[T.c]:x")):
        product = (frame()["arm"] == level) * frame()["x"]
        np.testing.assert_allclose(made.matrix[:, made.columns.index(column)], product, rtol=1e-15)


def test_numbers_as_factors() -> None:
    made = design("C(week) + x")
    assert made.columns[:3] == ("Intercept", "C(week)[T.4]", "C(week)[T.8]")
    assert made.factors == {"week": (0, 4, 8)}
    assert made.numeric_factors == {"week"}
    new = made.rows(pd.DataFrame({"week": [8, 0], "x": [0.0, 1.0]}))
    np.testing.assert_array_equal(new, [[1, 0, 1, 0], [1, 0, 0, 1]])


def test_true_and_false_are_a_factor() -> None:
    made = design("warm")
    assert made.columns == ("Intercept", "warm[T.True]")
    np.testing.assert_array_equal(made.rows(pd.DataFrame({"warm": [False, True]})), [[1, 0], [1, 1]])


def test_squares_and_names_with_blanks() -> None:
    made = design("I(x**2) + `hip angle`")
    np.testing.assert_allclose(made.matrix[:, 1], frame()["x"] ** 2, rtol=1e-15)
    np.testing.assert_allclose(made.matrix[:, 2], frame()["hip angle"], rtol=1e-15)


def test_transforms_remember_the_data_they_were_made_from() -> None:
    made = design("center(x)")
    new = made.rows(pd.DataFrame({"x": [0.5, 0.6]}))
    np.testing.assert_allclose(new[:, 1], np.array([0.5, 0.6]) - frame()["x"].mean(), rtol=1e-12)


def test_no_intercept() -> None:
    assert design("0 + arm").columns == ("arm[a]", "arm[b]", "arm[c]")


def test_categories_keep_their_order_and_unused_ones_go() -> None:
    data = frame()
    data["arm"] = pd.Categorical(data["arm"], ["c", "b", "z", "a"])
    made = design("arm", data)
    assert made.columns == ("Intercept", "arm[T.b]", "arm[T.a]")


def test_levels_of_new_rows_that_were_not_seen_are_refused() -> None:
    with pytest.raises(DataError, match="The fit has not seen 'd' in 'arm'; it knows 'a', 'b', 'c'"):
        design("arm").rows(pd.DataFrame({"arm": ["a", "d"]}))
    with pytest.raises(DataError, match="has not seen 12 in 'week'"):
        design("C(week)").rows(pd.DataFrame({"week": [0, 12]}))


@pytest.mark.parametrize(
    ("formula", "sentence"),
    [
        ("y ~ arm", "holds '~'; give the right-hand side only"),
        ("arm + (1 | person)", r"holds '\|'; random effects are given as"),
        ("week^2 + arm", r"'week\^2' in a formula means 'week' crossed with itself.*write 'I\(week \*\* 2\)'"),
        ("arm + week**2", r"write 'I\(week \*\* 2\)'"),
        ("", "The formula is empty"),
        ("arm +* x", "cannot be read"),
        ("arm + unknown_function(x)", "calls 'unknown_function', which is not a function of formulas"),
    ],
)
def test_formulas_that_are_refused(formula: str, sentence: str) -> None:
    with pytest.raises(CallError, match=sentence):
        design(formula)


def test_powers_of_groups_of_terms_are_allowed() -> None:
    assert "arm[T.b]:x" in design("(arm + x)^2").columns
    assert "I(x ** 2)" in design("x + I(x**2)").columns


def test_repeated_columns_are_named_with_what_they_repeat() -> None:
    data = frame().assign(double=lambda d: 2 * d["x"], total=lambda d: d["x"] + d["week"])
    with pytest.raises(
        DesignError, match="1 of 3 fixed-effect columns cannot be told from others: 'double' is a combin"
    ):
        design("x + double", data)
    with pytest.raises(DesignError, match=r"is a combination of '(x|week|total)', '(x|week|total)'"):
        design("x + week + total", data)


def test_an_empty_combination_is_named() -> None:
    data = pd.MultiIndex.from_product([list("abc"), [0, 4, 8]], names=["arm", "week"]).to_frame(index=False)
    data = data.assign(y=range(9))
    data = data[~((data["arm"] == "c") & (data["week"] == 8))]
    with pytest.raises(DesignError, match=r"'arm\[T.c\]:C\(week\)\[T.8\]' is zero in every row, as no row has this"):
        design("arm*C(week)", data)


def test_values_that_are_not_finite_are_refused() -> None:
    with pytest.raises((DataError, CallError), match=r"log\(x\)"):
        design("log(x)", frame().assign(x=[0.0, *frame()["x"][1:]]))
