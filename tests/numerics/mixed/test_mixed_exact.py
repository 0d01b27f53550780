"""Balanced designs, whose answers are known exactly from their analysis of variance (1e-9: rounding of sums alone)."""

from __future__ import annotations

import numpy as np
import pytest
from reference_mixed_models import codes, dummies, table
from scipy import stats

from studykit.numerics.mixed.fit import fit_variance_components
from studykit.numerics.mixed.small_sample import (
    kenward_roger,
    kenward_roger_df,
    kenward_roger_test,
    satterthwaite_test,
)
from studykit.numerics.mixed.terms import intercept_by

EXACT = 1e-9


def _mean_square(values: np.ndarray, by: np.ndarray) -> tuple[float, int]:
    """Sum of squares of the cell means' fit, and the number of cells, for successive differences."""
    cells = np.unique(by)
    return float(sum(np.sum(by == cell) * values[by == cell].mean() ** 2 for cell in cells)), cells.size


def test_one_way_design_has_the_components_of_its_analysis_of_variance():
    d = table("Dyestuff")
    y, batch = d.Yield.to_numpy(float), codes(d.Batch)
    within_fit, batches = _mean_square(y, batch)
    between = (within_fit - y.size * y.mean() ** 2) / (batches - 1)
    within = (float(y @ y) - within_fit) / (y.size - batches)
    fit = fit_variance_components(y, np.ones((y.size, 1)), [intercept_by("batch", batch)])
    assert fit.residual_variance == pytest.approx(within, rel=EXACT)
    assert fit.covariances[0][0, 0] == pytest.approx((between - within) / 5, rel=EXACT)
    ingredients = fit.ingredients()
    assert kenward_roger(ingredients)[0, 0] == pytest.approx(between / y.size, rel=EXACT)
    assert kenward_roger_df(ingredients)[0] == pytest.approx(batches - 1, rel=EXACT)


def test_split_plot_has_the_f_tests_of_its_analysis_of_variance():
    d = table("stroup_1989_splitplot")
    y, block, a, b = d.y.to_numpy(float), codes(d.b), codes(d.A), codes(d.B)
    r, na, nb = 4, 3, 2
    one = np.ones(y.size)
    dummy_a, dummy_b = dummies(d.A, sorted(d.A.unique())), dummies(d.B, sorted(d.B.unique()))
    x = np.column_stack([one, dummy_a, dummy_b, dummy_a * dummy_b])
    plot = block * na + a
    fit = fit_variance_components(y, x, [intercept_by("block", block), intercept_by("plot", plot)])

    correction = y.size * y.mean() ** 2
    ss_block = _mean_square(y, block)[0] - correction
    ss_a = _mean_square(y, a)[0] - correction
    ss_plot = _mean_square(y, plot)[0] - correction - ss_block - ss_a
    ss_b = _mean_square(y, b)[0] - correction
    ss_ab = _mean_square(y, a * nb + b)[0] - correction - ss_a - ss_b
    ss_error = float(y @ y) - correction - ss_block - ss_a - ss_plot - ss_b - ss_ab
    ms_block, ms_plot = ss_block / (r - 1), ss_plot / ((r - 1) * (na - 1))
    ms_error = ss_error / (na * (r - 1) * (nb - 1))
    assert fit.residual_variance == pytest.approx(ms_error, rel=EXACT)
    assert fit.covariances[1][0, 0] == pytest.approx((ms_plot - ms_error) / nb, rel=EXACT)
    assert fit.covariances[0][0, 0] == pytest.approx((ms_block - ms_plot) / (na * nb), rel=EXACT)

    # Contrasts of the balanced factorial: equal weights over the other factor, in treatment coding.
    main_a = np.zeros((6, 2))
    main_a[[1, 2], [0, 1]], main_a[[4, 5], [0, 1]] = 1.0, 0.5
    main_b = np.array([[0.0, 0.0, 0.0, 1.0, 1 / 3, 1 / 3]]).T
    interaction = np.eye(6)[:, [4, 5]]
    for contrast, sum_of_squares, df1, error, df2 in (
        (main_a, ss_a, na - 1, ms_plot, (r - 1) * (na - 1)),
        (main_b, ss_b, nb - 1, ms_error, na * (r - 1) * (nb - 1)),
        (interaction, ss_ab, (na - 1) * (nb - 1), ms_error, na * (r - 1) * (nb - 1)),
    ):
        for test in (kenward_roger_test(fit.ingredients(), contrast), satterthwaite_test(fit.ingredients(), contrast)):
            assert test.f == pytest.approx(sum_of_squares / df1 / error, rel=EXACT)
            # The observed information at the optimum is an inverse more: 1e-8.
            assert test.df2 == pytest.approx(df2, rel=1e-8)
            assert test.scale == pytest.approx(1.0, rel=EXACT)


