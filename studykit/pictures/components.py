"""Where the error comes from: one bar a variance component, in the unit of the measure."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from studykit.errors import DataError
from studykit.formatting import level, percent
from studykit.pictures.theme import (
    INK,
    NOTES_PT,
    PAGE_WIDTH_MM,
    Drawing,
    arms_style,
    drawing_style,
    new_figure,
    unit_words,
)

COMPONENTS_COLUMNS = ("name", "variance", "low", "high", "share")
_ROW_MM = 11.0
_REACH = 1.5
"""The axis ends at this many times the longest bar; an interval that goes further ends in an arrow."""
_HATCHES = ("", "////", "....", "\\\\\\\\", "xxxx", "----")


def components_picture(
    components: pd.DataFrame,
    *,
    measure: str,
    unit: str,
    confidence: float,
    width_mm: float = PAGE_WIDTH_MM,
    height_mm: float | None = None,
) -> Drawing:
    """Draw the standard deviation of each component with its interval, its share of the variance beside it.

    Args:
        components: `name`, `variance`, `low`, `high` (in `unit`, squared), `share` of the sum; drawn from the top in
            order. A missing limit draws no interval.
        measure: plain name of the measure, for the words.
        unit: unit of the measure.
        confidence: level of the intervals.
        width_mm, height_mm: size; the height follows the number of components when left out.

    Raises:
        DataError: a column is missing, or there is no row.
    """
    missing = [column for column in COMPONENTS_COLUMNS if column not in components.columns]
    if missing or components.empty:
        what = f"lacks the column {missing[0]!r}" if missing else "has no row"
        raise DataError(f"The frame of components {what}; it needs {', '.join(COMPONENTS_COLUMNS)} and a row or more.")
    names = components["name"].astype(str).tolist()
    sd, low, high = (np.sqrt(components[name].to_numpy(dtype=float)) for name in ("variance", "low", "high"))
    shares = components["share"].to_numpy(dtype=float)
    rows = np.arange(len(names))[::-1]
    limit = _REACH * max(float(sd.max()), 1e-12)
    reach = np.where(np.isfinite(high), np.minimum(high, limit), sd)
    with drawing_style():
        figure, axes = new_figure(width_mm, height_mm or 24.0 + _ROW_MM * len(names))
        for position, row in enumerate(rows):
            look = arms_style(position)
            face = look.colour if position == 0 else "white"
            hatch = _HATCHES[position % len(_HATCHES)]
            axes.barh(row, sd[position], 0.62, facecolor=face, edgecolor=look.colour, hatch=hatch, zorder=2.0)
            if np.isfinite(low[position]) and np.isfinite(high[position]):
                _draw_interval(axes, float(low[position]), float(reach[position]), row, bool(high[position] > limit))
        axes.set_yticks(rows, names)
        axes.set_xlim(0.0, 1.02 * float(max(reach.max(), sd.max(), 1e-12)))
        axes.grid(visible=False, axis="y")
        axes.grid(visible=True, axis="x")
        axes.set_xlabel(f"Standard deviation ({unit_words(unit)})")
        for row, share in zip(rows, shares, strict=True):
            axes.annotate(
                "not estimable" if np.isnan(share) else percent(float(share), 1),
                (1.0, float(row)),
                xycoords=("axes fraction", "data"),
                xytext=(4.0, 0.0),
                textcoords="offset points",
                va="center",
                fontsize=NOTES_PT,
                annotation_clip=False,
            )
    caption = (
        f"{measure}: standard deviation of each source with its {level(confidence)}; at the right its share of the "
        "whole variance. An arrow marks an interval that goes on."
    )
    said = ", ".join(
        f"{name} {percent(float(share), 1)}" for name, share in zip(names, shares, strict=True) if np.isfinite(share)
    )
    return Drawing(figure, f"Bars of the sources of variation in {measure}. Shares of the variance: {said}.", caption)


def _draw_interval(axes: Axes, low: float, high: float, row: int, goes_on: bool) -> None:
    """A dark line on a white one, so that it is seen on bar and paper alike."""
    for colour, width, order in (("white", 3.4, 3.0), (INK, 1.4, 3.1)):
        axes.plot([low, high], [row, row], color=colour, linewidth=width, zorder=order)
    axes.plot(low, row, marker="|", markersize=5.0, color=INK, zorder=3.1)
    axes.plot(high, row, marker=">" if goes_on else "|", markersize=5.0, color=INK, zorder=3.1)
