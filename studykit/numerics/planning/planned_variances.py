"""Kenward-Roger inference at variances that are planned and not estimated: power of the very test, without simulation.

At the planned variances the information of the mixed model gives the covariance of the fixed effects, its small-sample
adjustment and the denominator degrees of freedom that the analysis will have on average. The power of a contrast is
then that of a noncentral t. The standard error in it is that of the estimate itself, Phi + Lambda, which lies half-way
between Phi and the adjusted covariance Phi + 2 Lambda (Kenward & Roger 1997: the estimated Phi is too small by Lambda).

A variance planned as zero is estimated as zero or more, so that the analysis has a somewhat wider standard error than
this and a somewhat smaller power; only simulation shows it.

Sources: power from the noncentral distribution at planned means and variances: Stroup (2002), J. Agric. Biol. Environ.
Stat. 7, 491-511 (from memory); Kenward & Roger (1997), Biometrics 53, 983-997.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from studykit.numerics.mixed.criterion import evaluate
from studykit.numerics.mixed.cross_products import DesignProducts, response_products
from studykit.numerics.mixed.information import derivatives
from studykit.numerics.mixed.small_sample import Ingredients, kenward_roger, kenward_roger_df
from studykit.numerics.planning.means import power_of_t


@dataclass(frozen=True, slots=True)
class PlannedContrast:
    """What one contrast will be like: standard error of the estimate, Kenward-Roger df, two-sided power."""

    std_error: float
    df: float
    power: float


def planned_ingredients(
    design: DesignProducts, covariances: Sequence[np.ndarray], residual_variance: float
) -> Ingredients:
    """Ingredients of small-sample inference at given covariances of the random terms.

    Args:
        design: from `prepare_design`.
        covariances: (c, c) of the effects of one level of each term, in the units of its columns.
        residual_variance: s2, above 0.

    Raises:
        FitError: the fixed effects cannot be told apart.
    """
    components = design.components
    working = np.linalg.solve(components.outward, components.vector(tuple(covariances)))
    # The quantities below do not depend on the outcome; any that the columns do not follow will do.
    outcome = response_products(design, np.random.default_rng(1).normal(size=(design.n, 1)))
    point = evaluate(design, outcome, working / residual_variance)
    inverse_root = np.linalg.inv(design.x_root)
    p, s2 = design.p, residual_variance
    information = 0.5 * derivatives(point, reml=True).trace_pairs / s2**2
    scale = 1.0 / np.sqrt(np.diag(information))
    w = np.linalg.pinv(information * np.outer(scale, scale), rcond=1e-13, hermitian=True) * np.outer(scale, scale)
    return Ingredients(
        beta=np.zeros(p),
        phi=s2 * inverse_root @ point.phi @ inverse_root.T,
        p_matrices=-design.x_root.T @ point.first[:, :p, :p] @ design.x_root / s2**2,
        q_matrices=design.x_root.T @ point.second[:, :, :p, :p] @ design.x_root / s2**3,
        r_matrices=None,
        w=w,
    )


def planned_contrast(
    ingredients: Ingredients, contrast: np.ndarray, effect: float, *, alpha: float = 0.05
) -> PlannedContrast:
    """Power of the two-sided Kenward-Roger test of one contrast when its true value is `effect`.

    Args:
        ingredients: from `planned_ingredients`.
        contrast: (p,) weights of the fixed effects.
        effect: true value of the contrast.
        alpha: of the test.
    """
    spread = 0.5 * (ingredients.phi + kenward_roger(ingredients))
    std_error = float(np.sqrt(contrast @ spread @ contrast))
    df = float(kenward_roger_df(ingredients, contrast[:, None])[0])
    return PlannedContrast(std_error, df, float(power_of_t(effect / std_error, df, alpha=alpha)))
