"""What each rater reads against the mean of all raters, month by month, with the fitted drift."""

from __future__ import annotations

import math
from typing import Final

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from studykit.errors import DataError
from studykit.formatting import decimals_for_width, level, with_unit
from studykit.pictures.lettering import broken_to_fit
from studykit.pictures.theme import (
    INK,
    PAGE_WIDTH_MM,
    WORDS_PT,
    Drawing,
    arms_style,
    drawing_style,
    new_panels,
    unit_words,
)

MONTHS_COLUMNS: Final = ("rater", "month", "difference")
LINES_COLUMNS: Final = ("rater", "month", "estimate", "low", "high")
MOST_RATERS: Final = 12
_MOST_ACROSS: Final = 3
_PANEL_MM: Final = 48.0


def drift_picture(months: pd.DataFrame, lines: pd.DataFrame, *, measure: str, unit: str, confidence: float) -> Drawing:
    """Draw one panel a rater on common scales.

    Args:
        months: `rater`, `month` (1, 2, ...), `difference` from the mean of all raters, in `unit`.
        lines: `rater`, `month`, `estimate`, `low`, `high`: the fitted line of each rater; raters in order of first
            appearance take their styles.
        measure: plain name of the measure.
        unit: unit of all values.
        confidence: level of the band.

    Raises:
        DataError: a column is missing, or there is no row.
    """
    for frame, columns, name in ((months, MONTHS_COLUMNS, "months"), (lines, LINES_COLUMNS, "lines")):
        missing = [column for column in columns if column not in frame.columns]
        if missing or frame.empty:
            what = f"lacks the column {missing[0]!r}" if missing else "has no row"
            raise DataError(f"The frame {name} {what}; it needs {', '.join(columns)} and at least one row.")
    raters = list(dict.fromkeys(lines["rater"].astype(str)))
    drawn = raters[:MOST_RATERS]
    columns_across = min(_MOST_ACROSS, len(drawn)) if len(drawn) != 4 else 2
    rows = math.ceil(len(drawn) / columns_across)
    with drawing_style():
        figure, panels = new_panels(PAGE_WIDTH_MM, 22.0 + _PANEL_MM * rows, rows, columns_across)
        for position, (axes, rater) in enumerate(zip(panels, drawn, strict=False)):
            _draw(axes, months[months["rater"].astype(str) == rater], lines[lines["rater"] == rater], position)
            room = PAGE_WIDTH_MM / columns_across - 16.0
            axes.set_title("\n".join(broken_to_fit(rater, room, WORDS_PT, bold=True)))
            if position + columns_across >= len(drawn):
                axes.tick_params(labelbottom=True)
                axes.set_xlabel("Month of the study")
            if position % columns_across == 0:
                axes.set_ylabel(f"Against the mean of all ({unit_words(unit)})")
        for axes in panels[len(drawn) :]:
            axes.set_visible(False)
        panels[0].xaxis.set_major_locator(MaxNLocator(integer=True, nbins=7))
    rest = f" Of {len(raters)} raters the first {len(drawn)} are drawn." if len(raters) > len(drawn) else ""
    caption = (
        f"{measure}: readings of each rater against the mean of all raters, what the model expects of the person and "
        f"the visit taken away. Marks: means of a month; line and band: fitted drift with {level(confidence)}.{rest}"
    )
    return Drawing(figure, _in_words(lines, drawn, measure, unit), caption)


def _draw(axes: Axes, months: pd.DataFrame, line: pd.DataFrame, position: int) -> None:
    look = arms_style(position)
    at, estimate, low, high = (line[name].to_numpy(dtype=float) for name in LINES_COLUMNS[1:])
    axes.axhline(0.0, color=INK, linewidth=0.7, zorder=1.0)
    axes.fill_between(at, low, high, color=look.colour, alpha=0.16, linewidth=0.0)
    axes.plot(at, estimate, color=look.colour, linestyle=look.dash)
    # A month's mean stands in the middle of its thirty days.
    axes.plot(
        months["month"].to_numpy(dtype=float) + 0.5,
        months["difference"].to_numpy(dtype=float),
        linestyle="none",
        marker=look.marker,
        markersize=4.2,
        markerfacecolor="none",
        markeredgecolor=look.colour,
        markeredgewidth=0.9,
    )


def _in_words(lines: pd.DataFrame, raters: list[str], measure: str, unit: str) -> str:
    said = []
    for rater in raters:
        own = lines[lines["rater"] == rater]
        first, last = own.iloc[0], own.iloc[-1]
        decimals = decimals_for_width(float(last["high"] - last["low"]))
        said.append(
            f"{rater}: {with_unit(float(first['estimate']), decimals, unit)} at its first reading, "
            f"{with_unit(float(last['estimate']), decimals, unit)} at its last."
        )
    return f"Readings of {measure} of each rater against the mean of all raters by month. {' '.join(said)}"
