"""Dose done and change: between participants on the left, within a participant on the right."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from studykit.errors import DataError
from studykit.formatting import decimals_for_width, interval, level, with_unit
from studykit.pictures.lettering import broken_to_fit
from studykit.pictures.theme import (
    HAIRLINE,
    INK,
    MM_PER_INCH,
    PAGE_WIDTH_MM,
    WORDS_PT,
    Drawing,
    arms_style,
    drawing_style,
    unit_words,
)

POINT_COLUMNS: Final = ("arm", "minutes", "change", "style")
_HEIGHT_MM: Final = 92.0
_BAND: Final = "#c3c9cf"


@dataclass(frozen=True, slots=True)
class SlopePanel:
    """One panel: points, and a line through their middle with its interval.

    Attributes:
        title: above the panel; across, up: titles of the axes (the unit of the measure is added to `up`).
        points: `arm` (label), `minutes`, `change`, `style` (place in the protocol); may be empty.
        slope: estimate, low and high by one minute; None where there is none.
    """

    title: str
    across: str
    up: str
    points: pd.DataFrame
    slope: tuple[float, float, float] | None


def dose_done_picture(
    panels: tuple[SlopePanel, SlopePanel], *, measure: str, unit: str, confidence: float, people_note: str = ""
) -> Drawing:
    """Draw both slopes, each over its points, with zero on both axes.

    Raises:
        DataError: a column is missing, or there is no point in either panel.
    """
    for panel in panels:
        missing = [column for column in POINT_COLUMNS if column not in panel.points.columns]
        if missing:
            raise DataError(f"The points lack the column {missing[0]!r}; they need {', '.join(POINT_COLUMNS)}.")
    if all(panel.points.empty for panel in panels):
        raise DataError("Neither panel has a point, so there is nothing to draw.")
    with drawing_style():
        size = (PAGE_WIDTH_MM / MM_PER_INCH, _HEIGHT_MM / MM_PER_INCH)
        figure = Figure(figsize=size, layout="constrained")
        for axes, panel in zip(figure.subplots(1, 2), panels, strict=True):
            _draw(axes, panel, unit)
        _legend(figure, panels)
    caption = (
        f"{measure}: dose done and change, an association. Left: participants of one arm against each other. Right: "
        "busier and idler times of the same participant; both axes count from the participant's own course. Line: "
        "slope, shaded "
        f"its {level(confidence)}." + (f" {people_note}" if people_note else "")
    )
    spoken = [_in_words(panel, unit, confidence) for panel in panels]
    return Drawing(figure, f"Dose done against change in {measure}, in two panels. {' '.join(spoken)}", caption)


def _draw(axes: Axes, panel: SlopePanel, unit: str) -> None:
    axes.axhline(0.0, color=INK, linewidth=0.6, zorder=1.0)
    axes.axvline(0.0, color=HAIRLINE, linewidth=0.6, zorder=1.0)
    points = panel.points
    reach = float(points["minutes"].abs().max()) if len(points) else 1.0
    if panel.slope is not None:
        across = np.linspace(-reach, reach, 3)
        estimate, low, high = panel.slope
        axes.fill_between(across, low * across, high * across, color=_BAND, alpha=0.6, linewidth=0.0, zorder=1.5)
        axes.plot(across, estimate * across, color=INK, linewidth=1.8, zorder=3.0)
    for _, own in points.groupby("style", sort=True):
        look = arms_style(int(own["style"].iloc[0]))
        axes.plot(
            own["minutes"].to_numpy(dtype=float),
            own["change"].to_numpy(dtype=float),
            linestyle="none",
            marker=look.marker,
            markersize=3.2,
            markerfacecolor="none",
            markeredgecolor=look.colour,
            markeredgewidth=0.7,
            alpha=0.8,
            zorder=2.0,
        )
    tall = float(points["change"].abs().max()) * 1.1 if len(points) else 1.0
    axes.set_ylim(-tall, tall)
    axes.set_xlim(-1.05 * reach, 1.05 * reach)
    room = PAGE_WIDTH_MM / 2.0 - 16.0
    axes.set_title("\n".join(broken_to_fit(panel.title, room, WORDS_PT, bold=True)))
    axes.set_xlabel("\n".join(broken_to_fit(panel.across, room, WORDS_PT)))
    axes.set_ylabel("\n".join(broken_to_fit(f"{panel.up} ({unit_words(unit)})", _HEIGHT_MM - 40.0, WORDS_PT)))


def _legend(figure: Figure, panels: tuple[SlopePanel, SlopePanel]) -> None:
    """One mark an arm, as many columns as fit."""
    points = pd.concat([panel.points for panel in panels])
    arms = points.drop_duplicates("style").sort_values("style")
    handles = []
    for style in arms["style"]:
        look = arms_style(int(style))
        mark = Line2D([], [], linestyle="none", marker=look.marker, markersize=4.5)
        mark.set(markerfacecolor="none", markeredgecolor=look.colour)
        handles.append(mark)
    figure.legend(handles, [str(arm) for arm in arms["arm"]], loc="outside lower left", ncols=min(len(arms), 3))


def _in_words(panel: SlopePanel, unit: str, confidence: float) -> str:
    count = len(panel.points)
    if panel.slope is None:
        return f"{panel.title}: {count} points and no slope."
    value, low, high = panel.slope
    decimals = decimals_for_width(high - low)
    return (
        f"{panel.title}: {count} points; slope {with_unit(value, decimals, unit)} a minute "
        f"({level(confidence)} {interval(low, high, decimals, unit)})."
    )
