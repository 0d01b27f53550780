"""Weights that turn fixed effects into marginal means, slopes and their contrasts.

A marginal mean is the average of predictions over a balanced reference grid: all combinations of the levels of every
factor, equally weighted, numeric covariates at their mean over the rows (or at given values).

Source: Searle, Speed & Milliken (1980), Am. Stat. 34, 216-221 (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from studykit.errors import CallError, check_choice
from studykit.modelling.design import FixedDesign

Array = NDArray[np.float64]

CONTRAST_KINDS = ("reference", "pairwise", "given")
_MOST_CELLS = 200_000


@dataclass(frozen=True, slots=True)
class Means:
    """Some means of a model: what each is a mean of, and its weights on the fixed effects.

    Attributes:
        labels: one row per mean, one column per variable.
        weights: (means, p).
    """

    labels: pd.DataFrame
    weights: Array

    def __len__(self) -> int:
        return len(self.weights)

    def split(self, within: Sequence[str], over: Sequence[str]) -> Iterator[tuple[dict[str, Any], Means]]:
        """The means level by level of `within`, each labelled by `over` alone, in their order."""
        if not within:
            yield {}, Means(self.labels[list(over)], self.weights)
            return
        keys = list(self.labels[list(within)].itertuples(index=False, name=None))
        for key in dict.fromkeys(keys):
            rows = [place for place, other in enumerate(keys) if other == key]
            part = self.labels.iloc[rows][list(over)].reset_index(drop=True)
            yield dict(zip(within, key, strict=True)), Means(part, self.weights[rows])


def mean_weights(design: FixedDesign, over: str | Sequence[str], at: Mapping[str, Any] | None) -> Means:
    """Weights of the marginal means over the combinations of levels of `over`.

    Raises:
        CallError: a variable that the model does not have; a numeric one without values; a level not seen.
    """
    names = [over] if isinstance(over, str) else list(over)
    grid, columns = _grid(design, names, at)
    if not names:
        raise CallError("Name at least one variable for the means, such as over='arm'.")
    return _averaged(design.rows(grid), grid, names, columns)


def slope_weights(
    design: FixedDesign, covariate: str, over: str | Sequence[str], at: Mapping[str, Any] | None
) -> Means:
    """Weights of the slopes of a numeric covariate, at its mean or at the one value that `at` gives it.

    Raises:
        CallError: the variable is a factor, or the model does not have it.
    """
    names = [over] if isinstance(over, str) else list(over)
    if covariate not in design.covariates:
        known = ", ".join(map(repr, design.covariates)) or "none"
        raise CallError(f"{covariate!r} is not a numeric covariate of this model; there are {known}.")
    grid, columns = _grid(design, names, at)
    centre = grid[covariate].to_numpy(dtype=float)
    # Central differences are exact for straight lines and squares; the step is small against the covariate itself.
    step = 1e-3 * max(float(np.max(np.abs(centre))), 1.0)
    upper, lower = grid.assign(**{covariate: centre + step}), grid.assign(**{covariate: centre - step})
    weights = (design.rows(upper) - design.rows(lower)) / (2 * step)
    if not names:
        return Means(pd.DataFrame({"slope_of": [covariate]}), weights.mean(axis=0, keepdims=True))
    return _averaged(weights, grid, names, columns)


def _grid(
    design: FixedDesign, over: Sequence[str], at: Mapping[str, Any] | None
) -> tuple[pd.DataFrame, dict[str, list[Any]]]:
    """The reference grid: every combination of the values that each variable takes."""
    given = dict(at or {})
    for name in (*over, *given):
        if name not in design.factors and name not in design.covariates:
            known = ", ".join(repr(variable) for variable in (*design.factors, *design.covariates)) or "none"
            raise CallError(f"{name!r} is not a variable of the formula {design.formula!r}; there are {known}.")
    columns: dict[str, list[Any]] = {}
    for name, levels in design.factors.items():
        columns[name] = _values(given[name]) if name in given else list(levels)
        for value in columns[name]:
            if value not in levels:
                raise CallError(f"{name!r} has no level {value!r}; it has {', '.join(map(repr, levels))}.")
    for name, mean in design.covariates.items():
        if name in over and name not in given:
            raise CallError(f"{name!r} is numeric; give the values to take means at, such as at={{{name!r}: [0, 4]}}.")
        columns[name] = _values(given[name]) if name in given else [mean]
        if not all(isinstance(value, (int, float, np.number)) for value in columns[name]):
            raise CallError(f"{name!r} is numeric; its values in at= must be numbers, not {columns[name]!r}.")
    cells = int(np.prod([len(values) for values in columns.values()]))
    if cells > _MOST_CELLS:
        raise CallError(f"The reference grid has {cells} cells; fix some factors to fewer levels with at=.")
    rows = list(product(*columns.values()))
    return pd.DataFrame({name: [row[place] for row in rows] for place, name in enumerate(columns)}), columns


def _values(given: Any) -> list[Any]:
    if isinstance(given, str) or not isinstance(given, (Sequence, np.ndarray, pd.Series, pd.Index)):
        return [given]
    return list(given.tolist() if isinstance(given, (np.ndarray, pd.Series, pd.Index)) else given)


def _averaged(weights: Array, grid: pd.DataFrame, names: Sequence[str], columns: Mapping[str, list[Any]]) -> Means:
    keys = list(product(*(columns[name] for name in names)))
    found = list(grid[list(names)].itertuples(index=False, name=None))
    places: dict[tuple[Any, ...], list[int]] = {key: [] for key in keys}
    for place, key in enumerate(found):
        places[key].append(place)
    labels = pd.DataFrame({name: [key[position] for key in keys] for position, name in enumerate(names)})
    return Means(labels, np.array([weights[places[key]].mean(axis=0) for key in keys]))


def contrast_weights(
    means: Means, kind: str, *, reference: Any = None, matrix: pd.DataFrame | None = None
) -> tuple[list[str], Array]:
    """Names and weights on the fixed effects of the contrasts of some means.

    Raises:
        CallError: an unknown kind or reference; a matrix of the wrong shape, or absent; a single mean.
    """
    check_choice(kind, CONTRAST_KINDS, "kind")
    keys = list(means.labels.itertuples(index=False, name=None))
    names = [" ".join(str(value) for value in key) for key in keys]
    if kind == "given":
        return _given(means, matrix)
    if len(means) < 2:
        raise CallError(f"There is one mean only ({names[0]!r}); a contrast needs two.")
    if kind == "pairwise":
        pairs = list(combinations(range(len(means)), 2))
    else:
        base = _place_of(reference, keys, names)
        pairs = [(place, base) for place in range(len(means)) if place != base]
    rows = np.array([means.weights[first] - means.weights[second] for first, second in pairs])
    return [f"{names[first]} - {names[second]}" for first, second in pairs], rows


def _place_of(reference: Any, keys: list[tuple[Any, ...]], names: list[str]) -> int:
    if reference is None:
        return 0
    wanted = tuple(reference) if isinstance(reference, (tuple, list)) else (reference,)
    if wanted not in keys:
        raise CallError(f"There is no mean at {reference!r} to compare with; there are {', '.join(map(repr, names))}.")
    return keys.index(wanted)


def _given(means: Means, matrix: pd.DataFrame | None) -> tuple[list[str], Array]:
    if matrix is None:
        raise CallError("kind='given' needs `matrix`: one row per contrast, one column per mean.")
    frame = matrix if isinstance(matrix, pd.DataFrame) else pd.DataFrame(np.atleast_2d(np.asarray(matrix, dtype=float)))
    if frame.shape[1] != len(means):
        raise CallError(f"The matrix has {frame.shape[1]} columns and there are {len(means)} means; give one for each.")
    named = not isinstance(frame.index, pd.RangeIndex)
    names = [str(name) if named else f"contrast {place + 1}" for place, name in enumerate(frame.index)]
    return names, frame.to_numpy(dtype=float) @ means.weights
