"""One question answered in several ways: a row an analysis, a panel an arm, the planned answer as a band."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from studykit.errors import DataError
from studykit.formatting import decimals_for_width, interval, level, with_unit
from studykit.pictures.lettering import broken_to_fit
from studykit.pictures.theme import (
    HAIRLINE,
    INK,
    NOTES_PT,
    PAGE_WIDTH_MM,
    WORDS_PT,
    Drawing,
    arms_style,
    drawing_style,
    new_panels,
    reference_band,
    unit_words,
)

SENSITIVITY_COLUMNS = ("analysis", "label", "arm", "estimate", "low", "high")
MOST_ACROSS = 4
_LABELS_MM = 47.0
_LINE_MM = 3.4
_ROW_MM = 5.4


def sensitivity_picture(
    rows: pd.DataFrame,
    *,
    measure: str,
    unit: str,
    confidence: float,
    outcome: str,
    styles: Sequence[int] = (),
) -> Drawing:
    """Draw every analysis of every arm with its interval.

    Args:
        rows: `analysis` (key), `label` (of the analysis), `arm` (label), `estimate`, `low`, `high` in `unit`; the first
            analysis is the planned one and gives the band. nan: the analysis has no row in this arm.
        measure: plain name of the measure.
        outcome: what is drawn, such as "Difference from control at Week 12".
        styles: position of each arm in the protocol, in order of first appearance.

    Raises:
        DataError: a column is missing, or there is no row.
    """
    missing = [column for column in SENSITIVITY_COLUMNS if column not in rows.columns]
    if missing or rows.empty:
        what = f"lacks the column {missing[0]!r}" if missing else "has no row"
        raise DataError(f"The frame rows {what}; it needs {', '.join(SENSITIVITY_COLUMNS)} and at least one row.")
    arms = list(dict.fromkeys(rows["arm"].astype(str)))
    keys = list(dict.fromkeys(rows["analysis"]))
    names = rows.drop_duplicates("analysis").set_index("analysis")["label"].astype(str)
    broken = [broken_to_fit(names[key], _LABELS_MM, NOTES_PT) for key in keys]
    across = min(MOST_ACROSS, len(arms))
    down = -(-len(arms) // across)
    panel_mm = (PAGE_WIDTH_MM - _LABELS_MM - 6.0) / across
    rows_mm = sum(max(_ROW_MM, 1.2 + _LINE_MM * len(lines)) for lines in broken)
    # Rows of several lines are given the height of their lines.
    heights = np.array([max(_ROW_MM, 1.2 + _LINE_MM * len(lines)) for lines in broken]) / _ROW_MM
    middles = np.cumsum(heights) - 0.5 * heights
    spoken = []
    with drawing_style():
        figure, panels = new_panels(PAGE_WIDTH_MM, 24.0 + (rows_mm + 12.0) * down, down, across)
        for place, arm in enumerate(arms):
            axes = panels[place]
            own = rows[rows["arm"].astype(str) == arm].set_index("analysis").reindex(keys)
            look = arms_style(styles[place] if styles else 1 + place)
            first = own.iloc[0]
            axes.grid(visible=False)
            if np.isfinite(float(first["low"])):
                reference_band(axes, float(first["low"]), float(first["high"]), "planned", across="x")
                spoken.append(_in_words(arm, own, unit, confidence))
            axes.axvline(0.0, color=INK, linewidth=0.9, zorder=1.0)
            _draw_rows(axes, middles[1:], own.iloc[1:], INK, "o", 4.2, 1.1)
            _draw_rows(axes, middles[:1], own.iloc[:1], look.colour, look.marker, 7.0, 2.0)
            axes.axhline(float(np.sum(heights[:1])), color=HAIRLINE, linewidth=0.8, zorder=0.6)
            axes.set_title("\n".join(broken_to_fit(arm, panel_mm - 3.0, NOTES_PT + 0.5)), fontsize=NOTES_PT)
            axes.set_yticks(middles, ["\n".join(lines) for lines in broken])
            axes.set_ylim(float(heights.sum()), 0.0)
            axes.spines["left"].set_visible(False)
        for axes in panels[len(arms) :]:
            axes.set_visible(False)
        figure.supxlabel(f"{outcome} ({unit_words(unit)})", fontsize=WORDS_PT, color=INK)
    caption = (
        f"{measure}: {outcome[0].lower()}{outcome[1:]}, one row an analysis, with {level(confidence)}s, each on its "
        "own. Hatched: the interval of the planned analysis."
    )
    return Drawing(figure, f"{outcome} by analysis, one panel an arm. {' '.join(spoken)}", caption)


def _draw_rows(
    axes: Axes, middles: np.ndarray, rows: pd.DataFrame, colour: str, marker: str, size: float, width: float
) -> None:
    """Marks with their intervals, those that were computed."""
    there = rows["estimate"].notna().to_numpy()
    value, low, high = (rows.loc[there, name].to_numpy(dtype=float) for name in ("estimate", "low", "high"))
    axes.hlines(middles[there], low, high, color=colour, linewidth=width, zorder=3.0)
    axes.plot(
        value,
        middles[there],
        color=colour,
        linestyle="none",
        marker=marker,
        markersize=size,
        markeredgecolor="white",
        markeredgewidth=0.6,
        zorder=3.1,
    )


def _in_words(arm: str, own: pd.DataFrame, unit: str, confidence: float) -> str:
    """The planned answer of an arm, and the range of the others."""
    first = own.iloc[0]
    low, high = float(first["low"]), float(first["high"])
    decimals = decimals_for_width(high - low)
    said = (
        f"{arm}: {with_unit(float(first['estimate']), decimals, unit)} as planned "
        f"({level(confidence)} {interval(low, high, decimals, unit)})"
    )
    others = own["estimate"].iloc[1:].dropna().to_numpy(dtype=float)
    if not len(others):
        return f"{said}."
    return f"{said}; others {interval(float(others.min()), float(others.max()), decimals, unit)}."
