"""Fits that advance together: looks, optima and tests of the single engine; digits that depend on nothing else."""

from __future__ import annotations

import numpy as np
import pytest
from dense_mixed_model import random_design, random_slope_set
from reference_mixed_models import CASES

from studykit.errors import DesignError, FitError
from studykit.numerics.mixed import many as many_module
from studykit.numerics.mixed.components import Components
from studykit.numerics.mixed.criterion import evaluate
from studykit.numerics.mixed.cross_products import DesignProducts, response_products
from studykit.numerics.mixed.fit import GRADIENT_PER_ROW, check_trusted, prepare_design
from studykit.numerics.mixed.information import derivatives, ingredients, profiled_deviance
from studykit.numerics.mixed.many import ManyFits, fit_many
from studykit.numerics.mixed.many_criterion import look, profiled_deviances
from studykit.numerics.mixed.many_products import ManyProducts, block_kinds, design_kinds, many_products
from studykit.numerics.mixed.many_search import ManyOptima
from studykit.numerics.mixed.search import search
from studykit.numerics.mixed.small_sample import kenward_roger, kenward_roger_df
from studykit.numerics.mixed.terms import RandomTerm, intercept_by


def _planned_trial(rng: np.random.Generator, trials: int = 6) -> tuple[np.ndarray, np.ndarray, list[RandomTerm]]:
    """A trial as plans have it: y (n, trials), x, terms. Two arms, both limbs, three visits, crossed raters, losses.

    Slopes by participant, a further one in the treated arm, participant at a visit; half of the trials have no slopes.
    """
    people, weeks = 24, np.array([0.0, 6.0, 12.0])
    person, visit, side = (axis.ravel() for axis in np.indices((people, 3, 2)))
    last = np.where(np.arange(people) % 8 == 3, 1, 2)
    seen = visit <= last[person]
    person, visit, side = person[seen], visit[seen], side[seen]
    arm, week, rater = person % 2, weeks[visit], (person + visit) % 3
    cell = np.where(visit == 0, 0, 1 + 3 * arm + visit)
    x = np.column_stack([(cell == one).astype(float) for one in np.unique(cell)])
    ones = np.ones(person.size)
    terms = [
        RandomTerm("participant", person, np.column_stack([ones, week])),
        intercept_by("limb", 2 * person + side),
        intercept_by("participant at a visit", 3 * person + visit),
        intercept_by("rater", rater),
        RandomTerm("further slope", person, week * arm),
    ]
    y = 1.2 * rng.normal(size=(person.size, trials))
    for term, sds in zip(terms, ((4.0, 0.1), (2.0,), (1.0,), (0.8,), (0.15,)), strict=True):
        for column, sd in zip(term.columns.T, sds, strict=True):
            sizes = np.where(np.arange(trials) % 2 * np.ptp(column) == 0.0, sd, 0.0)
            y += column[:, None] * (sizes * rng.normal(size=(int(term.codes.max()) + 1, trials)))[term.codes]
    return y, x, terms


def _ratios(parts: Components, rng: np.random.Generator, count: int) -> np.ndarray:
    """Positive definite ratios of all sizes; the first fit has none at all."""
    squares = [
        tuple(root @ root.T for root in (rng.normal(size=(width, width)) for width in parts.widths))
        for _ in range(count)
    ]
    gamma = np.array([parts.vector(matrices) for matrices in squares])
    gamma[0] = 0.0
    return gamma


def _products(design: DesignProducts, y: np.ndarray) -> ManyProducts:
    responses = [response_products(design, column[:, None]) for column in y.T]
    return many_products(design, design_kinds(design, block_kinds(design)), responses)


def _design_and_outcomes(name: str) -> tuple[DesignProducts, np.ndarray]:
    rng = np.random.default_rng(8)
    if name == "planned trial":
        y, x, terms = _planned_trial(rng, 3)
        return prepare_design(x, terms), y
    case = CASES[name]()
    y = case.y[:, None] + case.y.std() * rng.normal(size=(case.y.size, 3))
    return prepare_design(case.x, case.terms), y


