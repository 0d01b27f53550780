"""How the means of a group run over the visits: free, or along a straight line over the weeks.

    free             a mean of its own for every cell
    straight line    mean of a cell = mean of the baseline + change per week of the arm x weeks since the baseline

A cell is an arm at a visit. In a trial all arms share the mean of the baseline; in an audit each group has its own.
Either way the means of the cells are a matrix times the parameters, so that every question about cells is a question
about parameters: means = M b, and what a contrast c of cells takes of b is M' c.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from studykit.change.readings import STRAIGHT_LINE, ChangeReadings
from studykit.errors import DesignError

OWN_WEEKLY: Final = "change per week in "
"""Followed by the key of an arm: the name of the slope of its mean."""


@dataclass(frozen=True, slots=True)
class CellMeans:
    """The means of the cells as parameters.

    Attributes:
        of_row: (n,) cell of each reading: the baseline's key where arms share it, otherwise `<arm>@<visit>`.
        place: cell -> its row in `matrix`, in the order of the readings.
        matrix: (cells, parameters) what each mean takes of the parameters; the identity when the course is free.
        names: name of each parameter.
    """

    of_row: pd.Series
    place: dict[str, int]
    matrix: np.ndarray
    names: tuple[str, ...]

    def design(self) -> np.ndarray:
        """(n, parameters) the fixed effects of the means, a row a reading."""
        return np.asarray(self.matrix[self.of_row.map(self.place).to_numpy()])

    def contrasts(self, pairs: list[tuple[str, str]], count: int) -> np.ndarray:
        """(count, pairs) first cell less second cell of each pair on all fixed effects, 0 at covariates."""
        found = np.zeros((count, len(pairs)))
        for column, (plus, minus) in enumerate(pairs):
            found[: len(self.names), column] = self.matrix[self.place[plus]] - self.matrix[self.place[minus]]
        return found

    def beyond(self, count: int) -> np.ndarray:
        """(count, m) contrasts of free means of the same cells that are all zero exactly when the means follow `matrix`
        (an orthonormal basis of what is orthogonal to its columns); 0 at covariates."""
        left, size, _ = np.linalg.svd(self.matrix)
        rank = int((size > size[0] * 1e-10).sum())
        found = np.zeros((count, len(self.place) - rank))
        found[: len(self.place)] = left[:, rank:]
        return found


def cell_means(readings: ChangeReadings, *, shared_baseline: bool) -> CellMeans:
    """The cells that were measured, and their means as the readings' course has them.

    Raises:
        DesignError: a straight line, and a later visit in the week of the baseline.
    """
    rows = readings.rows
    of_row = rows["arm"] + "@" + rows["visit"]
    if shared_baseline:
        of_row = of_row.mask(rows["visit"] == readings.baseline, readings.baseline)
    place = {str(cell): position for position, cell in enumerate(of_row.unique())}
    if readings.course != STRAIGHT_LINE:
        return CellMeans(of_row, place, np.eye(len(place)), tuple(place))
    first = readings.visits[0]
    weeks = {visit.key: float(visit.week - first.week) for visit in readings.visits}
    together = next((visit for visit in readings.visits[1:] if weeks[visit.key] <= 0.0), None)
    if together is not None:
        raise DesignError(
            f"{together.label} is in the week of {first.label}, so a straight line over the weeks has no change "
            'between them; correct the week, or write course = "free" in [analysis].'
        )
    # In the order of the rows, so that an arm without any later reading gets no column of zeros.
    moving = list(dict.fromkeys(rows.loc[rows["visit"] != readings.baseline, "arm"]))
    starts = [readings.baseline] if shared_baseline else [f"{arm}@{readings.baseline}" for arm in rows["arm"].unique()]
    names = (*starts, *(OWN_WEEKLY + str(arm) for arm in moving))
    matrix = np.zeros((len(place), len(names)))
    for arm, visit in rows[["arm", "visit"]].drop_duplicates().itertuples(index=False):
        start = readings.baseline if shared_baseline else f"{arm}@{readings.baseline}"
        shared = shared_baseline and visit == readings.baseline
        row = matrix[place[start if shared else f"{arm}@{visit}"]]
        row[names.index(start)] = 1.0
        if visit != readings.baseline:
            row[names.index(OWN_WEEKLY + str(arm))] = weeks[visit]
    return CellMeans(of_row, place, matrix, names)
