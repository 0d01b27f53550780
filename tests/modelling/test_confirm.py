"""The second route: it agrees where the optimum is right, and says who is better where it is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from labelled_references import CASES, table

from studykit.errors import DesignError, FitError
from studykit.modelling import Varies, fit_mixed, fit_repeated
from studykit.modelling.confirm import confirm_mixed, confirm_repeated
from studykit.modelling.written_out import mixed_optimum
from studykit.numerics.mixed.residual_covariance import COVARIANCE_WORDS

SMALL = ["sleep", "sleep uncorrelated", "penicillin", "pastes", "dyestuff", "machines", "machines unstructured"]


@pytest.mark.parametrize("method", ["reml", "ml"])
@pytest.mark.parametrize("name", [*SMALL, "orthodont", "machines unbalanced"])
def test_statsmodels_finds_the_same_optimum(name: str, method: str) -> None:
    found = CASES[name].fit(method).confirm()
    assert found.route == "statsmodels"
    # searches without derivatives end within 1e-5 of the top on these
    assert abs(found.difference) < 1e-5


@pytest.mark.parametrize("word", COVARIANCE_WORDS)
@pytest.mark.parametrize("method", ["reml", "ml"])
def test_a_written_out_likelihood_finds_the_same_optimum(word: str, method: str) -> None:
    found = fit_repeated(
        table("Orthodont"),
        outcome="distance",
        fixed="Sex*age",
        subject="Subject",
        visit="age",
        covariance=word,
        method=method,
    )
    assert abs(found.confirm().difference) < 1e-5


def test_who_is_better_is_said() -> None:
    engine = CASES["dyestuff"].fit().engine
    with pytest.raises(FitError, match=r"disagree: .* statsmodels found the better optimum, by 0.5"):
        confirm_mixed(replace(engine, log_likelihood=engine.log_likelihood - 0.5), 1e-4)
    with pytest.raises(FitError, match=r"disagree: .* this kit found the better optimum, by 0.5"):
        confirm_mixed(replace(engine, log_likelihood=engine.log_likelihood + 0.5), 1e-4)
    found = fit_repeated(
        table("Orthodont"), outcome="distance", fixed="age", subject="Subject", visit="age", covariance="autoregressive"
    )
    worse = replace(found.engine, log_likelihood=found.engine.log_likelihood - 1)
    outcome = found.frame["distance"].to_numpy(dtype=float)
    with pytest.raises(FitError, match="a likelihood written out subject by subject found the better optimum, by 1"):
        confirm_repeated(worse, outcome, found.design.matrix, found.subject_codes, found.visit_codes, 1e-4)


def test_what_statsmodels_cannot_express_goes_to_a_likelihood_written_out() -> None:
    rng = np.random.default_rng(1)
    keys = pd.MultiIndex.from_product([range(8), range(4), range(4)], names=["person", "rater", "week"])
    frame = keys.to_frame(index=False)
    level = rng.normal(size=8)[frame["person"]] * frame["week"] + rng.normal(size=4)[frame["rater"]]
    frame["y"] = rng.normal(size=len(frame)) + level
    for random in (
        [Varies("person", slope="week"), Varies("rater")],
        [Varies("person", slope="week"), Varies("rater", slope="week")],
    ):
        for method in ("reml", "ml"):
            found = fit_mixed(frame, outcome="y", fixed="week", random=random, method=method).confirm()
            assert found.route == "a likelihood written out in full"
            assert abs(found.difference) < 1e-5  # finite differences end within this of the top


@pytest.mark.parametrize("name", ["sleep", "penicillin", "machines unbalanced"])
def test_the_written_out_likelihood_is_that_of_the_references(name: str) -> None:
    engine = CASES[name].fit().engine
    best = mixed_optimum(engine.response.y[:, 0], engine.design.x, engine.design.terms, reml=True)
    assert best == pytest.approx(CASES[name].wanted["REML"]["logLik"], abs=1e-5)


def test_large_data_are_refused() -> None:
    with pytest.raises(DesignError, match="too many for the second route"):
        CASES["motion F"].fit().confirm()
    with pytest.raises(DesignError, match="statsmodels cannot express this model, and 863 rows are too many"):
        CASES["motion D"].fit().confirm()


def slopes(seed: int, spread: float) -> pd.DataFrame:
    """Fifteen people, five visits, random level and slope: the designs on which quasi-Newton searches stop short."""
    rng = np.random.default_rng(seed)
    person, week = np.repeat(np.arange(15), 5), np.tile(np.arange(5.0), 15)
    y = 50 + 2 * week + rng.normal(0, 6, 15)[person] + rng.normal(0, spread, 15)[person] * week + rng.normal(0, 3, 75)
    return pd.DataFrame({"person": person, "week": week, "y": y})


def confirmed(seed: int, spread: float) -> float:
    found = fit_mixed(slopes(seed, spread), outcome="y", fixed="week", random=[Varies("person", slope="week")])
    # statsmodels may stop short on a boundary; only a better optimum of its own would be a fault of ours
    return found.confirm(tolerance=np.inf).difference


@pytest.mark.parametrize("spread", [0.0, 0.5, 1.5])
def test_no_random_slope_falls_short(spread: float) -> None:
    for seed in range(2):
        assert confirmed(seed, spread) > -1e-6


@pytest.mark.slow
@pytest.mark.parametrize("spread", [0.0, 0.5, 1.5])
def test_none_of_two_hundred_random_slopes_falls_short(spread: float) -> None:
    differences = np.array([confirmed(1000 + seed, spread) for seed in range(200)])
    assert differences.min() > -1e-6
