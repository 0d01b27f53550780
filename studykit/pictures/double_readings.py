"""How far apart pairs of readings lie, against their mean, and below what 95 of 100 lie."""

from __future__ import annotations

import numpy as np
import pandas as pd

from studykit.errors import DataError
from studykit.formatting import counted, estimate, level
from studykit.pictures.theme import (
    BAND,
    BAND_HATCH,
    INK,
    PAGE_WIDTH_MM,
    Drawing,
    arms_style,
    drawing_style,
    legend_below,
    new_figure,
    unit_words,
)

PAIRS_COLUMNS = ("mean", "difference")


def double_readings_picture(
    pairs: pd.DataFrame,
    *,
    apart: tuple[float, float, float],
    measure: str,
    unit: str,
    who: str,
    confidence: float,
    width_mm: float = PAGE_WIDTH_MM,
    height_mm: float = 76.0,
) -> Drawing:
    """Draw one mark a pair: size of the difference over the mean of both.

    Args:
        pairs: `mean`, `difference` in `unit`.
        apart: below this lie 95 % of the differences, with its interval.
        measure: plain name of the measure, for the words.
        unit: unit of the values.
        who: whose readings a pair is, such as "two therapists".
        confidence: level of the interval.

    Raises:
        DataError: a column is missing, or there is no row.
    """
    missing = [column for column in PAIRS_COLUMNS if column not in pairs.columns]
    if missing or pairs.empty:
        what = f"lacks the column {missing[0]!r}" if missing else "has no row"
        raise DataError(f"The frame of pairs {what}; it needs {', '.join(PAIRS_COLUMNS)} and at least one row.")
    size = np.abs(pairs["difference"].to_numpy(dtype=float))
    value, low, high = apart
    look = arms_style(0)
    with drawing_style():
        figure, axes = new_figure(width_mm, height_mm)
        axes.axhspan(low, high, facecolor=BAND, edgecolor=BAND_HATCH, hatch="////", linewidth=0.0, zorder=0.5)
        axes.axhline(value, color=INK, linewidth=1.2, label="95 of 100 pairs lie below, with its interval")
        axes.plot(
            pairs["mean"].to_numpy(dtype=float),
            size,
            linestyle="none",
            marker=look.marker,
            markersize=4.2,
            markerfacecolor="none",
            markeredgecolor=look.colour,
            label="a pair of readings",
        )
        top = 1.08 * max(high, float(size.max()))
        axes.set_ylim(-0.03 * top, top)
        axes.set_xlabel(f"Mean of both readings ({unit_words(unit)})")
        axes.set_ylabel(f"How far apart ({unit_words(unit)})")
        legend_below(figure, axes)
    printed = estimate(value, low, high, unit=unit, confidence=confidence)
    caption = (
        f"{measure}: pairs of readings of one limb at one visit by {who}. Line: below it lie 95 of 100 pairs; hatched: "
        f"its {level(confidence)}."
    )
    alt = (
        f"Differences of pairs of readings of {measure} over their mean. {counted(len(size), 'pair')} by {who}; 95 of "
        f"100 lie less than {printed} apart."
    )
    return Drawing(figure, alt, caption)
