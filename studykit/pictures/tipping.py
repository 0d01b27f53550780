"""A difference and its interval as those who left are taken to have done worse and worse, one panel an arm."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from studykit.errors import DataError
from studykit.formatting import decimals_for_width, level, with_unit
from studykit.pictures.lettering import broken_to_fit
from studykit.pictures.theme import (
    INK,
    NOTES_PT,
    PAGE_WIDTH_MM,
    QUIET,
    WORDS_PT,
    Drawing,
    arms_style,
    drawing_style,
    new_panels,
    unit_words,
)

TIPPING_COLUMNS = ("label", "worse", "estimate", "low", "high")
MOST_ACROSS = 4


def tipping_picture(
    curves: pd.DataFrame,
    points: Sequence[float],
    *,
    measure: str,
    unit: str,
    confidence: float,
    outcome: str,
    styles: Sequence[int] = (),
) -> Drawing:
    """Draw the estimate with its interval over the shift; a mark where the interval reaches zero.

    Args:
        curves: `label` (of the arm), `worse` (in `unit`, ascending within a label), `estimate`, `low`, `high`.
        points: for each label in order of first appearance the shift at which the conclusion changes; nan for none.
        measure: plain name of the measure.
        outcome: what is drawn, such as "Difference from control at Week 12".
        styles: position of each arm in the protocol.

    Raises:
        DataError: a column is missing, or there is no row.
    """
    missing = [column for column in TIPPING_COLUMNS if column not in curves.columns]
    if missing or curves.empty:
        what = f"lacks the column {missing[0]!r}" if missing else "has no row"
        raise DataError(f"The frame curves {what}; it needs {', '.join(TIPPING_COLUMNS)} and at least one row.")
    labels = list(dict.fromkeys(curves["label"].astype(str)))
    across = min(MOST_ACROSS, len(labels))
    down = -(-len(labels) // across)
    width = PAGE_WIDTH_MM if across > 1 else 100.0
    panel_mm = (width - 20.0) / across
    spoken = []
    with drawing_style():
        figure, panels = new_panels(width, 18.0 + 52.0 * down, down, across)
        for place, label in enumerate(labels):
            axes = panels[place]
            rows = curves[curves["label"].astype(str) == label]
            look = arms_style(styles[place] if styles else 1 + place)
            worse, value, low, high = (rows[name].to_numpy(dtype=float) for name in TIPPING_COLUMNS[1:])
            axes.fill_between(worse, low, high, color=look.colour, alpha=0.18, linewidth=0.0)
            axes.plot(worse, value, color=look.colour, linestyle=look.dash)
            axes.plot(worse, low, color=look.colour, linewidth=0.6)
            axes.plot(worse, high, color=look.colour, linewidth=0.6)
            axes.axhline(0.0, color=INK, linewidth=0.9)
            axes.axvline(0.0, color=QUIET, linewidth=0.6, linestyle=(0, (2, 2)))
            axes.set_title("\n".join(broken_to_fit(label, panel_mm - 4.0, NOTES_PT + 0.5)), fontsize=NOTES_PT)
            spoken.append(_mark(axes, float(points[place]), label, unit))
        for axes in panels[len(labels) :]:
            axes.set_visible(False)
        figure.supxlabel(f"Those who left did worse than expected by ({unit_words(unit)})", fontsize=WORDS_PT)
        for axes in panels[: len(labels) : across]:
            axes.set_ylabel(f"{outcome.split()[0]} ({unit_words(unit)})")
    caption = (
        f"{measure}: {outcome[0].lower()}{outcome[1:]} with its {level(confidence)} when the readings filled in for "
        "those who left are made worse by the amount on the horizontal scale (to the left of zero: better). A diamond "
        "marks where the conclusion changes."
    )
    return Drawing(figure, f"{outcome} over the shift of those who left, one panel an arm. {' '.join(spoken)}", caption)


def _mark(axes: object, point: float, label: str, unit: str) -> str:
    """Mark the tipping point, and say it."""
    if np.isnan(point):
        return f"{label}: the conclusion does not change within the range."
    axes.plot([point], [0.0], marker="D", markersize=6.5, color=INK, markeredgecolor="white", zorder=5.0)  # type: ignore[attr-defined]
    text = with_unit(abs(point), decimals_for_width(abs(point)), unit)
    return f"{label}: the conclusion changes at {text} {'worse' if point > 0 else 'better'}."