@pytest.mark.parametrize("reml", [True, False])
@pytest.mark.parametrize(
    "name", ["planned trial", "trial B", "trial D", "Penicillin", "BodyWeight", "Machines, unbalanced"]
)
def test_a_look_at_many_is_the_look_at_each(name, reml):
    """Nested, sloped and crossed terms, padded blocks, one kind of block or as many as there are blocks."""
    design, y = _design_and_outcomes(name)
    many = _products(design, y)
    gamma = _ratios(design.components, np.random.default_rng(3), 3)
    points = look(many, np.arange(3), gamma, reml=reml)
    values, gradients, hessians = profiled_deviances(points, many, reml=reml)
    assert points.defined.all()
    for index, column in enumerate(y.T):
        alone = evaluate(design, response_products(design, column[:, None]), gamma[index])
        parts = derivatives(alone, reml=reml)
        value, gradient, hessian = profiled_deviance(alone, design, reml=reml)
        # Both routes lose about the condition of X' H^-1 X and of H to rounding: up to 1e-12 of the largest entry here.
        for found, expected in (
            (points.log_det_h[index], alone.log_det_h),
            (points.log_det_f[index], alone.log_det_f),
            (points.quadratic[index], alone.quadratic),
            (points.phi[index], alone.phi),
            (points.traces[index], parts.traces),
            (points.trace_pairs[index], parts.trace_pairs),
            (points.quadratics[index], parts.quadratics),
            (points.quadratic_pairs[index], parts.quadratic_pairs),
            (values[index], value),
        ):
            np.testing.assert_allclose(found, expected, rtol=0.0, atol=1e-11 * (1e-3 + np.max(np.abs(expected))))
        scale = np.max(np.abs(parts.traces))
        np.testing.assert_allclose(gradients[index], gradient, rtol=0.0, atol=1e-11 * scale)
        np.testing.assert_allclose(hessians[index], hessian, rtol=0.0, atol=1e-11 * scale**2)
        np.testing.assert_allclose(
            points.beta[index], alone.beta, rtol=0.0, atol=1e-11 * np.sqrt(alone.quadratic * np.max(alone.phi))
        )


def test_blocks_that_are_alike_are_counted_together():
    y, x, terms = _planned_trial(np.random.default_rng(1), 1)
    design = prepare_design(x, terms)
    (kinds,) = design_kinds(design, block_kinds(design))
    # Two arms, leaving after the second visit or staying; people 3, 11 and 19, all of them of the treated arm, leave.
    assert sorted(kinds.counts.tolist()) == [3.0, 9.0, 12.0]
    assert len(_products(design, y).outcomes[0][0]) == 3 * kinds.size * (kinds.size + 1) // 2


def _assert_same_optima(many: ManyFits, y: np.ndarray, *, reml: bool) -> None:
    design = many.design
    for index, column in enumerate(y.T):
        response = response_products(design, column[:, None])
        try:
            optimum = search(design, response, reml=reml, several=False)
            check_trusted(optimum, design.n)
        except FitError:
            assert not many.fitted[index]
            continue
        assert many.fitted[index]
        point = evaluate(design, response, many.ratios[index])
        value, _, _ = profiled_deviance(point, design, reml=reml)
        # Two places that meet the engine's bound on the slope differ in deviance by its square: rounding, about 1e-12.
        assert abs(value - optimum.value) < 1e-9
        made = ingredients(optimum.point, design, many.beta[index], reml=reml)
        weights = np.eye(design.p)[-1]
        spread = np.sqrt(made.phi[-1, -1])
        inverse_root = np.linalg.inv(design.x_root)
        beta = inverse_root @ (response.start[:, 0] + optimum.point.beta)
        # Ratios that the data hardly tell apart are known to 1e-5 or so where the deviance is known to rounding.
        assert abs(many.beta[index, -1] - beta[-1]) < 1e-6 * spread
        found = many.contrast(weights)
        assert found.std_error[index] == pytest.approx(np.sqrt(kenward_roger(made)[-1, -1]), rel=1e-5)
        assert found.df[index] == pytest.approx(kenward_roger_df(made)[-1], rel=1e-4)


@pytest.mark.parametrize("method", ["reml", "ml"])
def test_a_planned_trial_has_the_optima_and_tests_of_the_single_engine(method):
    """Crossed raters and losses; the slopes of half of the trials lie on the boundary or near it."""
    y, x, terms = _planned_trial(np.random.default_rng(2))
    many = fit_many(prepare_design(x, terms), y, method=method)
    assert many.fitted.all()
    assert (many.parameters[:, :-1] == 0.0).any()
    _assert_same_optima(many, y, reml=method == "reml")


