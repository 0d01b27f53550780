"""What a model cannot be fitted to is refused with one sentence that names the term, the number and the way out."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.errors import CallError, DataError, DesignError, FitError
from studykit.numerics.mixed import checks
from studykit.numerics.mixed.fit import fit_variance_components
from studykit.numerics.mixed.small_sample import (
    Ingredients,
    kenward_roger_test,
    satterthwaite_df,
    satterthwaite_test,
    wald_test,
)
from studykit.numerics.mixed.terms import RandomTerm, intercept_by

RNG = np.random.default_rng(0)
PERSON = np.repeat(np.arange(6), 4)
WEEK = np.tile(np.arange(4.0), 6)
Y = 3.0 * RNG.normal(size=6)[PERSON] + RNG.normal(size=24)
ONE = np.ones((24, 1))
BY_PERSON = intercept_by("participant", PERSON)


def _fit(y=Y, x=ONE, terms=(BY_PERSON,), **options):
    return fit_variance_components(y, x, list(terms), **options)


def test_constant_outcome():
    with pytest.raises(DesignError, match="The outcome is 5 in all 24 rows"):
        _fit(y=np.full(24, 5.0))


def test_outcome_that_the_fixed_effects_reproduce():
    with pytest.raises(DesignError, match="reproduce the outcome exactly; no variance is left"):
        _fit(y=2.0 + 3.0 * WEEK, x=np.column_stack([ONE, WEEK]))


def test_outcome_without_spread_within_participants():
    with pytest.raises(DesignError, match="rows that share all levels never differ"):
        _fit(y=np.arange(6.0)[PERSON] ** 2)


def test_one_group():
    with pytest.raises(DesignError, match="'site' has only one level; a variance between levels needs at least two"):
        _fit(terms=[BY_PERSON, intercept_by("site", np.zeros(24, dtype=int))])


def test_one_row_a_participant():
    with pytest.raises(DesignError, match="'participant' has one row for each of its 24 levels"):
        _fit(terms=[intercept_by("participant", np.arange(24))])


def test_slope_that_is_constant_within_every_participant():
    arm = (PERSON % 2).astype(float)
    term = RandomTerm("participant", PERSON, np.column_stack([ONE[:, 0], arm]), column_names=("intercept", "arm"))
    with pytest.raises(DesignError, match="'arm' of the random term 'participant' is constant within each of its 6"):
        _fit(terms=[term])


def test_slope_of_zeros():
    with pytest.raises(DesignError, match="is zero in every row"):
        _fit(terms=[RandomTerm("participant", PERSON, np.zeros((24, 1)))])


def test_two_names_for_the_same_grouping():
    with pytest.raises(DesignError, match="variances of 'participant' and 'person' cannot be told apart"):
        _fit(terms=[BY_PERSON, intercept_by("person", PERSON * 10)])


def test_random_effect_swallowed_by_fixed_ones():
    x = (PERSON[:, None] == np.arange(6)).astype(float)
    with pytest.raises(DesignError, match="leave nothing for the variance of 'participant'"):
        _fit(x=x)


def test_intercept_and_slope_with_two_rows_a_participant_cannot_be_told_from_the_residual():
    person, week = np.repeat(np.arange(12), 2), np.tile([0.0, 1.0], 12)
    x = np.column_stack([np.ones(24), week])
    with pytest.raises(DesignError, match="cannot be told apart in this design"):
        _fit(x=x, terms=[RandomTerm("participant", person, x)])


def test_rank_deficient_fixed_effects_name_the_columns():
    x = np.column_stack([ONE, WEEK, 2.0 * WEEK - 1.0, WEEK**2, WEEK + WEEK**2])
    names = ["intercept", "week", "week twice", "week squared", "both"]
    with pytest.raises(DesignError, match=r"2 of 5 columns .*'week twice', 'both'.*leave these columns out"):
        _fit(x=x, column_names=names)
    with pytest.raises(DesignError, match="'column 3', 'column 5'"):
        _fit(x=x)


def test_far_from_zero_is_not_rank_deficient():
    fit = _fit(x=np.column_stack([ONE, WEEK + 2020.0]))
    assert np.isfinite(fit.beta).all()


def test_too_few_rows():
    with pytest.raises(DesignError, match="There are 24 rows for 24 fixed effects"):
        _fit(x=np.eye(24))


def test_crossed_terms_too_large_for_memory(monkeypatch):
    crossed = intercept_by("site", np.tile(np.arange(4), 6))
    monkeypatch.setattr(checks, "_MOST_NUMBERS", 100)
    with pytest.raises(DesignError, match="leave 4 levels that no block of rows keeps to itself; with 24 rows"):
        _fit(terms=[BY_PERSON, crossed])


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_missing_numbers_are_counted(bad):
    y = Y.copy()
    y[[3, 7]] = bad
    with pytest.raises(DataError, match=r"The outcome is missing or infinite in 2 of 24 rows \(first: row 3\)"):
        _fit(y=y)
    x = np.column_stack([ONE, WEEK])
    x[5, 1] = bad
    with pytest.raises(DataError, match="X is missing or infinite in 1 of 24 rows"):
        _fit(x=x)
    with pytest.raises(DataError, match=r"random term 'participant' hold missing values \(first in row 5\)"):
        _fit(terms=[RandomTerm("participant", PERSON, x)])


def test_calls_that_do_not_fit():
    with pytest.raises(CallError, match="method is 'bayes'; allowed are 'reml', 'ml'"):
        _fit(method="bayes")
    with pytest.raises(CallError, match="needs at least one random term"):
        _fit(terms=[])
    with pytest.raises(CallError, match="give one name for each column"):
        _fit(column_names=["a", "b"])
    with pytest.raises(CallError, match="has 5 rows and X 24"):
        _fit(terms=[intercept_by("participant", np.arange(5))])
    with pytest.raises(CallError, match="the same n"):
        _fit(x=np.ones(24))
    with pytest.raises(CallError, match="must be one integer per row"):
        RandomTerm("participant", WEEK, ONE)
    with pytest.raises(CallError, match="give one row for each of its 24 codes"):
        RandomTerm("participant", PERSON, np.ones((3, 1)))
    with pytest.raises(CallError, match="1 columns and 2 column names"):
        RandomTerm("participant", PERSON, ONE, column_names=("a", "b"))
    fit = _fit()
    with pytest.raises(CallError, match="kind is 'pearson'"):
        fit.residuals("pearson")
    with pytest.raises(CallError, match="deviance is 'wald'"):
        fit.profile_intervals(deviance="wald")
    with pytest.raises(CallError, match="confidence is 95"):
        fit.profile_intervals(95)
    with pytest.raises(CallError, match="give one code for each of the 24 rows"):
        fit.influence(np.arange(3))
    with pytest.raises(CallError, match="All rows carry the same code"):
        fit.influence(np.zeros(24, dtype=int))


def test_contrasts_that_do_not_fit():
    ingredients = _fit(x=np.column_stack([ONE, WEEK])).ingredients()
    for test in (kenward_roger_test, satterthwaite_test, wald_test):
        with pytest.raises(CallError, match="one row for each of the 2 fixed effects"):
            test(ingredients, np.ones(3))
        with pytest.raises(CallError, match="is zero for every fixed effect"):
            test(ingredients, np.zeros(2))
        with pytest.raises(CallError, match="2 contrasts hold only 1 independent"):
            test(ingredients, np.array([[0.0, 0.0], [1.0, 2.0]]))


def test_kenward_roger_refuses_contrasts_for_which_it_has_no_f_distribution():
    # One covariance parameter with so much uncertainty that the matched F would need negative df.
    ingredients = Ingredients(
        beta=np.ones(3),
        phi=np.eye(3),
        p_matrices=-np.diag([1.0, 0.2, 0.1])[None],
        q_matrices=np.diag([1.0, 0.05, 0.02])[None, None],
        r_matrices=None,
        w=np.array([[8.0]]),
    )
    with pytest.raises(FitError, match="too few independent groups"):
        kenward_roger_test(ingredients, np.eye(3))


def test_without_uncertainty_of_variances_the_test_is_chi_squared():
    fit = _fit(x=np.column_stack([ONE, WEEK]))
    made = fit.ingredients()
    certain = Ingredients(made.beta, made.phi, made.p_matrices, made.q_matrices, None, 0.0 * made.w)
    contrast = np.array([0.0, 1.0])
    for test in (kenward_roger_test, satterthwaite_test):
        found, plain = test(certain, contrast), wald_test(certain, contrast)
        assert (found.f, found.df2, found.p) == (plain.f, np.inf, plain.p)
    assert np.isinf(satterthwaite_df(certain)).all()
    # The null value is taken off before anything else.
    assert kenward_roger_test(made, contrast, null=made.beta[1]).f == 0.0


def test_boundary_is_said_in_words_for_each_kind():
    rng = np.random.default_rng(1)
    x = np.column_stack([ONE, WEEK])
    y = 0.5 * WEEK + 2.0 * rng.normal(size=6)[PERSON] + rng.normal(size=24)
    y = y - 0.999 * _slopes(y)
    term = RandomTerm("participant", PERSON, x, correlated=False, column_names=("intercept", "week"))
    fit = _fit(y=y, x=x, terms=[term])
    assert fit.boundary == ("The variance of week by participant is zero.",)
    assert fit.covariances[0][1, 1] == 0.0
    three = RandomTerm("participant", PERSON, np.column_stack([x, (WEEK - 1.5) ** 2]), column_names=("a", "b", "c"))
    words = _fit(y=y, x=x, terms=[three]).boundary
    assert len(words) == 1
    assert "The 3 effects by participant vary in only" in words[0]


def _slopes(y: np.ndarray) -> np.ndarray:
    """Each participant's own slope on the centred week, as a column to take off."""
    centred = WEEK - WEEK.mean()
    own = y.reshape(6, 4) @ centred[:4] / (centred[:4] @ centred[:4])
    return (own - own.mean())[PERSON] * centred
