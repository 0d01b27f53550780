"""Minutes done and minutes prescribed by week, one panel an arm."""

from __future__ import annotations

import math
from typing import Final

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from studykit.errors import DataError
from studykit.formatting import number
from studykit.pictures.lettering import broken_to_fit
from studykit.pictures.theme import (
    INK,
    PAGE_WIDTH_MM,
    QUIET,
    WORDS_PT,
    Drawing,
    arms_style,
    drawing_style,
    new_panels,
)

ADHERENCE_COLUMNS = ("arm", "week", "done", "done_low", "done_high", "prescribed")
_MOST_ACROSS = 3
_PANEL_MM = 46.0
_PRESCRIBED_DASH: Final = (0, (4.0, 2.0))


def adherence_picture(
    weekly: pd.DataFrame, *, spread: str = "middle half of the participants", styles: dict[str, int] | None = None
) -> Drawing:
    """Draw mean minutes done a week with their spread, and the minutes prescribed, on common scales.

    Args:
        weekly: one row an arm and week: `arm` (its label), `week` (1, 2, ...), and minutes per week: `done` (mean over
            participants), `done_low`, `done_high` (their spread), `prescribed` (0 where nothing is asked).
        spread: what done_low and done_high are, for the caption.
        styles: arm -> position in the protocol, so that an arm looks the same in every picture; left out, the arms
            take styles in order of first appearance.

    Raises:
        DataError: a column is missing, or there is no row.
    """
    missing = [column for column in ADHERENCE_COLUMNS if column not in weekly.columns]
    if missing or weekly.empty:
        what = f"lacks the column {missing[0]!r}" if missing else "has no row"
        raise DataError(f"The frame weekly {what}; it needs {', '.join(ADHERENCE_COLUMNS)} and at least one row.")
    arms = list(dict.fromkeys(weekly["arm"].astype(str)))
    places = styles or {arm: position for position, arm in enumerate(arms)}
    columns = min(_MOST_ACROSS, len(arms)) if len(arms) != 4 else 2
    rows = math.ceil(len(arms) / columns)
    with drawing_style():
        figure, panels = new_panels(PAGE_WIDTH_MM, 24.0 + _PANEL_MM * rows, rows, columns)
        for axes, arm in zip(panels, arms, strict=False):
            own = weekly[weekly["arm"].astype(str) == arm].sort_values("week")
            _draw_arm(axes, own, places[arm])
            room = PAGE_WIDTH_MM / columns - 14.0
            axes.set_title("\n".join(broken_to_fit(arm, room, WORDS_PT, bold=True)))
        for axes in panels[len(arms) :]:
            axes.set_visible(False)
        for position, axes in enumerate(panels[: len(arms)]):
            if position + columns >= len(arms):
                axes.tick_params(labelbottom=True)
                axes.set_xlabel("Week of the study")
            if position % columns == 0:
                axes.set_ylabel("Minutes a week")
        panels[0].set_ylim(bottom=0.0)
        panels[0].xaxis.set_major_locator(MaxNLocator(integer=True))
        panels[0].yaxis.set_major_locator(MaxNLocator(nbins=5, integer=True))
        _legend(figure)
    caption = (
        f"Minutes done and prescribed by week. Line with marks: mean done; shaded: {spread}; dashed: prescribed. "
        "Only weeks with a diary count."
    )
    return Drawing(figure, _in_words(weekly, arms), caption)


def _draw_arm(axes: Axes, rows: pd.DataFrame, position: int) -> None:
    look = arms_style(position)
    week, done, low, high, prescribed = (
        rows[name].to_numpy(dtype=float) for name in ("week", "done", "done_low", "done_high", "prescribed")
    )
    axes.fill_between(week, low, high, color=look.colour, alpha=0.16, linewidth=0.0)
    axes.plot(week, prescribed, color=QUIET, linestyle=_PRESCRIBED_DASH, linewidth=1.4)
    axes.plot(week, done, color=look.colour, marker=look.marker, markersize=3.8)


def _legend(figure: Figure) -> None:
    """What the three kinds of mark are, in the ink of the words because every panel has a colour of its own."""
    handles = [
        Line2D([], [], color=INK, marker="o", markersize=3.8),
        Patch(facecolor=INK, alpha=0.16),
        Line2D([], [], color=QUIET, linestyle=_PRESCRIBED_DASH, linewidth=1.4),
    ]
    labels = ["done, mean", "done, spread between participants", "prescribed"]
    figure.legend(handles, labels, loc="outside lower left", ncols=3)


def _in_words(weekly: pd.DataFrame, arms: list[str]) -> str:
    sentences = []
    for arm in arms:
        own = weekly[weekly["arm"].astype(str) == arm]
        last = own.loc[own["week"].idxmax()]
        sentences.append(
            f"{arm}: {number(float(own['done'].mean()), 0)} minutes a week done on average against "
            f"{number(float(own['prescribed'].mean()), 0)} prescribed, {number(float(last['done']), 0)} in week "
            f"{number(float(last['week']), 0)}."
        )
    return f"Minutes done and prescribed by week, one panel an arm. {' '.join(sentences)}"
