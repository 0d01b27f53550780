"""Predictions of the random effects, with two kinds of uncertainty.

    u_t = Sigma_t Z_t' V^-1 (y - X b)                              best linear unbiased prediction
    given the fixed effects:  Sigma_t - Sigma_t Z_t' V^-1 Z_t Sigma_t    (the conditional variance that lme4 prints)
    of the error u_t - u_t:   Sigma_t - Sigma_t Z_t' P Z_t Sigma_t       (the fixed effects being estimated as well)

Source: Robinson (1991) Statistical Science 6, 15–32 (from memory). Variances are taken as known in both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.numerics.mixed.criterion import Point
from studykit.numerics.mixed.cross_products import DesignProducts, ResponseProducts
from studykit.numerics.mixed.solution import Solution, solve


@dataclass(frozen=True, slots=True)
class RandomEffects:
    """Predicted effects of one term.

    Attributes:
        term: its name; column_names: of its c columns.
        levels: (L,) the codes of the levels, as given.
        effects: (L, c) predictions, in the units of the outcome per unit of the column.
        conditional_covariance: (L, c, c) given the fixed effects.
        error_covariance: (L, c, c) of the prediction error, fixed effects estimated.
    """

    term: str
    column_names: tuple[str, ...]
    levels: np.ndarray
    effects: np.ndarray
    conditional_covariance: np.ndarray
    error_covariance: np.ndarray


def random_effects(
    design: DesignProducts, response: ResponseProducts, point: Point, residual: float
) -> tuple[RandomEffects, ...]:
    """Predict the effects of every level of every term.

    Args:
        design, response, point: the model at its optimum.
        residual: the residual variance s2.
    """
    solution = solve(design, response, point)
    covariances = design.components.matrices(point.gamma)
    made = []
    for index, term in enumerate(design.terms):
        score, seen, seen_by_p = (
            _border_levels(design, solution, point, index)
            if index in design.structure.border_terms
            else _block_levels(design, solution, point, index)
        )
        ratio, transform = covariances[index], design.components.transforms[index]
        given = ratio - ratio @ seen @ ratio
        error = ratio - ratio @ seen_by_p @ ratio
        made.append(
            RandomEffects(
                term=term.name,
                column_names=term.column_names,
                levels=np.unique(term.codes),
                effects=score @ ratio @ transform.T,
                conditional_covariance=residual * transform @ given @ transform.T,
                error_covariance=residual * transform @ error @ transform.T,
            )
        )
    return tuple(made)


def fitted_values(
    design: DesignProducts, beta: np.ndarray, effects: tuple[RandomEffects, ...], *, conditional: bool
) -> np.ndarray:
    """(n,) X b, with Z u added when conditional."""
    fitted: np.ndarray = design.x @ beta
    if conditional:
        for term, levels, predicted in zip(design.terms, design.structure.levels, effects, strict=True):
            fitted = fitted + np.sum(term.columns * predicted.effects[levels], axis=1)
    return fitted


def _border_levels(
    design: DesignProducts, solution: Solution, point: Point, index: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Z_l' P y (L, c), Z_l' H^-1 Z_l and Z_l' P Z_l (L, c, c) of a border term."""
    width = design.terms[index].width
    earlier = [place for place in design.structure.border_terms if place < index]
    start = sum(design.structure.level_counts[place] * design.terms[place].width for place in earlier)
    count = design.structure.level_counts[index]
    places = start + np.arange(count * width).reshape(count, width)
    seen = solution.own[places[:, :, None], places[:, None, :]]
    fixed = solution.to_fixed[places]
    return solution.border_score[places], seen, seen - fixed @ point.phi @ np.swapaxes(fixed, 1, 2)


def _block_levels(
    design: DesignProducts, solution: Solution, point: Point, index: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The same of a block term."""
    width, count, q = design.terms[index].width, design.structure.level_counts[index], design.border_width
    score, seen, seen_by_p = np.zeros((count, width)), np.zeros((count, width, width)), np.zeros((count, width, width))
    for batch, root, white in zip(design.batches, solution.roots, solution.white, strict=True):
        own = batch.column_terms == index
        levels = batch.levels[:, own][:, ::width]
        real = levels >= 0
        turned = (root @ batch.roots[:, :, own]).reshape(*root.shape[:2], -1, width)
        turned = np.moveaxis(turned, 1, 3)[real]
        block = np.broadcast_to(np.arange(root.shape[0])[:, None], levels.shape)[real]
        to_border = turned @ white[block][:, :, :q]
        to_fixed = turned @ white[block][:, :, q:-1] - to_border @ solution.change
        within = turned @ np.swapaxes(turned, 1, 2) - to_border @ solution.gain @ np.swapaxes(to_border, 1, 2)
        score[levels[real]] = turned @ white[block] @ solution.weights
        seen[levels[real]] = within
        seen_by_p[levels[real]] = within - to_fixed @ point.phi @ np.swapaxes(to_fixed, 1, 2)
    return score, seen, seen_by_p
