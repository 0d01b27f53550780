"""What small-sample inference needs to know of a repeated-visits fit.

The information is that of the natural parameters of the covariance shape (`CovarianceShape.parametrisation`); for the
linear shapes the second-derivative term of Kenward & Roger (1997) is zero, for the others it is carried along.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from studykit.errors import FitError
from studykit.numerics.mixed.repeated import RepeatedCovarianceFit
from studykit.numerics.mixed.repeated_criterion import criterion, pieces
from studykit.numerics.mixed.small_sample import Ingredients

Array = NDArray[np.float64]


def repeated_ingredients(fit: RepeatedCovarianceFit) -> Ingredients:
    """P, Q, R and the inverse informations of a fit, in outcome units; the expected one is REML's for fits by ML too.

    Raises:
        FitError: the data do not inform every covariance parameter.
    """
    products, scale = fit.products, fit.products.scale
    units = fit.shape.units(scale)
    found = pieces(fit.theta / units, fit.shape, products)
    left, right = products.rotation.T / scale, products.rotation / scale
    expected = fit.expected
    if fit.method == "ml":
        expected = criterion(fit.theta / units, fit.shape, products, reml=True).expected / np.outer(units, units)
    by_pair = np.outer(units, units)[:, :, None, None]
    return Ingredients(
        beta=fit.beta,
        phi=fit.phi,
        p_matrices=left @ found.p_matrices @ right / units[:, None, None],
        q_matrices=left @ found.q_matrices @ right / by_pair,
        r_matrices=None if found.r_matrices is None else left @ found.r_matrices @ right / by_pair,
        w=_inverse(expected),
        w_observed=_inverse(fit.observed),
    )


def _inverse(information: Array) -> Array:
    size = np.sqrt(np.abs(np.diag(information)))
    scaled = information / np.outer(size, size)
    if not np.all(size > 0) or np.linalg.eigvalsh(scaled)[0] < 1e-12:
        raise FitError(
            "The data do not inform every covariance parameter, so that small-sample inference has no footing; "
            "choose a covariance with fewer parameters, or small_sample='none'."
        )
    inverse = np.linalg.inv(scaled) / np.outer(size, size)
    return np.asarray(0.5 * (inverse + inverse.T), dtype=np.float64)
