"""A design with as many directions as rows: no optimum by maximum likelihood, one by REML."""

from __future__ import annotations

import numpy as np
import pytest
from dense_mixed_model import dense_v, random_design

from studykit.errors import DesignError
from studykit.numerics.mixed.fit import fit_variance_components


def test_unbounded_likelihood_is_refused_and_reml_is_not() -> None:
    """Eleven rows, four fixed effects, random slopes, limbs and raters: found by search over random designs."""
    y, x, terms = random_design(np.random.default_rng([7, 1400]))
    intercepts = np.column_stack([np.eye(term.codes.max() + 1)[term.codes] for term in terms])
    assert np.linalg.matrix_rank(np.column_stack([x, intercepts])) == len(y)
    assert np.linalg.matrix_rank(intercepts) < len(y)
    with pytest.raises(DesignError, match="maximum likelihood has no optimum"):
        fit_variance_components(y, x, terms, method="ml")
    assert fit_variance_components(y, x, terms, method="reml").residual_variance > 0.0


def test_the_likelihood_there_grows_without_bound() -> None:
    y, x, terms = random_design(np.random.default_rng([7, 1400]))
    covariances = (np.array([[1.0, 0.0], [0.0, 1e-6]]), np.array([[14.5]]), np.array([[40.6]]))

    def deviance(residual: float) -> float:
        root = np.linalg.cholesky(dense_v(terms, covariances, residual))
        white_x, white_y = np.linalg.solve(root, x), np.linalg.solve(root, y)
        rest = white_y - white_x @ np.linalg.lstsq(white_x, white_y, rcond=None)[0]
        return float(2.0 * np.sum(np.log(np.diag(root))) + rest @ rest)

    steps = [deviance(residual) for residual in (1e-2, 1e-3, 1e-4)]
    assert steps[0] - steps[1] > 1.0
    assert steps[1] - steps[2] > 1.0
