"""Individual values and moving ranges over time, a row of two panels a reader: centre, limits, what asks for a look."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from studykit.errors import DataError
from studykit.formatting import counted, decimals_for_width, with_unit
from studykit.pictures.lettering import broken_to_fit
from studykit.pictures.theme import (
    INK,
    MM_PER_INCH,
    PAGE_WIDTH_MM,
    QUIET,
    WORDS_PT,
    Drawing,
    arms_style,
    drawing_style,
    unit_words,
)

_ROW_MM: Final = 40.0
_LOWEST_ROW_MM: Final = 24.0
_PAGE_MM: Final = 215.0
"""Height of all rows together that fits on a page with its caption; beyond it rows get lower."""
_WIDTHS: Final = (1.9, 1.0)
_DASH: Final = (0, (5.0, 2.0))
_OUTSIDE: Final = "outside the limits"
_RUN: Final = "eighth or later in a row on one side"


@dataclass(frozen=True, slots=True)
class ChartPanel:
    """One reader's chart, in the unit of the measure.

    Attributes:
        title: who it is, as a code.
        values: (n,) in the order of time, about zero; ranges: (n - 1,) of neighbours.
        limit: values beyond -limit and +limit are outside.
        range_centre, range_limit: mean moving range and its upper limit.
        in_a_run: (n,) True where a value ends a run on one side of zero.
    """

    title: str
    values: np.ndarray
    ranges: np.ndarray
    limit: float
    range_centre: float
    range_limit: float
    in_a_run: np.ndarray


def control_chart_picture(
    panels: Sequence[ChartPanel], *, measure: str, unit: str, width_mm: float = PAGE_WIDTH_MM
) -> Drawing:
    """Draw the charts below each other, on common scales.

    Args:
        panels: the charts, in the order in which they stand.
        measure: plain name of the measure, for the words.
        unit: unit of all values.
        width_mm: width of the picture.

    Raises:
        DataError: there is no chart.
    """
    if not panels:
        raise DataError("There is no chart to draw.")
    row_mm = max(_LOWEST_ROW_MM, min(_ROW_MM, _PAGE_MM / len(panels)))
    height_mm = 26.0 + row_mm * len(panels)
    with drawing_style():
        figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH), layout="constrained")
        axes = figure.subplots(
            len(panels), 2, sharex="col", sharey="col", squeeze=False, gridspec_kw={"width_ratios": _WIDTHS}
        )
        room = width_mm / sum(_WIDTHS) - 14.0
        for (left, right), panel in zip(axes, panels, strict=True):
            _draw_values(left, panel)
            _draw_ranges(right, panel)
            left.set_title("\n".join(broken_to_fit(panel.title, _WIDTHS[0] * room, WORDS_PT, bold=True)))
            right.set_title("Moving range")
            left.set_ylabel(f"Difference\n({unit_words(unit)})")
        for last in axes[-1]:
            last.set_xlabel("Visit number")
            last.xaxis.set_major_locator(MaxNLocator(nbins=6, integer=True))
        axes[0][1].set_ylim(bottom=0.0)
        _legend(figure)
    caption = (
        f"{measure}: each therapist's readings less what the others' readings let one expect. Left: visits in the "
        "order of time about zero, dashed the limits at three mean moving ranges over 1.128; right: differences of "
        "neighbouring visits, their mean and upper limit. A mark that asks for a look is filled."
    )
    return Drawing(figure, _in_words(panels, measure, unit), caption)


def _draw_values(axes: Axes, panel: ChartPanel) -> None:
    look, seen = arms_style(0), np.arange(1, panel.values.size + 1)
    outside = np.abs(panel.values) > panel.limit
    axes.axhline(0.0, color=INK, linewidth=0.8, zorder=1.5)
    for limit in (-panel.limit, panel.limit):
        axes.axhline(limit, color=QUIET, linestyle=_DASH, linewidth=1.1, zorder=1.5)
    axes.plot(seen, panel.values, color=look.colour, linewidth=0.8, marker="o", markersize=3.0, markerfacecolor="white")
    _mark(axes, seen, panel.values, panel.in_a_run & ~outside, 2)
    _mark(axes, seen, panel.values, outside, 1)


def _draw_ranges(axes: Axes, panel: ChartPanel) -> None:
    look, seen = arms_style(0), np.arange(2, panel.values.size + 1)
    axes.axhline(panel.range_centre, color=INK, linewidth=0.8, zorder=1.5)
    axes.axhline(panel.range_limit, color=QUIET, linestyle=_DASH, linewidth=1.1, zorder=1.5)
    axes.plot(seen, panel.ranges, color=look.colour, linewidth=0.8, marker="o", markersize=3.0, markerfacecolor="white")
    _mark(axes, seen, panel.ranges, panel.ranges > panel.range_limit, 1)


def _mark(axes: Axes, seen: np.ndarray, values: np.ndarray, chosen: np.ndarray, style: int) -> None:
    look = arms_style(style)
    axes.plot(seen[chosen], values[chosen], linestyle="none", marker=look.marker, color=look.colour, markersize=6.0)


def _legend(figure: Figure) -> None:
    handles = [
        Line2D([], [], color=INK, linewidth=0.8),
        Line2D([], [], color=QUIET, linestyle=_DASH, linewidth=1.1),
        *(
            Line2D([], [], linestyle="none", marker=arms_style(k).marker, color=arms_style(k).colour, markersize=6.0)
            for k in (1, 2)
        ),
    ]
    figure.legend(handles, ["centre", "limit", _OUTSIDE, _RUN], loc="outside lower left", ncols=2)


def _in_words(panels: Sequence[ChartPanel], measure: str, unit: str) -> str:
    said = []
    for panel in panels:
        outside = int((np.abs(panel.values) > panel.limit).sum())
        limit = with_unit(panel.limit, decimals_for_width(panel.limit), unit)
        said.append(
            f"{panel.title}: {counted(panel.values.size, 'visit')}, limits ±{limit}, {outside} outside the limits, "
            f"{int(panel.in_a_run.sum())} at the end of a run on one side of zero, "
            f"{counted(int((panel.ranges > panel.range_limit).sum()), 'moving range')} above the limit."
        )
    return f"Charts of {measure}, a row of two panels a therapist. {' '.join(said)}"
