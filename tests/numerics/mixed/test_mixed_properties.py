"""Answers move as they must when the data are relabelled, shifted, scaled or doubled."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from dense_mixed_model import random_design
from hypothesis import given, settings
from hypothesis import strategies as st
from reference_mixed_models import CASES

from studykit.numerics.mixed.fit import VarianceComponentsFit, fit_variance_components
from studykit.numerics.mixed.small_sample import kenward_roger, kenward_roger_df, satterthwaite_df
from studykit.numerics.mixed.terms import RandomTerm

# Newton ends at rounding of the gradient, about 1e-12 of the deviance; a variance whose own curvature is slight keeps
# half of those digits.
SAME = 1e-6
SEEDS = st.integers(0, 400)


def _same(first: VarianceComponentsFit, second: VarianceComponentsFit, scale: float = 1.0) -> None:
    """Equal up to a scale of the outcome."""
    size = first.residual_variance
    np.testing.assert_allclose(second.residual_variance / scale**2, size, rtol=SAME)
    for one, other in zip(first.covariances, second.covariances, strict=True):
        np.testing.assert_allclose(other / scale**2, one, rtol=SAME, atol=SAME * size)
    assert len(first.boundary) == len(second.boundary)


@given(SEEDS, st.integers(0, 10**6))
@settings(max_examples=15)
def test_row_order_and_labels_do_not_matter(seed, shuffle):
    y, x, terms = random_design(np.random.default_rng([7, seed]))
    fit = fit_variance_components(y, x, terms)
    rng = np.random.default_rng(shuffle)
    order = rng.permutation(y.size)
    moved = []
    for term in terms:
        names = rng.permutation(int(term.codes.max()) + 1) * 3 - 50
        moved.append(replace(term, codes=names[term.codes][order], columns=term.columns[order]))
    again = fit_variance_components(y[order], x[order], moved)
    _same(fit, again)
    np.testing.assert_allclose(again.beta, fit.beta, rtol=1e-7, atol=1e-8 * np.abs(fit.beta).max())
    np.testing.assert_allclose(kenward_roger_df(again.ingredients()), kenward_roger_df(fit.ingredients()), rtol=1e-5)
    np.testing.assert_allclose(again.log_likelihood, fit.log_likelihood, rtol=1e-10)


@given(SEEDS, st.floats(-1e4, 1e4), st.floats(1e-3, 1e3))
@settings(max_examples=15)
def test_a_constant_moves_the_intercept_and_a_factor_scales_everything(seed, constant, factor):
    y, x, terms = random_design(np.random.default_rng([7, seed]))
    fit = fit_variance_components(y, x, terms)
    again = fit_variance_components(factor * (y + constant), x, terms)
    _same(fit, again, factor)
    moved = fit.beta.copy()
    moved[0] += constant
    np.testing.assert_allclose(again.beta, factor * moved, rtol=1e-7, atol=1e-7 * factor * np.abs(moved).max())
    expected = fit.log_likelihood - (y.size - x.shape[1]) * np.log(factor)
    # A shift by 1e4 of an outcome with a spread of 1 leaves 12 of 16 digits of its residuals.
    np.testing.assert_allclose(again.log_likelihood, expected, rtol=1e-8, atol=1e-8)
    np.testing.assert_allclose(kenward_roger_df(again.ingredients()), kenward_roger_df(fit.ingredients()), rtol=1e-5)


@given(SEEDS, st.floats(1e-3, 1e3))
@settings(max_examples=15)
def test_a_covariate_in_other_units_changes_its_own_effects_only(seed, factor):
    y, x, terms = random_design(np.random.default_rng([7, seed]))
    if x.shape[1] < 2:
        return
    fit = fit_variance_components(y, x, terms)
    columns = np.where(np.arange(x.shape[1]) == 1, factor, 1.0)
    scaled = []
    for term in terms:
        factors = np.array([1.0, factor])[: term.width]
        scaled.append(replace(term, columns=term.columns * factors))
    again = fit_variance_components(y, x * columns, scaled)
    np.testing.assert_allclose(again.beta * columns, fit.beta, rtol=1e-7, atol=1e-8 * np.abs(fit.beta).max())
    adjusted = kenward_roger(again.ingredients()) * np.outer(columns, columns)
    reference = kenward_roger(fit.ingredients())
    np.testing.assert_allclose(adjusted, reference, rtol=1e-5, atol=1e-6 * np.abs(reference).max())
    for term, one, other in zip(scaled, fit.covariances, again.covariances, strict=True):
        factors = np.array([1.0, factor])[: term.width]
        found = other * np.outer(factors, factors)
        np.testing.assert_allclose(found, one, rtol=SAME, atol=SAME * (fit.residual_variance + np.abs(one).max()))


def test_dates_far_from_zero_are_as_good_as_centred_ones():
    rng = np.random.default_rng(3)
    person = np.repeat(np.arange(12), 5)
    year = np.tile(np.arange(5.0), 12)
    y = 3.0 * rng.normal(size=12)[person] + rng.normal(size=12)[person] * year + rng.normal(size=60)
    near = np.column_stack([np.ones(60), year])
    far = np.column_stack([np.ones(60), year + 2020.0])
    fit = fit_variance_components(y, near, [RandomTerm("person", person, near)])
    again = fit_variance_components(y, far, [RandomTerm("person", person, far)])
    # The intercept is now 2020 years away: its own numbers differ, those of the slope and the residual do not.
    assert abs(again.log_likelihood - fit.log_likelihood) < 1e-8
    np.testing.assert_allclose(again.beta[1], fit.beta[1], rtol=1e-9)
    np.testing.assert_allclose(again.phi[1, 1], fit.phi[1, 1], rtol=1e-7)
    np.testing.assert_allclose(again.covariances[0][1, 1], fit.covariances[0][1, 1], rtol=1e-7)
    np.testing.assert_allclose(again.residual_variance, fit.residual_variance, rtol=1e-8)
    df, df_again = kenward_roger_df(fit.ingredients()), kenward_roger_df(again.ingredients())
    np.testing.assert_allclose(df_again[1], df[1], rtol=1e-6)


@given(SEEDS)
@settings(max_examples=10)
def test_the_same_study_twice_has_twice_the_likelihood_and_half_the_covariance(seed):
    y, x, terms = random_design(np.random.default_rng([7, seed]))
    fit = fit_variance_components(y, x, terms, method="ml")
    doubled = [
        replace(
            term,
            codes=np.concatenate([term.codes, term.codes + term.codes.max() + 1]),
            columns=np.vstack([term.columns, term.columns]),
        )
        for term in terms
    ]
    again = fit_variance_components(np.tile(y, 2), np.vstack([x, x]), doubled, method="ml")
    _same(fit, again)
    np.testing.assert_allclose(again.log_likelihood, 2.0 * fit.log_likelihood, rtol=1e-9)
    np.testing.assert_allclose(again.phi, fit.phi / 2.0, rtol=1e-6, atol=1e-8 * np.abs(fit.phi).max())


@pytest.mark.parametrize("name", ["trial B", "trial D", "sleepstudy, intercept and slope", "Penicillin"])
def test_the_order_of_the_rows_of_a_trial_changes_nothing_above_rounding(name):
    case = CASES[name]()
    order = np.random.default_rng(1).permutation(case.y.size)
    moved = [replace(term, codes=term.codes[order], columns=term.columns[order]) for term in case.terms]
    numbers = []
    for y, x, terms in ((case.y, case.x, case.terms), (case.y[order], case.x[order], moved)):
        fit = fit_variance_components(y, x, terms)
        made = fit.ingredients()
        inference = np.sqrt(np.diag(kenward_roger(made))), kenward_roger_df(made), satterthwaite_df(made)
        variances = [value for covariance in fit.covariances for value in np.ravel(covariance)]
        numbers.append(np.concatenate([fit.beta, variances, [fit.residual_variance], *inference]))
    np.testing.assert_allclose(numbers[1], numbers[0], rtol=1e-8)


_PROGRAM = """
import sys
sys.path.insert(0, {folder!r})
import numpy as np
from reference_mixed_models import CASES
from studykit.numerics.mixed.fit import fit_variance_components
from studykit.numerics.mixed.small_sample import kenward_roger, kenward_roger_df
for name in ("trial A", "sleepstudy, intercept and slope", "Penicillin"):
    case = CASES[name]()
    fit = fit_variance_components(case.y, case.x, case.terms)
    g = fit.ingredients()
    inference = kenward_roger(g).diagonal(), kenward_roger_df(g)
    for numbers in (fit.beta, *fit.covariances, [fit.residual_variance], *inference):
        print(*[repr(float(number)) for number in np.ravel(numbers)])
"""


def test_one_and_two_threads_of_the_linear_algebra_agree():
    """Threads add in another order: 1e-8 relative, as far above rounding as the optimum is sharp."""
    folder = str(Path(__file__).parent)
    printed = []
    for threads in ("1", "2"):
        counts = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), threads)
        done = subprocess.run(
            [sys.executable, "-c", _PROGRAM.format(folder=folder)],
            env={**os.environ, **counts},
            capture_output=True,
            text=True,
            check=True,
        )
        printed.append(np.array([float(word) for word in done.stdout.split()]))
    assert printed[0].size > 40
    np.testing.assert_allclose(printed[0], printed[1], rtol=1e-8)
