"""Every reading of every target, raters by colour and mark, targets in the order of their means."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from studykit.errors import DataError
from studykit.formatting import counted, listed
from studykit.pictures.theme import (
    HAIRLINE,
    PAGE_WIDTH_MM,
    Drawing,
    arms_style,
    drawing_style,
    legend_below,
    new_figure,
    unit_words,
)

RATINGS_COLUMNS = ("target", "rater", "value")
_NAMED_TARGETS = 30
"""Beyond this many targets their names are left out: they would not be readable."""


def ratings_picture(
    ratings: pd.DataFrame,
    *,
    measure: str,
    unit: str,
    targets: str = "Participants",
    order: Sequence[str] = (),
    width_mm: float = PAGE_WIDTH_MM,
    height_mm: float = 95.0,
) -> Drawing:
    """Draw one column of marks a target: the closer together, the better raters and trials agree.

    Args:
        ratings: `target`, `rater` (labels), `value` in `unit`; one row a reading.
        measure: plain name of the measure, for the words.
        unit: unit of the values.
        targets: what the targets are, for the axis.
        order: all raters of the study, so that one has the same mark in every picture; where it does not name them
            all, raters take their marks in order of first appearance.
        width_mm, height_mm: size.

    Raises:
        DataError: a column is missing, or there is no row.
    """
    _check(ratings)
    present = list(dict.fromkeys(ratings["rater"].astype(str)))
    marks = list(order) if set(present) <= set(order) else present
    raters = [rater for rater in marks if rater in present]
    means = ratings.groupby(ratings["target"].astype(str))["value"].mean().sort_values(kind="stable")
    place = {name: position + 1 for position, name in enumerate(means.index)}
    across = ratings["target"].astype(str).map(place).to_numpy(dtype=float)
    value = ratings["value"].to_numpy(dtype=float)
    shift = _beside(len(raters))
    with drawing_style():
        figure, axes = new_figure(width_mm, height_mm)
        spans = pd.DataFrame({"x": across, "y": value}).groupby("x")["y"].agg(["min", "max"])
        axes.vlines(spans.index.to_numpy(), spans["min"], spans["max"], color=HAIRLINE, linewidth=1.6, zorder=1.5)
        for position, rater in enumerate(raters):
            chosen = (ratings["rater"].astype(str) == rater).to_numpy()
            mark = marks.index(rater)
            look = arms_style(mark)
            axes.plot(
                across[chosen] + shift[position],
                value[chosen],
                linestyle="none",
                marker=look.marker,
                markersize=3.6,
                markerfacecolor="none" if mark % 2 else look.colour,
                markeredgecolor=look.colour,
                markeredgewidth=0.8,
                label=rater,
                zorder=2.0 + 0.01 * position,
            )
        axes.set_xlim(0.3, len(place) + 0.7)
        if len(place) <= _NAMED_TARGETS:
            axes.set_xticks(range(1, len(place) + 1), list(means.index), rotation=90)
        else:
            axes.set_xticks([])
        axes.set_xlabel(f"{targets}, in the order of their means")
        axes.set_ylabel(f"Reading ({unit_words(unit)})")
        legend_below(figure, axes)
    caption = (
        f"{measure}: every reading, one column a target, {counted(len(raters), 'rater')} by colour and mark. "
        "A grey line joins the lowest and the highest reading of a target."
    )
    return Drawing(figure, _in_words(spans, raters, measure, unit), caption)


def _check(ratings: pd.DataFrame) -> None:
    missing = [column for column in RATINGS_COLUMNS if column not in ratings.columns]
    if missing or ratings.empty:
        what = f"lacks the column {missing[0]!r}" if missing else "has no row"
        raise DataError(f"The frame of ratings {what}; it needs {', '.join(RATINGS_COLUMNS)} and at least one row.")


def _beside(raters: int) -> np.ndarray:
    """Raters stand side by side within a column, so that equal readings stay visible."""
    return (np.arange(raters) - (raters - 1) / 2.0) * min(0.22, 0.6 / max(raters, 1))


def _in_words(spans: pd.DataFrame, raters: list[str], measure: str, unit: str) -> str:
    widest = float((spans["max"] - spans["min"]).max())
    typical = float((spans["max"] - spans["min"]).median())
    words = unit_words(unit)
    return (
        f"Readings of {measure} for {counted(len(spans), 'target')} by {counted(len(raters), 'rater')} "
        f"({listed(raters)}). Half of the targets have all their readings within {typical:g} {words}; "
        f"the widest span is {widest:g} {words}."
    )
