"""Marginal means, slopes, contrasts and their families against R emmeans 1.8.4, and by hand."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pytest
from labelled_references import CASES, expected, table

from studykit.errors import CallError
from studykit.modelling import MixedFit, RepeatedFit, fit_mixed, fit_repeated

# pbkrtest's numbers hold six digits, lmerTest's five
HELD = {"kenward-roger": 1e-6, "satterthwaite": 1e-5}
OVER = {"~Machine": "Machine", "~recipe": "recipe", "~temperature": "temperature", "~treatment": "treatment"}


@cache
def fitted(name: str) -> MixedFit:
    return CASES[name].fit()


def check(found: pd.DataFrame, wanted: list[dict[str, Any]], mean: str, held: float) -> None:
    """Compare rows in order; limits and p values lose a digit in the tail."""
    assert len(found) == len(wanted)
    for mine, theirs in zip(found.itertuples(), wanted, strict=True):
        assert mine.estimate == pytest.approx(theirs[mean], rel=held, abs=1e-7)
        assert mine.std_error == pytest.approx(theirs["SE"], rel=held)
        assert mine.df == pytest.approx(theirs["df"], rel=held)
        assert mine.p == pytest.approx(
            theirs["p.value"], rel=1e-4, abs=1e-12
        )  # studentized ranges are one minus a probability
        for low, high in (("lower_95", "upper_95"), ("lower.CL", "upper.CL")):
            if low in theirs:
                width = theirs[high] - theirs[low]
                assert (mine.low, mine.high) == pytest.approx((theirs[low], theirs[high]), abs=10 * held * width)


@pytest.mark.parametrize("word", ["kenward-roger", "satterthwaite"])
@pytest.mark.parametrize("name", ["machines", "machines unbalanced", "cake", "depression"])
def test_means_and_contrasts(name: str, word: str) -> None:
    found = fitted(name)
    for block in CASES[name].wanted["emmeans"]:
        over, wanted = OVER[block["specs"]], block[word.replace("-", "_")]
        check(found.marginal_means(over, small_sample=word), wanted["emmeans"], "emmean", HELD[word])
        for multiplicity, key in (
            ("none", "contrasts_unadjusted"),
            ("tukey", "contrasts_tukey"),
            ("holm", "contrasts_holm"),
        ):
            pairs = found.contrasts(over, "pairwise", multiplicity=multiplicity, small_sample=word)
            check(pairs, wanted[key], "estimate", HELD[word])


@pytest.mark.parametrize("word", ["kenward-roger", "satterthwaite"])
def test_means_at_values_of_a_covariate(word: str) -> None:
    wanted = CASES["sleep"].wanted["emmeans"][0][word.replace("-", "_")]
    days = {"Days": [0, 5, 9]}
    check(fitted("sleep").marginal_means("Days", days, small_sample=word), wanted["emmeans"], "emmean", HELD[word])
    pairs = fitted("sleep").contrasts("Days", "pairwise", at=days, multiplicity="tukey", small_sample=word)
    # R's studentized range holds four digits of so small a p value and six of the quantile
    for mine, theirs in zip(pairs.itertuples(), wanted["contrasts_tukey"], strict=True):
        assert mine.p == pytest.approx(theirs["p.value"], rel=1e-4)
        assert mine.low == pytest.approx(theirs["lower_95"], rel=1e-4)


@pytest.mark.parametrize("word", ["kenward-roger", "satterthwaite"])
def test_contrasts_within_visits(word: str) -> None:
    wanted = CASES["depression by visit"].wanted["emmeans"][0][word.replace("-", "_")]
    found = fitted("depression by visit")
    means = found.marginal_means(["visit", "treatment"], small_sample=word)
    assert list(means["treatment"])[:2] == ["TAU", "BtheB"]
    check(means, wanted["emmeans"], "emmean", HELD[word])
    pairs = found.contrasts("treatment", "pairwise", within="visit", multiplicity="tukey", small_sample=word)
    assert list(pairs["visit"]) == [2, 3, 5, 8]
    check(pairs, wanted["contrasts_tukey"], "estimate", HELD[word])


@pytest.mark.parametrize(
    ("name", "covariate", "over", "file", "key"),
    [
        ("bodyweight", "Time", "Diet", "lmm_bodyweight", "emtrends"),
        ("orthodont", "agec", "Sex", "lmm_orthodont", "emtrends_random_slope"),
    ],
)
@pytest.mark.parametrize("word", ["kenward-roger", "satterthwaite"])
def test_slopes(name: str, covariate: str, over: str, file: str, key: str, word: str) -> None:
    wanted = expected(file)[key][word.replace("-", "_")]
    found = fitted(name)
    check(found.slopes(covariate, over, small_sample=word), wanted["trends"], f"{covariate}.trend", HELD[word])
    pairs = found.contrasts(over, "pairwise", slope_of=covariate, small_sample=word)
    check(pairs, wanted["contrasts"], "estimate", HELD[word])


@cache
def covariance_analysis() -> RepeatedFit:
    frame = table("anorexia")
    frame["Treat"] = pd.Categorical(frame["Treat"], ["Cont", "CBT", "FT"])
    frame = frame.assign(person=range(len(frame)), visit=1)
    return fit_repeated(
        frame,
        outcome="Postwt",
        fixed="Prewt + Treat",
        subject="person",
        visit="visit",
        covariance="independent-by-visit",
    )


class TestAnalysisOfCovariance:
    """One row a person and one visit: the repeated family is least squares, and emmeans of lm must come out."""

    def test_coefficients(self) -> None:
        wanted = expected("ancova_anorexia")["ancova"]
        found = covariance_analysis().coefficients()
        np.testing.assert_allclose(found["estimate"], [row["Estimate"] for row in wanted["coef"]], rtol=1e-9)
        np.testing.assert_allclose(found["std_error"], [row["Std. Error"] for row in wanted["coef"]], rtol=1e-9)
        np.testing.assert_allclose(found["df"], 68, rtol=1e-9)
        limits = wanted["ci95"]
        np.testing.assert_allclose(found["low"], [row["lower"] for row in limits], rtol=1e-8)

    def test_adjusted_means_and_contrasts(self) -> None:
        wanted = expected("ancova_anorexia")["ancova_emmeans"]
        check(covariance_analysis().marginal_means("Treat"), wanted["emmeans"], "emmean", 1e-8)
        check(covariance_analysis().contrasts("Treat", "pairwise"), wanted["contrasts"], "estimate", 1e-8)
        tukey = covariance_analysis().contrasts("Treat", "pairwise", multiplicity="tukey")
        np.testing.assert_allclose(tukey["p"], [row["p.value"] for row in wanted["contrasts_tukey"]], rtol=1e-6)
        dunnett = covariance_analysis().contrasts("Treat", multiplicity="dunnett")
        assert list(dunnett["contrast"]) == ["CBT - Cont", "FT - Cont"]
        # the reference integrates by Monte Carlo
        np.testing.assert_allclose(dunnett["p"], [row["p.value"] for row in wanted["contrasts_dunnett"]], rtol=2e-3)


class TestByHand:
    def test_a_balanced_mean_is_the_plain_mean(self) -> None:
        frame = CASES["cake"].frame()
        plain = frame.groupby("recipe", observed=True)["angle"].mean()
        found = fitted("cake").marginal_means("recipe").set_index("recipe")["estimate"]
        np.testing.assert_allclose(found, plain.loc[found.index], rtol=1e-10)

    def test_a_covariate_stands_at_its_mean(self) -> None:
        found = fitted("cake line").marginal_means("recipe")["estimate"]
        given = fitted("cake line").marginal_means("recipe", {"temp": 200})["estimate"]
        np.testing.assert_allclose(found, given, rtol=1e-12)
        hotter = fitted("cake line").marginal_means("recipe", {"temp": 210})["estimate"]
        slope = fitted("cake line").coefficients().set_index("term").loc["temp", "estimate"]
        np.testing.assert_allclose(hotter - found, 10 * slope, rtol=1e-9)

    def test_reference_contrasts_name_their_direction(self) -> None:
        found = fitted("cake").contrasts("recipe", reference="B")
        assert list(found["contrast"]) == ["A - B", "C - B"]
        means = fitted("cake").marginal_means("recipe").set_index("recipe")["estimate"]
        np.testing.assert_allclose(found["estimate"], [means["A"] - means["B"], means["C"] - means["B"]], rtol=1e-9)

    def test_a_given_matrix(self) -> None:
        matrix = pd.DataFrame([[0.5, 0.5, -1.0]], index=["A and B - C"])
        found = fitted("cake").contrasts("recipe", "given", matrix=matrix)
        assert found["contrast"].tolist() == ["A and B - C"]
        means = fitted("cake").marginal_means("recipe")["estimate"].to_numpy()
        assert found["estimate"].item() == pytest.approx((means[0] + means[1]) / 2 - means[2], rel=1e-9)

    def test_dunnett_within_temperatures(self) -> None:
        found = fitted("cake").contrasts("recipe", within="temperature", multiplicity="dunnett")
        alone = fitted("cake").contrasts("recipe", within="temperature")
        assert len(found) == 12
        assert (found["p"] >= alone["p"]).all()
        assert (found["low"] <= alone["low"]).all()

    def test_two_variables_at_once(self) -> None:
        found = fitted("cake").marginal_means(["recipe", "temperature"])
        assert found.columns.tolist()[:3] == ["recipe", "temperature", "estimate"]
        assert len(found) == 18
        cell = CASES["cake"].frame().query("recipe == 'B' and temperature == '195'")["angle"].mean()
        mine = found[(found["recipe"] == "B") & (found["temperature"] == "195")]["estimate"].item()
        assert mine == pytest.approx(cell, rel=1e-10)

    def test_slope_of_a_square(self) -> None:
        frame = table("sleepstudy")
        found = fit_mixed(frame, outcome="Reaction", fixed="Days + I(Days**2)", random=CASES["sleep"].random)
        rows = found.coefficients().set_index("term")["estimate"]
        slope = found.slopes("Days", at={"Days": 3})["estimate"].item()
        assert slope == pytest.approx(rows["Days"] + 6 * rows["I(Days ** 2)"], rel=1e-9)

    def test_prediction_at_new_rows(self) -> None:
        new = pd.DataFrame({"Days": [0, 4]}, index=["start", "later"])
        found = fitted("sleep").predict(new)
        means = fitted("sleep").marginal_means("Days", {"Days": [0, 4]})
        np.testing.assert_allclose(found["estimate"], means["estimate"], rtol=1e-12)
        assert list(found.index) == ["start", "later"]


class TestErrors:
    def test_variables_and_levels(self) -> None:
        found = fitted("cake")
        with pytest.raises(CallError, match="'oven' is not a variable of the formula"):
            found.marginal_means("oven")
        with pytest.raises(CallError, match="'recipe' has no level 'D'; it has 'A', 'B', 'C'"):
            found.marginal_means("temperature", {"recipe": "D"})
        with pytest.raises(CallError, match=r"'Days' is numeric; give the values to take means at"):
            fitted("sleep").marginal_means("Days")
        with pytest.raises(CallError, match="at least one variable"):
            found.marginal_means([])

    def test_contrasts(self) -> None:
        found = fitted("cake")
        with pytest.raises(CallError, match="There is no mean at 'D' to compare with"):
            found.contrasts("recipe", reference="D")
        with pytest.raises(CallError, match="kind is 'trend'; allowed are 'reference', 'pairwise', 'given'"):
            found.contrasts("recipe", "trend")
        with pytest.raises(CallError, match="needs `matrix`"):
            found.contrasts("recipe", "given")
        with pytest.raises(CallError, match="has 2 columns and there are 3 means"):
            found.contrasts("recipe", "given", matrix=pd.DataFrame([[1.0, -1.0]]))
        with pytest.raises(CallError, match="both compared and held"):
            found.contrasts("recipe", within="recipe")
        with pytest.raises(CallError, match="Tukey's method is for all pairs"):
            found.contrasts("recipe", multiplicity="tukey")
        with pytest.raises(CallError, match="one mean only"):
            found.contrasts("recipe", at={"recipe": "A"})

    def test_slopes(self) -> None:
        with pytest.raises(CallError, match="'Diet' is not a numeric covariate of this model; there are 'Time'"):
            fitted("bodyweight").slopes("Diet")
