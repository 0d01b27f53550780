"""Repeated visits by a second route: dense matrices, finite differences, other optimisers, and moving the data."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from studykit.errors import FitError
from studykit.numerics.mixed.repeated import RepeatedCovarianceFit, fit_residual_covariance
from studykit.numerics.mixed.repeated_criterion import criterion
from studykit.numerics.mixed.repeated_inference import repeated_ingredients
from studykit.numerics.mixed.repeated_influence import repeated_residuals, subject_influence
from studykit.numerics.mixed.repeated_profile import profile_intervals
from studykit.numerics.mixed.residual_covariance import COVARIANCE_WORDS, covariance_shape
from studykit.numerics.mixed.small_sample import kenward_roger, kenward_roger_df, satterthwaite_df

T = 4


@dataclass(frozen=True)
class Sample:
    """A small trial with missing visits."""

    y: np.ndarray
    x: np.ndarray
    subject: np.ndarray
    visit: np.ndarray

    def fit(self, word: str, method: str = "reml") -> RepeatedCovarianceFit:
        return fit_residual_covariance(
            self.y, self.x, self.subject, self.visit, n_visits=T, covariance=word, method=method
        )


def sample(seed: int, n: int = 18, missing: float = 0.15) -> Sample:
    rng = np.random.default_rng(seed)
    subject, visit = np.repeat(np.arange(n), T), np.tile(np.arange(T), n)
    arm, age = (subject % 2).astype(float), np.repeat(rng.normal(size=n), T)
    noise = rng.multivariate_normal(np.zeros(T), 0.6 ** np.abs(np.subtract.outer(np.arange(T), np.arange(T))), size=n)
    y = 40 + 1.5 * visit + arm * visit + 2 * age + 3 * (noise * [1.0, 1.2, 1.5, 1.3]).ravel()
    x = np.column_stack([np.ones(n * T), visit == 1, visit == 2, visit == 3, arm, arm * visit, age]).astype(float)
    keep = (rng.random(n * T) > missing) | (visit == 0)
    return Sample(y[keep], x[keep], subject[keep], visit[keep])


def dense(data: Sample, covariance: np.ndarray, reml: bool) -> float:
    """Log-likelihood with an n by n covariance: nothing of the engine is used."""
    same = data.subject[:, None] == data.subject[None, :]
    v = np.where(same, covariance[np.ix_(data.visit, data.visit)], 0.0)
    inverse = np.linalg.inv(v)
    a = data.x.T @ inverse @ data.x
    r = data.y - data.x @ np.linalg.solve(a, data.x.T @ inverse @ data.y)
    n, p = data.x.shape
    value = np.linalg.slogdet(v)[1] + r @ inverse @ r + (n - p if reml else n) * np.log(2 * np.pi)
    return -0.5 * float(value + (np.linalg.slogdet(a)[1] if reml else 0.0))


@pytest.mark.parametrize("word", COVARIANCE_WORDS)
@pytest.mark.parametrize("method", ["reml", "ml"])
class TestSecondRoutes:
    def test_likelihood_is_the_dense_one(self, word: str, method: str) -> None:
        data = sample(1)
        found = data.fit(word, method)
        assert found.log_likelihood == pytest.approx(dense(data, found.covariance, method == "reml"), rel=1e-11)

    def test_no_other_optimiser_finds_more(self, word: str, method: str) -> None:
        data = sample(2)
        found = data.fit(word, method)
        shape = found.shape

        def minus(phi: np.ndarray) -> float:
            return -dense(data, shape.covariance(shape.natural(phi)), method == "reml")

        start = shape.free(shape.start(20.0 * np.eye(T) + 2.0))
        other = optimize.minimize(minus, start, method="BFGS", options={"gtol": 1e-6})
        # a quasi-Newton walk on finite differences ends within about 1e-6 of the top
        assert -other.fun == pytest.approx(found.log_likelihood, abs=1e-5)
        assert found.log_likelihood >= -other.fun - 1e-9

    def test_derivatives_are_those_of_the_dense_likelihood(self, word: str, method: str) -> None:
        data = sample(3)
        found = data.fit(word, method)
        rng = np.random.default_rng(4)
        theta = found.theta * (1 + 0.03 * rng.random(found.theta.size))
        units = found.shape.units(found.products.scale)
        at = criterion(theta / units, found.shape, found.products, reml=method == "reml")

        def minus_twice(point: np.ndarray) -> float:
            return -2 * dense(data, found.shape.covariance(point), method == "reml")

        h = 1e-4 * np.abs(units)
        k = theta.size
        steps = np.diag(h)
        gradient = [(minus_twice(theta + steps[i]) - minus_twice(theta - steps[i])) / (2 * h[i]) for i in range(k)]
        # central differences of step 1e-4 hold about five digits of the gradient and four of the Hessian
        np.testing.assert_allclose(at.gradient / units, gradient, rtol=2e-5, atol=1e-6)
        hessian = np.array(
            [
                [
                    minus_twice(theta + steps[i] + steps[j])
                    - minus_twice(theta + steps[i] - steps[j])
                    - minus_twice(theta - steps[i] + steps[j])
                    + minus_twice(theta - steps[i] - steps[j])
                    for j in range(k)
                ]
                for i in range(k)
            ]
        ) / (4 * np.outer(h, h))
        scale = np.sqrt(np.outer(np.diag(at.observed), np.diag(at.observed)))
        np.testing.assert_allclose(at.observed / scale, 0.5 * hessian * np.outer(units, units) / scale, atol=2e-4)


@pytest.mark.parametrize("word", COVARIANCE_WORDS)
def test_ingredients_are_the_dense_ones(word: str) -> None:
    data = sample(5)
    found = data.fit(word)
    ingredients = repeated_ingredients(found)
    same = data.subject[:, None] == data.subject[None, :]

    def wide(matrix: np.ndarray) -> np.ndarray:
        return np.where(same, matrix[np.ix_(data.visit, data.visit)], 0.0)

    inverse = np.linalg.inv(wide(found.covariance))
    first = [inverse @ wide(matrix) for matrix in found.shape.first(found.theta)]
    second = found.shape.second(found.theta)
    x, phi, k = data.x, np.linalg.inv(data.x.T @ inverse @ data.x), found.theta.size
    p = np.array([-x.T @ d @ inverse @ x for d in first])
    q = np.array([[x.T @ d @ e @ inverse @ x for e in first] for d in first])
    information = np.array(
        [
            [
                0.5 * (np.trace(first[i] @ first[j]) - 2 * np.trace(phi @ q[i, j]) + np.trace(phi @ p[i] @ phi @ p[j]))
                for j in range(k)
            ]
            for i in range(k)
        ]
    )
    # sums of products of conditioned matrices in two orders: 1e-8 of the largest entry
    for mine, theirs in ((ingredients.p_matrices, p), (ingredients.q_matrices, q), (found.expected, information)):
        np.testing.assert_allclose(mine, theirs, rtol=1e-7, atol=1e-8 * np.abs(theirs).max())
    assert (ingredients.r_matrices is None) == found.shape.linear
    if second is not None and ingredients.r_matrices is not None:
        r = np.array([[x.T @ inverse @ wide(second[i, j]) @ inverse @ x for j in range(k)] for i in range(k)])
        np.testing.assert_allclose(ingredients.r_matrices, r, rtol=1e-7, atol=1e-8 * np.abs(r).max())


@pytest.mark.parametrize("word", COVARIANCE_WORDS)
def test_shapes_invert_and_differentiate_themselves(word: str) -> None:
    shape = covariance_shape(word, T)
    moments = np.array([[4.0, 1, 1, 0.5], [1, 5, 1.5, 1], [1, 1.5, 6, 2], [0.5, 1, 2, 7]])
    theta = shape.start(moments)
    phi = shape.free(theta)
    np.testing.assert_allclose(shape.natural(phi), theta, rtol=1e-12)
    assert len(shape.names("abcd")) == theta.size
    h = 1e-6
    for i in range(theta.size):
        step = h * np.eye(theta.size)[i]
        slope = (shape.natural(phi + step) - shape.natural(phi - step)) / (2 * h)
        np.testing.assert_allclose(shape.jacobian(phi)[:, i], slope, rtol=1e-7, atol=1e-8)  # central differences
        bend = (shape.covariance(theta + step) - shape.covariance(theta - step)) / (2 * h)
        np.testing.assert_allclose(shape.first(theta)[i], bend, rtol=1e-7, atol=1e-8)
        second = shape.second(theta)
        curve = (shape.first(theta + step) - shape.first(theta - step)) / (2 * h)
        np.testing.assert_allclose(np.zeros_like(curve) if second is None else second[i], curve, rtol=1e-7, atol=1e-7)


@pytest.mark.parametrize("method", ["reml", "ml"])
@pytest.mark.parametrize("word", ["compound-symmetry", "autoregressive", "heterogeneous-compound-symmetry"])
def test_profile_limits_lie_where_the_dense_profile_has_lost_1_92(word: str, method: str) -> None:
    data = sample(6, n=14)
    found = data.fit(word, method)
    limits = profile_intervals(found, method=method)
    assert limits.criterion == method
    assert np.all(limits.low < found.theta)
    assert np.all(found.theta < limits.high)
    for index in (0, found.theta.size - 1):
        for limit in (limits.low[index], limits.high[index]):
            others = np.arange(found.theta.size) != index

            def minus(
                values: np.ndarray, index: int = index, limit: float = limit, others: np.ndarray = others
            ) -> float:
                theta = np.empty_like(found.theta)
                theta[index], theta[others] = limit, values
                covariance = found.shape.covariance(theta)
                if np.any(np.diag(covariance) <= 0) or np.linalg.eigvalsh(covariance)[0] <= 1e-9:
                    return 1e6
                return -dense(data, covariance, method == "reml")

            best = optimize.minimize(
                minus,
                found.theta[others] * (limit / found.theta[index] if found.shape.linear else 1.0),
                method="Nelder-Mead",
                options={"xatol": 1e-7, "fatol": 1e-10, "maxiter": 6000, "maxfev": 6000},
            )
            drop = 2 * (found.log_likelihood + best.fun)
            assert drop == pytest.approx(stats.chi2.ppf(0.95, 1), abs=2e-5)  # the simplex ends within 1e-5


def test_profile_of_one_variance_is_exact() -> None:
    # one visit: -2 log-likelihood is n log v + rss / v, whose two crossings are found by Brent's method
    rng = np.random.default_rng(8)
    y = rng.normal(size=25)
    found = fit_residual_covariance(
        y,
        np.ones((25, 1)),
        np.arange(25),
        np.zeros(25, dtype=int),
        n_visits=1,
        covariance="independent-by-visit",
        method="ml",
    )
    limits = profile_intervals(found, method="ml")
    rss, best = np.sum((y - y.mean()) ** 2), np.var(y)

    def excess(v: float) -> float:
        return float(25 * np.log(v / best) + rss / v - 25 - stats.chi2.ppf(0.95, 1))

    assert limits.low[0] == pytest.approx(optimize.brentq(excess, 0.01, best), rel=1e-7)  # root found to 1e-9 in z
    assert limits.high[0] == pytest.approx(optimize.brentq(excess, best, 50), rel=1e-7)


class TestInfluence:
    def test_shift_is_that_of_generalised_least_squares_without_the_subject(self) -> None:
        data = sample(9)
        found = data.fit("unstructured")
        influence = subject_influence(found, data.y, data.x)
        assert influence.leverage.sum() == pytest.approx(data.x.shape[1], rel=1e-10)
        for subject in (0, 7):
            rest = data.subject != subject
            same = data.subject[rest][:, None] == data.subject[rest][None, :]
            v = np.where(same, found.covariance[np.ix_(data.visit[rest], data.visit[rest])], 0.0)
            weighted = data.x[rest].T @ np.linalg.inv(v)
            beta = np.linalg.solve(weighted @ data.x[rest], weighted @ data.y[rest])
            np.testing.assert_allclose(influence.beta_shift[subject], found.beta - beta, rtol=1e-7, atol=1e-9)

    def test_an_outlying_subject_stands_out_as_it_does_by_refitting(self) -> None:
        data = sample(10)
        moved = Sample(data.y + 25.0 * (data.subject == 4) * data.visit, data.x, data.subject, data.visit)
        found = moved.fit("compound-symmetry")
        influence = subject_influence(found, moved.y, moved.x)
        assert int(np.argmax(influence.cook_distance)) == 4
        shifts = []
        for subject in range(18):
            rest = moved.subject != subject
            codes = np.unique(moved.subject[rest], return_inverse=True)[1]
            refit = Sample(moved.y[rest], moved.x[rest], codes, moved.visit[rest]).fit("compound-symmetry")
            shifts.append(found.beta - refit.beta)
        rank = stats.spearmanr(np.abs(np.array(shifts)[:, 5]), np.abs(influence.beta_shift[:, 5])).statistic
        assert rank > 0.9  # refitting also moves the covariance: the order agrees, the values only roughly

    def test_residuals(self) -> None:
        data = sample(11)
        found = data.fit("autoregressive")
        residuals = repeated_residuals(found, data.y, data.x)
        np.testing.assert_allclose(residuals.fitted + residuals.residual, data.y, rtol=1e-12)
        # variance of the residuals by the n by n route
        same = data.subject[:, None] == data.subject[None, :]
        v = np.where(same, found.covariance[np.ix_(data.visit, data.visit)], 0.0)
        wanted = residuals.residual / np.sqrt(np.diag(v - data.x @ found.phi @ data.x.T))
        np.testing.assert_allclose(residuals.studentised, wanted, rtol=1e-9)


def answers(found: RepeatedCovarianceFit) -> np.ndarray:
    ingredients = repeated_ingredients(found)
    return np.concatenate(
        [
            found.beta,
            np.sqrt(np.diag(kenward_roger(ingredients))),
            kenward_roger_df(ingredients),
            satterthwaite_df(ingredients),
        ]
    )


words = st.sampled_from(COVARIANCE_WORDS)
seeds = st.integers(0, 10_000)


class TestMovingTheData:
    """The answers move as they must; 1e-7 relative is what a converged optimum and two orders of summation hold."""

    @settings(max_examples=20)
    @given(seed=seeds, word=words)
    def test_order_of_rows_and_names_of_subjects_do_not_matter(self, seed: int, word: str) -> None:
        data = sample(seed % 50)
        order = np.random.default_rng(seed).permutation(data.y.size)
        names = np.random.default_rng(seed + 1).permutation(data.subject.max() + 1)
        other = Sample(data.y[order], data.x[order], names[data.subject[order]], data.visit[order])
        a, b = data.fit(word), other.fit(word)
        assert b.log_likelihood == pytest.approx(a.log_likelihood, rel=1e-10)
        np.testing.assert_allclose(answers(b), answers(a), rtol=1e-7, atol=1e-9)

    @settings(max_examples=20)
    @given(seed=seeds, word=words, shift=st.floats(-1e6, 1e6), scale=st.floats(1e-3, 1e3))
    def test_units_of_the_outcome(self, seed: int, word: str, shift: float, scale: float) -> None:
        data = sample(seed % 50)
        other = Sample(scale * data.y + shift, data.x, data.subject, data.visit)
        a, b = data.fit(word), other.fit(word)
        n, p = data.x.shape
        # a shift of s leaves only 1e-16 s / scale of the outcome's digits
        held = 1e-7 + 1e-13 * abs(shift) / scale
        assert b.log_likelihood == pytest.approx(a.log_likelihood - (n - p) * np.log(scale), rel=held, abs=held)
        wanted = scale * a.beta + shift * np.eye(p)[0]
        np.testing.assert_allclose(b.beta, wanted, rtol=held, atol=held * scale)
        np.testing.assert_allclose(b.covariance, scale**2 * a.covariance, rtol=10 * held)
        np.testing.assert_allclose(
            kenward_roger_df(repeated_ingredients(b)), kenward_roger_df(repeated_ingredients(a)), rtol=10 * held
        )

    @settings(max_examples=20)
    @given(seed=seeds, word=words, factor=st.floats(1e-4, 1e4), centre=st.floats(-100, 100))
    def test_units_of_a_covariate(self, seed: int, word: str, factor: float, centre: float) -> None:
        data = sample(seed % 50)
        x = data.x.copy()
        x[:, 6] = factor * x[:, 6] + centre
        a, b = data.fit(word), Sample(data.y, x, data.subject, data.visit).fit(word)
        # a covariate far from zero in its own units costs the digits of its conditioning
        held = 1e-7 * (1 + abs(centre) / factor)
        assert b.beta[6] * factor == pytest.approx(a.beta[6], rel=held, abs=held)
        np.testing.assert_allclose(b.covariance, a.covariance, rtol=held)
        df_a, df_b = kenward_roger_df(repeated_ingredients(a)), kenward_roger_df(repeated_ingredients(b))
        np.testing.assert_allclose(df_b[1:], df_a[1:], rtol=10 * held)

    @settings(max_examples=20)
    @given(seed=seeds, word=words)
    def test_every_subject_twice_doubles_the_information(self, seed: int, word: str) -> None:
        data = sample(seed % 50)
        double = Sample(
            np.tile(data.y, 2),
            np.tile(data.x, (2, 1)),
            np.concatenate([data.subject, data.subject + data.subject.max() + 1]),
            np.tile(data.visit, 2),
        )
        a, b = data.fit(word, "ml"), double.fit(word, "ml")
        assert b.log_likelihood == pytest.approx(2 * a.log_likelihood, rel=1e-9)
        np.testing.assert_allclose(b.beta, a.beta, rtol=1e-7, atol=1e-9)
        np.testing.assert_allclose(2 * b.phi, a.phi, rtol=1e-7, atol=1e-12)


def test_one_and_two_threads_give_the_same_answers() -> None:
    script = (
        "import sys, numpy as np; sys.path.insert(0, sys.argv[1]); import test_repeated_routes as t\n"
        "found = [t.answers(t.sample(21).fit(word)) for word in ('unstructured',)]\n"
        "print(' '.join(repr(float(value)) for value in np.concatenate(found)))"
    )
    printed = []
    for threads in ("1", "2"):
        env = {**os.environ, "OPENBLAS_NUM_THREADS": threads, "OMP_NUM_THREADS": threads, "MKL_NUM_THREADS": threads}
        done = subprocess.run(
            [sys.executable, "-c", script, str(Path(__file__).parent)],
            env=env,
            capture_output=True,
            text=True,
            check=True,
            cwd=Path(__file__).parents[3],
        )
        printed.append(np.array(done.stdout.split(), dtype=float))
    np.testing.assert_allclose(printed[1], printed[0], rtol=1e-8)  # sums in another order


@pytest.mark.parametrize("word", COVARIANCE_WORDS)
def test_fifty_trials_all_reach_an_optimum(word: str) -> None:
    for seed in range(50):
        found = sample(1000 + seed, n=30, missing=0.2).fit(word)
        assert found.converged
        assert not found.boundary
        assert found.gradient_norm < 1e-6


@pytest.mark.parametrize("word", ["unstructured", "heterogeneous-compound-symmetry"])
def test_trials_too_small_for_their_covariance_converge_or_say_so(word: str) -> None:
    # 12 subjects, 7 fixed effects, few complete ones: where no optimum exists there must be a sentence, not a number
    converged = refused = 0
    for seed in (*range(20), 70, 86, 124):
        try:
            found = sample(1000 + seed, n=12, missing=0.3 if word != "unstructured" else 0.15).fit(word)
        except FitError as error:
            assert "too few subjects" in str(error)  # noqa: PT017 - either outcome is right, silence is not
            refused += 1
        else:
            assert found.converged
            converged += 1
    assert converged > 0
    assert refused > 0
