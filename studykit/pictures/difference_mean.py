"""Difference of two raters against their mean, with bias, limits of agreement and the intervals of all three."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from studykit.errors import DataError
from studykit.formatting import decimals_for_width, interval, level, number, percent, unit_sign
from studykit.pictures.theme import (
    BAND,
    BAND_HATCH,
    INK,
    NOTES_PT,
    PAGE_WIDTH_MM,
    Drawing,
    arms_style,
    drawing_style,
    new_figure,
    unit_words,
)

POINTS_COLUMNS = ("mean", "difference")
Line = tuple[float, float, float]
"""Value, low and high of the bias or of a limit."""


def difference_picture(
    points: pd.DataFrame,
    *,
    bias: Line,
    lower: Line,
    upper: Line,
    measure: str,
    unit: str,
    first: str,
    second: str,
    coverage: float = 0.95,
    confidence: float = 0.95,
    ratio: bool = False,
    width_mm: float = PAGE_WIDTH_MM,
    height_mm: float = 95.0,
) -> Drawing:
    """Draw one mark a pair of values, three lines and a hatched band around each.

    Args:
        points: `mean` in `unit`, `difference` in `unit` (or a plain ratio).
        bias, lower, upper: value with low and high of its interval; nan limits draw no band.
        measure: plain name of the measure, for the words.
        unit: unit of the values.
        first, second: names of the raters; differences are first minus second.
        coverage: share of differences that the limits hold.
        confidence: level of the intervals.
        ratio: whether `difference` is first over second.
        width_mm, height_mm: size.

    Raises:
        DataError: a column is missing, or there is no row.
    """
    missing = [column for column in POINTS_COLUMNS if column not in points.columns]
    if missing or points.empty:
        what = f"lacks the column {missing[0]!r}" if missing else "has no row"
        raise DataError(f"The frame of pairs {what}; it needs {', '.join(POINTS_COLUMNS)} and at least one row.")
    shown = "" if ratio else unit
    lines = {"Upper limit": upper, "Bias": bias, "Lower limit": lower}
    with drawing_style():
        figure, axes = new_figure(width_mm, height_mm)
        for name, line in lines.items():
            _draw_line(axes, name, line, shown)
        if not ratio:
            axes.axhline(0.0, color=INK, linewidth=0.7, zorder=1.0)
        look = arms_style(0)
        axes.plot(
            points["mean"].to_numpy(dtype=float),
            points["difference"].to_numpy(dtype=float),
            linestyle="none",
            marker=look.marker,
            markersize=3.8,
            markerfacecolor="none",
            markeredgecolor=look.colour,
            markeredgewidth=0.9,
            zorder=3.0,
        )
        axes.margins(x=0.04, y=0.08)
        axes.set_xlabel(f"Mean of {first} and {second} ({unit_words(unit)})")
        between = f"{first} ÷ {second}" if ratio else f"{first} − {second}"
        axes.set_ylabel(f"{between} (ratio)" if ratio else f"{between} ({unit_words(unit)})")
    caption = (
        f"{measure}: {'ratio' if ratio else 'difference'} of {first} and {second} against their mean, with bias and "
        f"limits that hold {percent(coverage)} of differences. Hatched: {level(confidence)} of each."
    )
    said = " ".join(f"{name}: {_line_words(line, shown)}." for name, line in lines.items())
    return Drawing(figure, f"Difference against mean of {len(points)} pairs of readings of {measure}. {said}", caption)


def _draw_line(axes: Axes, name: str, line: Line, unit: str) -> None:
    value, low, high = line
    if np.isfinite(low) and np.isfinite(high) and high > low:
        axes.axhspan(low, high, facecolor=BAND, edgecolor=BAND_HATCH, hatch="////", linewidth=0.0, zorder=0.5)
    dash = (0, ()) if name == "Bias" else (0, (5.0, 1.6))
    axes.axhline(value, color=INK, linewidth=1.2, linestyle=dash, zorder=2.0)
    axes.annotate(
        f"{name}\n{_line_words(line, unit)}",
        (1.0, value),
        xycoords=("axes fraction", "data"),
        xytext=(4.0, 0.0),
        textcoords="offset points",
        va="center",
        fontsize=NOTES_PT,
        annotation_clip=False,
    )


def _line_words(line: Line, unit: str) -> str:
    value, low, high = line
    decimals = decimals_for_width(high - low)
    if not (np.isfinite(low) and np.isfinite(high)):
        return f"{number(value, decimals)}{unit_sign(unit)}"
    return f"{number(value, decimals)}{unit_sign(unit)} ({interval(low, high, decimals, unit)})"
