"""Many outcomes of one design are fitted as each alone, and their tests keep their level under the null."""

from __future__ import annotations

import numpy as np
import pytest
from reference_mixed_models import CASES

from studykit.errors import CallError, DataError
from studykit.numerics.mixed.fit import fit_variance_components, prepare_design
from studykit.numerics.mixed.many import fit_many
from studykit.numerics.mixed.small_sample import kenward_roger, kenward_roger_df, kenward_roger_test, satterthwaite_df
from studykit.numerics.mixed.terms import RandomTerm, intercept_by


def _repeated_trial(people: int) -> tuple[np.ndarray, list[RandomTerm]]:
    """Two arms, two limbs, four visits with some missing: 1, visits, arm, arm by visits."""
    axes = np.meshgrid(range(people), range(2), range(4), indexing="ij")
    person, side, visit = (axis.ravel() for axis in axes)
    seen = (person * 7 + side * 3 + visit * 5) % 11 > 0
    person, side, visit = person[seen], side[seen], visit[seen]
    arm = person % 2
    week = [(visit == v).astype(float) for v in (1, 2, 3)]
    x = np.column_stack([np.ones(person.size), *week, arm, *[w * arm for w in week]])
    return x, [intercept_by("participant", person), intercept_by("limb", 2 * person + side)]


def _null_outcomes(terms: list[RandomTerm], count: int, rng: np.random.Generator) -> np.ndarray:
    y = 1.5 * rng.normal(size=(terms[0].codes.size, count))
    for term, sd in zip(terms, (4.0, 2.0), strict=True):
        y = y + sd * rng.normal(size=(int(term.codes.max()) + 1, count))[term.codes]
    return y


@pytest.mark.parametrize("name", ["trial B", "sleepstudy, intercept and slope", "Penicillin"])
@pytest.mark.parametrize("method", ["reml", "ml"])
def test_many_fits_are_single_fits(name, method):
    case = CASES[name]()
    rng = np.random.default_rng(0)
    y = np.column_stack([case.y, case.y + 2.0 * rng.normal(size=case.y.size), rng.normal(size=case.y.size)])
    many = fit_many(prepare_design(case.x, case.terms), y, method=method)
    assert many.fitted.all()
    weights = np.eye(case.x.shape[1])[-1]
    kr, satterthwaite = many.contrast(weights), many.contrast(weights, small_sample="satterthwaite")
    p = many.test_p(weights)
    for index in range(3):
        fit = fit_variance_components(y[:, index], case.x, case.terms, method=method)
        made = fit.ingredients()
        np.testing.assert_allclose(many.beta[index], fit.beta, rtol=1e-9, atol=1e-10)
        own = [
            c[r, k]
            for t, c in zip(case.terms, fit.covariances, strict=True)
            for k in range(t.width)
            for r in range(k, t.width)
        ]
        np.testing.assert_allclose(many.parameters[index], [*own, fit.residual_variance], rtol=1e-6, atol=1e-9)
        np.testing.assert_allclose(kr.std_error[index], np.sqrt(kenward_roger(made)[-1, -1]), rtol=1e-7)
        np.testing.assert_allclose(kr.df[index], kenward_roger_df(made)[-1], rtol=1e-6)
        np.testing.assert_allclose(satterthwaite.df[index], satterthwaite_df(made)[-1], rtol=1e-6)
        test = kenward_roger_test(made, weights)
        np.testing.assert_allclose([kr.p[index], p[index]], [test.p, test.p], rtol=1e-5)
    assert np.isinf(many.contrast(weights, small_sample="none").df).all()


def test_calls_that_do_not_fit():
    x, terms = _repeated_trial(8)
    design = prepare_design(x, terms)
    y = _null_outcomes(terms, 2, np.random.default_rng(1))
    with pytest.raises(CallError, match="method is 'em'"):
        fit_many(design, y, method="em")
    with pytest.raises(CallError, match="The outcome has shape"):
        fit_many(design, y[:5])
    y[0, 0] = np.nan
    with pytest.raises(DataError, match="missing or infinite in 1 of"):
        fit_many(design, y)
    many = fit_many(design, y[:, 1:])
    with pytest.raises(CallError, match="give one for each of 8 effects"):
        many.contrast(np.ones(3))
    with pytest.raises(CallError, match="small_sample is 'between-within'"):
        many.contrast(np.ones(8), small_sample="between-within")


def test_an_outcome_without_an_optimum_is_nan_and_the_others_stand():
    x, terms = _repeated_trial(8)
    y = _null_outcomes(terms, 3, np.random.default_rng(2))
    y[:, 1] = np.random.default_rng(3).normal(size=16)[terms[1].codes]  # limbs never differ from themselves
    many = fit_many(prepare_design(x, terms), y)
    assert many.fitted.tolist() == [True, False, True]
    contrast = many.contrast(np.eye(8)[-1])
    assert np.isnan(
        [contrast.estimate[1], contrast.std_error[1], contrast.p[1], many.test_p(np.eye(8)[:, -1])[1]]
    ).all()
    assert np.isfinite(contrast.p[[0, 2]]).all()


def _type_one_error(people: int, count: int, small_sample: str) -> tuple[float, float]:
    """Share of null trials with p < 0.05 for the arms' difference at the last visit, and its Monte Carlo SE.

    A difference between participants: with 12 of them the large-sample test rejects in 7.5 percent.
    """
    x, terms = _repeated_trial(people)
    many = fit_many(prepare_design(x, terms), _null_outcomes(terms, count, np.random.default_rng(people)))
    assert many.fitted.all()
    difference = np.array([0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 1.0])
    share = float(np.mean(many.contrast(difference, small_sample=small_sample).p < 0.05))
    return share, float(np.sqrt(0.05 * 0.95 / count))


def test_a_small_null_simulation_keeps_its_level():
    share, error = _type_one_error(12, 400, "kenward-roger")
    # Four Monte Carlo standard errors: fails by chance once in 16,000 seeds, and the seed is fixed.
    assert abs(share - 0.05) < 4.0 * error
    without, _ = _type_one_error(12, 400, "none")
    assert without > share


@pytest.mark.slow
@pytest.mark.parametrize("people", [12, 24])
def test_type_one_error_of_kenward_roger_is_between_4_5_and_5_5_percent(people):
    share, _ = _type_one_error(people, 10_000, "kenward-roger")
    assert 0.045 <= share <= 0.055