def test_two_crossed_factors_have_the_components_of_their_analysis_of_variance():
    rng = np.random.default_rng(11)
    person, rater, _ = (axis.ravel() for axis in np.meshgrid(range(12), range(5), range(2), indexing="ij"))
    y = 3.0 * rng.normal(size=12)[person] + 1.5 * rng.normal(size=5)[rater] + rng.normal(size=person.size)
    correction = y.size * y.mean() ** 2
    ss_person, ss_rater = _mean_square(y, person)[0] - correction, _mean_square(y, rater)[0] - correction
    error = (float(y @ y) - correction - ss_person - ss_rater) / (y.size - 12 - 5 + 1)
    terms = [intercept_by("person", person), intercept_by("rater", rater)]
    fit = fit_variance_components(y, np.ones((y.size, 1)), terms)
    assert fit.residual_variance == pytest.approx(error, rel=EXACT)
    assert fit.covariances[0][0, 0] == pytest.approx((ss_person / 11 - error) / 10, rel=EXACT)
    assert fit.covariances[1][0, 0] == pytest.approx((ss_rater / 4 - error) / 24, rel=EXACT)


def test_two_visits_are_a_paired_t_test():
    rng = np.random.default_rng(2)
    before = 50.0 + 6.0 * rng.normal(size=14)
    after = before + 1.5 + 2.0 * rng.normal(size=14)
    person, visit = np.tile(np.arange(14), 2), np.repeat([0.0, 1.0], 14)
    fit = fit_variance_components(
        np.concatenate([before, after]), np.column_stack([np.ones(28), visit]), [intercept_by("person", person)]
    )
    paired = stats.ttest_rel(after, before)
    test = kenward_roger_test(fit.ingredients(), np.array([0.0, 1.0]))
    assert test.f == pytest.approx(paired.statistic**2, rel=EXACT)
    assert test.df2 == pytest.approx(13.0, rel=EXACT)
    assert test.p == pytest.approx(paired.pvalue, rel=EXACT)


def test_a_treatment_of_whole_participants_is_a_t_test_of_their_means():
    rng = np.random.default_rng(4)
    person = np.repeat(np.arange(10), 6)
    arm = (person >= 4).astype(float)
    y = 40.0 + 5.0 * rng.normal(size=10)[person] + 2.0 * arm + rng.normal(size=60)
    fit = fit_variance_components(y, np.column_stack([np.ones(60), arm]), [intercept_by("person", person)])
    means = y.reshape(10, 6).mean(axis=1)
    unpaired = stats.ttest_ind(means[4:], means[:4])
    test = kenward_roger_test(fit.ingredients(), np.array([0.0, 1.0]))
    assert (test.f, test.df2) == (pytest.approx(unpaired.statistic**2, rel=EXACT), pytest.approx(8.0, rel=EXACT))
    assert test.p == pytest.approx(unpaired.pvalue, rel=EXACT)


def test_a_negative_component_of_the_analysis_of_variance_is_an_exact_zero_in_words():
    # Participants' means closer together than chance: the ANOVA component is negative, the REML one zero, and the
    # model is then least squares.
    rng = np.random.default_rng(8)
    y = rng.normal(size=(6, 5))
    y = y - y.mean(axis=1, keepdims=True) + 0.01 * rng.normal(size=(6, 1))
    values, person = y.ravel(), np.repeat(np.arange(6), 5)
    fit = fit_variance_components(values, np.ones((30, 1)), [intercept_by("participant", person)])
    assert fit.covariances[0][0, 0] == 0.0
    assert fit.boundary == ("The variance of intercept by participant is zero.",)
    assert fit.residual_variance == pytest.approx(values.var(ddof=1), rel=EXACT)
    assert fit.phi[0, 0] == pytest.approx(values.var(ddof=1) / 30, rel=EXACT)
    # Kenward–Roger still knows that the component was estimated: its df are those of a design with participants in it.
    assert kenward_roger_df(fit.ingredients())[0] < 29.0