@pytest.mark.parametrize("first", [0, 10, 20, 30])
def test_random_designs_have_the_optima_and_tests_of_the_single_engine(first):
    """Small unbalanced studies of random shapes, many of them on a boundary; REML and ML in turn."""
    fitted = 0
    for seed in range(first, first + 10):
        rng = np.random.default_rng(seed)
        y, x, terms = random_design(rng) if seed % 2 else random_slope_set(rng, (0.0, 0.5, 1.5)[seed // 2 % 3])
        outcomes = np.column_stack([y, y + rng.normal(size=y.size)])
        try:
            design = prepare_design(x, terms)
        except DesignError:
            continue
        reml = seed % 4 < 3
        many = fit_many(design, outcomes, method="reml" if reml else "ml")
        _assert_same_optima(many, outcomes, reml=reml)
        fitted += int(many.fitted.sum())
    assert fitted >= 14


@pytest.mark.parametrize("name", ["planned trial", "trial D", "Penicillin", "Machines, three machines by worker"])
def test_the_digits_of_a_fit_do_not_depend_on_the_outcomes_beside_it(name):
    """To the last digit, for any way of cutting the outcomes into calls."""
    design, some = _design_and_outcomes(name)
    rng = np.random.default_rng(6)
    y = np.column_stack([some, some[:, :1] + some.std() * rng.normal(size=(len(some), 9))])
    weights = rng.normal(size=design.p)
    whole = fit_many(design, y)
    for cuts in ([1, 2, 7], [5], list(range(1, y.shape[1]))):
        parts = [fit_many(design, part) for part in np.split(y, cuts, axis=1)]
        for field in ("beta", "parameters", "ratios", "fitted"):
            joined = np.concatenate([getattr(part, field) for part in parts])
            np.testing.assert_array_equal(joined, getattr(whole, field))
        for small_sample in ("kenward-roger", "none"):
            found = [part.contrast(weights, small_sample=small_sample) for part in parts]
            expected = whole.contrast(weights, small_sample=small_sample)
            for field in ("estimate", "std_error", "df", "p"):
                joined = np.concatenate([getattr(one, field) for one in found])
                np.testing.assert_array_equal(joined, getattr(expected, field))


def test_the_order_in_which_outcomes_advance_changes_no_digit(monkeypatch):
    y, x, terms = _planned_trial(np.random.default_rng(4))
    design = prepare_design(x, terms)
    whole = fit_many(design, y)
    monkeypatch.setattr(many_module, "_TOGETHER", 2)
    np.testing.assert_array_equal(fit_many(design, y).parameters, whole.parameters)
    np.testing.assert_array_equal(fit_many(design, y[:, ::-1]).parameters[::-1], whole.parameters)


def _assert_close(found: ManyFits, expected: ManyFits) -> None:
    weights = np.eye(expected.design.p)[-1]
    np.testing.assert_array_equal(found.fitted, expected.fitted)
    # As above: two ends of searches within the engine's bound on the slope.
    np.testing.assert_allclose(found.parameters, expected.parameters, rtol=1e-6, atol=1e-8)
    for field in ("estimate", "std_error", "df", "p"):
        one, other = (getattr(fits.contrast(weights), field) for fits in (found, expected))
        np.testing.assert_allclose(one, other, rtol=1e-6)


def _only_the_second_arrives(optima: ManyOptima, rows: int) -> ManyOptima:
    second = np.arange(optima.found.size) == 1
    return ManyOptima(optima.ratios * np.where(second, 1.0, np.nan)[:, None], optima.gradient, second)


def _where_the_deviance_still_slopes(optima: ManyOptima, rows: int) -> ManyOptima:
    return ManyOptima(1.1 * optima.ratios, optima.gradient + 1.1 * GRADIENT_PER_ROW * rows, optima.found)


@pytest.mark.parametrize("ended", [_only_the_second_arrives, _where_the_deviance_still_slopes])
def test_a_fit_that_does_not_arrive_with_the_others_is_made_alone(monkeypatch, ended):
    y, x, terms = _planned_trial(np.random.default_rng(5), 3)
    design = prepare_design(x, terms)
    expected, together = fit_many(design, y), many_module.search_many

    def elsewhere(many: ManyProducts, count: int, *, reml: bool) -> ManyOptima:
        return ended(together(many, count, reml=reml), design.n)

    monkeypatch.setattr(many_module, "search_many", elsewhere)
    _assert_close(fit_many(design, y), expected)


def test_a_design_that_would_take_too_much_memory_is_fitted_one_by_one(monkeypatch):
    y, x, terms = _planned_trial(np.random.default_rng(7), 3)
    y[:, 1] = np.random.default_rng(3).normal(size=48)[terms[1].codes]  # limbs never differ from themselves: no optimum
    design = prepare_design(x, terms)
    together = fit_many(design, y)
    monkeypatch.setattr(many_module, "_MOST_NUMBERS", 0)
    monkeypatch.setattr(many_module, "look", None)
    alone = fit_many(design, y)
    assert together.fitted.tolist() == [True, False, True]
    _assert_close(alone, together)


def test_a_covariance_that_is_not_definite_stops_its_own_fit_alone():
    y, x, terms = _planned_trial(np.random.default_rng(9), 3)
    design = prepare_design(x, terms)
    many = _products(design, y)
    gamma = _ratios(design.components, np.random.default_rng(9), 3)
    expected = look(many, np.array([0, 2]), gamma[[0, 2]], reml=True)
    gamma[1, 0] = -50.0
    found = look(many, np.arange(3), gamma, reml=True)
    assert found.defined.tolist() == [True, False, True]
    assert profiled_deviances(found, many, reml=True)[0][1] == np.inf
    np.testing.assert_array_equal(found.quadratic_pairs[[0, 2]], expected.quadratic_pairs)
