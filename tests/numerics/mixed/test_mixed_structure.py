"""Blocks and border are found from the codes, and every way of cutting a design gives the same answer."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import sparse
from scipy.sparse.linalg import splu

from studykit.numerics.mixed import fit as fit_module
from studykit.numerics.mixed.fit import fit_variance_components
from studykit.numerics.mixed.small_sample import kenward_roger, kenward_roger_df
from studykit.numerics.mixed.structure import Structure, find_structure
from studykit.numerics.mixed.terms import RandomTerm, intercept_by


def _trial(people: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, list[RandomTerm]]:
    axes = np.meshgrid(range(people), range(2), range(4), range(2), range(2), indexing="ij")
    person, side, visit, rater, _ = (axis.ravel() for axis in axes)
    kept = rng.random(person.size) > 0.1
    person, side, visit, rater = (axis[kept] for axis in (person, side, visit, rater))
    limb = 2 * person + side
    y = 5.0 * rng.normal(size=people)[person] + 2.0 * rng.normal(size=2 * people)[limb] + rng.normal(size=2)[rater]
    y = y + rng.normal(size=8 * people)[4 * limb + visit] + rng.normal(size=person.size)
    terms = [
        intercept_by("participant", person),
        intercept_by("limb", limb),
        intercept_by("limb and visit", 4 * limb + visit),
        intercept_by("rater", rater),
    ]
    return y, np.column_stack([np.ones(person.size), visit]), terms


def test_nested_terms_are_blocks_and_crossed_ones_the_border():
    _, x, terms = _trial(20, np.random.default_rng(0))
    structure = find_structure(tuple(terms), x.shape[1])
    assert structure.block_terms == (0, 1, 2)
    assert structure.border_terms == (3,)
    assert structure.block_count == 20


def test_blocks_follow_the_links_between_levels_not_the_order_of_terms():
    # Teams of two participants that share a room: the room links them, whatever the codes look like.
    person = np.repeat(np.arange(12), 6)
    room = np.array([5, 3, 9, 1, 0, 7])[person // 2]
    structure = find_structure((intercept_by("person", person * 7 - 3), intercept_by("room", room)), 1)
    assert structure.block_terms == (0, 1)
    assert structure.block_count == 6
    assert structure.level_counts == (12, 6)


@pytest.mark.parametrize("chosen", [(), (3,), (0,), (0, 1), (0, 1, 2, 3)])
def test_every_cut_of_a_design_gives_the_same_fit(chosen, monkeypatch):
    y, x, terms = _trial(6, np.random.default_rng(1))
    usual = fit_variance_components(y, x, terms)
    found = find_structure(tuple(terms), x.shape[1])
    if chosen:
        blocks = np.zeros(y.size, dtype=np.intp) if len(chosen) == 4 else found.levels[min(chosen)]
    else:
        blocks = np.zeros(y.size, dtype=np.intp)
    other = Structure(
        found.levels,
        found.level_counts,
        chosen,
        tuple(index for index in range(4) if index not in chosen),
        blocks,
        int(blocks.max()) + 1 if chosen else 0,
    )
    monkeypatch.setattr(fit_module, "find_structure", lambda *_: other)
    again = fit_variance_components(y, x, terms)
    # The same sums in other groupings.
    np.testing.assert_allclose(again.log_likelihood, usual.log_likelihood, rtol=1e-11)
    np.testing.assert_allclose(again.beta, usual.beta, rtol=1e-8)
    np.testing.assert_allclose(np.ravel(again.covariances), np.ravel(usual.covariances), rtol=1e-7)
    np.testing.assert_allclose(kenward_roger(again.ingredients()), kenward_roger(usual.ingredients()), rtol=1e-7)
    np.testing.assert_allclose(kenward_roger_df(again.ingredients()), kenward_roger_df(usual.ingredients()), rtol=1e-6)
    np.testing.assert_allclose(again.residuals("standardised"), usual.residuals("standardised"), rtol=1e-6, atol=1e-8)
    for one, two in zip(usual.random_effects(), again.random_effects(), strict=True):
        np.testing.assert_allclose(two.effects, one.effects, rtol=1e-6, atol=1e-8)
        np.testing.assert_allclose(two.error_covariance, one.error_covariance, rtol=1e-6, atol=1e-9)
    codes = terms[0].codes
    np.testing.assert_allclose(again.influence(codes).change, usual.influence(codes).change, rtol=1e-5, atol=1e-9)


def test_blocks_of_very_different_sizes_are_not_padded_to_the_largest():
    rng = np.random.default_rng(2)
    sizes = np.array([400, 3, 4, 2, 5, 3, 4, 2, 6, 3] * 4)
    person = np.repeat(np.arange(sizes.size), sizes)
    x = np.column_stack([np.ones(person.size), rng.normal(size=person.size)])
    y = 2.0 * rng.normal(size=sizes.size)[person] + rng.normal(size=person.size)
    fit = fit_variance_components(y, x, [RandomTerm("person", person, x)])
    held = sum(batch.basis.size for batch in fit.design.batches)
    assert len(fit.design.batches) > 1
    assert held < 4 * person.size * 2


def test_two_large_crossed_factors_agree_with_sparse_equations():
    """300 x 300 levels, 2,000 rows: likelihood and effects against Henderson's equations, factorised sparsely."""
    rng = np.random.default_rng(6)
    first, second = rng.integers(0, 300, 2000), rng.integers(0, 300, 2000)
    first[:300], second[:300] = np.arange(300), np.arange(300)
    x = np.column_stack([np.ones(2000), rng.normal(size=2000)])
    y = rng.normal(size=300)[first] + 2.0 * rng.normal(size=300)[second] + 0.5 * x[:, 1] + rng.normal(size=2000)
    fit = fit_variance_components(y, x, [intercept_by("first", first), intercept_by("second", second)])
    assert fit.gradient_norm < 1e-8
    s2 = fit.residual_variance
    ratios = np.repeat([covariance[0, 0] / s2 for covariance in fit.covariances], 300)
    z = sparse.hstack([sparse.csc_array(np.eye(300)[codes]) for codes in (first, second)]).tocsc()
    all_columns = sparse.hstack([sparse.csc_array(x), z]).tocsc()
    penalty = sparse.diags_array(np.concatenate([np.zeros(2), 1.0 / ratios]))
    factors = splu((all_columns.T @ all_columns + penalty).tocsc())
    solution = factors.solve(all_columns.T @ y)
    np.testing.assert_allclose(fit.beta, solution[:2], rtol=1e-8)
    effects = np.concatenate([predicted.effects[:, 0] for predicted in fit.random_effects()])
    np.testing.assert_allclose(effects, solution[2:], atol=1e-8)
    log_det = np.sum(np.log(np.abs(factors.U.diagonal()))) + np.sum(np.log(ratios))
    quadratic = float(y @ (y - all_columns @ solution))
    deviance = 1998 * np.log(2.0 * np.pi * s2) + log_det + quadratic / s2
    np.testing.assert_allclose(-2.0 * fit.log_likelihood, deviance, rtol=1e-10)
    # At the optimum no small move of either variance gains anything (checked by the same sparse route).
    for index in range(2):
        for factor in (0.98, 1.02):
            moved = ratios.copy()
            moved[300 * index : 300 * (index + 1)] *= factor
            assert _sparse_profiled(all_columns, moved, y) > _sparse_profiled(all_columns, ratios, y)


def _sparse_profiled(all_columns: sparse.csc_array, ratios: np.ndarray, y: np.ndarray) -> float:
    penalty = sparse.diags_array(np.concatenate([np.zeros(2), 1.0 / ratios]))
    factors = splu((all_columns.T @ all_columns + penalty).tocsc())
    quadratic = float(y @ (y - all_columns @ factors.solve(all_columns.T @ y)))
    return float(np.sum(np.log(np.abs(factors.U.diagonal()))) + np.sum(np.log(ratios)) + 1998 * np.log(quadratic))
