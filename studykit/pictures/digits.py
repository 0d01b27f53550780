"""Last digits of each rater's readings, and the share of multiples of five by month."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator, PercentFormatter

from studykit.errors import DataError
from studykit.formatting import counted, level, percent
from studykit.pictures.theme import (
    PAGE_WIDTH_MM,
    QUIET,
    Drawing,
    arms_style,
    drawing_style,
    legend_below,
    new_panels,
)

DIGITS: Final = tuple(str(digit) for digit in range(10))
MOST_RATERS: Final = 6
"""Raters drawn; the rest stand in the table, because looks would repeat."""
_DASH: Final = (0, (4.0, 2.0))


def digits_picture(raters: pd.DataFrame, months: pd.DataFrame, *, measure: str, confidence: float) -> Drawing:
    """Draw the share of each last digit by rater and, where there are months, multiples of five over them.

    Args:
        raters: `rater`, `readings`, `share` (of multiples of five), `0` .. `9` (counts of last digits).
        months: `rater`, `month`, `share`, `low`, `high`; may be empty.
        measure: plain name of the measure, for the words.
        confidence: level of the intervals in `months`.

    Raises:
        DataError: a column is missing, or there is no rater.
    """
    missing = [column for column in ("rater", "readings", "share", *DIGITS) if column not in raters.columns]
    if missing or raters.empty:
        what = f"lacks the column {missing[0]!r}" if missing else "has no row"
        raise DataError(f"The frame raters {what}; it needs rater, readings, share, 0 to 9 and at least one row.")
    drawn = raters.head(MOST_RATERS)
    with drawing_style():
        figure, panels = new_panels(PAGE_WIDTH_MM, 84.0, 1, 1 if months.empty else 2, shared=False)
        _digits(panels[0], drawn)
        if not months.empty:
            _months(panels[1], months, drawn["rater"].astype(str).tolist())
        legend_below(figure, panels[0])
    later = f" Right: share of multiples of five by study month with {level(confidence)}." if not months.empty else ""
    rest = f" {counted(len(raters) - len(drawn), 'rater')} only in the table." if len(raters) > len(drawn) else ""
    caption = f"{measure}: share of each last digit among first trials, by rater; dashed: chance.{later}{rest}"
    said = [
        f"{row['rater']}: {counted(int(row['readings']), 'reading')}, {percent(row['share'])} multiples of five."
        for row in drawn.to_dict("records")
    ]
    alt = f"Shares of last digits of readings of {measure} by rater, a line at one in ten. {' '.join(said)}"
    return Drawing(figure, alt, caption)


def _digits(axes: Axes, raters: pd.DataFrame) -> None:
    offsets = (np.arange(len(raters)) - (len(raters) - 1) / 2.0) * min(0.2, 0.6 / len(raters))
    for position, row in enumerate(raters.to_dict("records")):
        look = arms_style(position)
        share = np.array([row[digit] for digit in DIGITS], dtype=float) / float(row["readings"])
        axes.plot(
            np.arange(10) + offsets[position],
            share,
            linestyle="none",
            marker=look.marker,
            color=look.colour,
            markersize=4.2,
            clip_on=False,
            label=str(row["rater"]),
        )
    axes.axhline(0.1, color=QUIET, linestyle=_DASH, linewidth=1.0)
    axes.set_xticks(range(10), list(DIGITS))
    axes.set_ylim(bottom=0.0)
    axes.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    axes.set_title("Last digits")
    axes.set_xlabel("Last digit")
    axes.set_ylabel("Share of first trials")


def _months(axes: Axes, months: pd.DataFrame, raters: list[str]) -> None:
    offsets = (np.arange(len(raters)) - (len(raters) - 1) / 2.0) * min(0.14, 0.5 / len(raters))
    for position, rater in enumerate(raters):
        look, own = arms_style(position), months[months["rater"].astype(str) == rater]
        if own.empty:
            continue
        month, share, low, high = (own[name].to_numpy(dtype=float) for name in ("month", "share", "low", "high"))
        axes.errorbar(
            month + offsets[position],
            share,
            yerr=np.vstack([share - low, high - share]),
            color=look.colour,
            marker=look.marker,
            markersize=3.8,
            linestyle=look.dash,
            linewidth=0.9,
            elinewidth=0.8,
        )
    axes.axhline(0.2, color=QUIET, linestyle=_DASH, linewidth=1.0)
    axes.set_ylim(bottom=0.0)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    axes.set_title("Multiples of five")
    axes.set_xlabel("Month of the study")
    axes.set_ylabel("Share of first trials")
