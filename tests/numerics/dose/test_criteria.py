"""Information criteria in exact arithmetic."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.numerics.dose.criteria import aicc, bic, weights


def test_values_by_hand() -> None:
    """100 + 2 x 3 + 2 x 3 x 4 / (10 - 4) = 110; 100 + 3 log 10."""
    assert aicc(100.0, 3, 10) == 110.0
    assert bic(100.0, 3, 10) == pytest.approx(106.90775527898214, rel=1e-15)


def test_aicc_is_not_known_with_as_many_parameters_as_units() -> None:
    assert np.isnan(aicc(100.0, 9, 10))
    assert np.isfinite(aicc(100.0, 8, 10))


def test_weights_are_likelihoods_of_models() -> None:
    """Differences 0 and 2 log 3 give 3 : 1."""
    found = weights(np.array([10.0, 10.0 + 2.0 * np.log(3.0)]))
    assert found == pytest.approx([0.75, 0.25], rel=1e-14)
    assert np.isnan(weights(np.array([1.0, np.nan]))).all()
