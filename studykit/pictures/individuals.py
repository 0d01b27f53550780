"""The change of each participant, raw and shrunken, in the order of the raw changes, one panel an arm."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from studykit.errors import DataError
from studykit.formatting import counted, decimals_for_width, with_unit
from studykit.pictures.lettering import broken_to_fit
from studykit.pictures.theme import (
    BAND,
    BAND_HATCH,
    INK,
    PAGE_WIDTH_MM,
    QUIET,
    WORDS_PT,
    Drawing,
    arms_style,
    drawing_style,
    mdc_band,
    mdc_text,
    new_panels,
    unit_words,
)

INDIVIDUALS_COLUMNS: Final = ("arm", "change", "shrunken", "beyond")
MOST_VECTOR_MARKS: Final = 1000
"""People of one arm beyond whom marks are stored as dots of an image, so that a page stays small."""
_MOST_ACROSS: Final = 3
_PANEL_MM: Final = 56.0
_IMPORTANT_DASH: Final = (0, (4.0, 2.0))


def people_picture(
    people: pd.DataFrame,
    *,
    measure: str,
    unit: str,
    visit: str,
    mdc: float | None = None,
    important: float | None = None,
    styles: dict[str, int] | None = None,
    note: str = "",
) -> Drawing:
    """Draw one column a participant: an open mark for the raw change, a filled one for the shrunken change.

    Args:
        people: one row a participant: `arm` (its label), `change`, `shrunken`, in `unit`, and `beyond`, whether the raw
            change lies beyond the person's own MDC. No codes are drawn.
        measure: plain name of the measure, for the words.
        unit: unit of all values.
        visit: label of the visit that the changes lead to.
        mdc: minimal detectable change of one person, drawn as a band from -mdc to +mdc.
        important: a change that is said to matter, with its sign, drawn as a dashed line.
        styles: arm -> position in the protocol; left out, arms take styles in order of first appearance.
        note: a sentence for the caption about people who are not drawn.

    Raises:
        DataError: a column is missing, or there is no row.
    """
    missing = [column for column in INDIVIDUALS_COLUMNS if column not in people.columns]
    if missing or people.empty:
        what = f"lacks the column {missing[0]!r}" if missing else "has no row"
        raise DataError(f"The frame people {what}; it needs {', '.join(INDIVIDUALS_COLUMNS)} and at least one row.")
    arms = list(dict.fromkeys(people["arm"].astype(str)))
    if styles is not None:
        arms = sorted(arms, key=lambda arm: styles[arm])
    places = styles or {arm: position for position, arm in enumerate(arms)}
    columns = min(_MOST_ACROSS, len(arms)) if len(arms) != 4 else 2
    rows = math.ceil(len(arms) / columns)
    with drawing_style():
        figure, panels = new_panels(PAGE_WIDTH_MM, 26.0 + _PANEL_MM * rows, rows, columns)
        room = PAGE_WIDTH_MM / columns - 16.0
        for position, (axes, arm) in enumerate(zip(panels, arms, strict=False)):
            own = people[people["arm"].astype(str) == arm].sort_values("change", kind="stable")
            _draw_arm(axes, own, places[arm], unit, mdc, important)
            axes.set_title("\n".join(broken_to_fit(arm, room, WORDS_PT, bold=True)))
            axes.set_xlabel(counted(len(own), "participant"))
            if position % columns == 0:
                axes.set_ylabel(f"Change ({unit_words(unit)})")
        for axes in panels[len(arms) :]:
            axes.set_visible(False)
        _legend(figure, unit, mdc, important)
    caption = (
        f"{measure}: change of each participant from the first visit to {visit}, in the order of the raw changes. "
        "Open marks: raw; filled marks: the estimate that allows for error; a line joins the two."
        + (" Hatched: a change that one person can show by measurement error alone." if mdc is not None else "")
        + (f" {note}" if note else "")
    )
    return Drawing(figure, _in_words(people, arms, measure, unit, visit, mdc), caption)


def _draw_arm(
    axes: Axes, people: pd.DataFrame, position: int, unit: str, mdc: float | None, important: float | None
) -> None:
    look = arms_style(position)
    raw, drawn = (people[name].to_numpy(dtype=float) for name in ("change", "shrunken"))
    # Columns share one scale of 0 to 1, so that panels of arms of different sizes stay comparable.
    across = (np.arange(raw.size) + 0.5) / raw.size
    many = raw.size > MOST_VECTOR_MARKS
    if mdc is not None:
        mdc_band(axes, mdc, unit)
    axes.axhline(0.0, color=INK, linewidth=0.7, zorder=1.0)
    if important is not None:
        axes.axhline(important, color=QUIET, linestyle=_IMPORTANT_DASH, linewidth=1.2, zorder=1.2)
    axes.vlines(across, raw, drawn, color=look.colour, linewidth=0.5, alpha=0.6, zorder=2.0, rasterized=many)
    kept = {"linestyle": "none", "marker": look.marker, "markersize": 3.2, "rasterized": many}
    axes.plot(across, raw, markerfacecolor="none", markeredgecolor=look.colour, markeredgewidth=0.7, zorder=3.0, **kept)
    axes.plot(across, drawn, markerfacecolor=look.colour, markeredgecolor="none", zorder=3.5, **kept)
    axes.set_xlim(-0.03, 1.03)
    axes.set_xticks([])


def _legend(figure: Figure, unit: str, mdc: float | None, important: float | None) -> None:
    handles: list[Line2D | Patch] = [
        Line2D([], [], linestyle="none", marker="o", markersize=3.6, markerfacecolor="none", markeredgecolor=INK),
        Line2D([], [], linestyle="none", marker="o", markersize=3.6, color=INK, markeredgecolor="none"),
    ]
    labels = ["raw change", "shrunken estimate"]
    if mdc is not None:
        handles.append(Patch(facecolor=BAND, edgecolor=BAND_HATCH, hatch="////", linewidth=0.0))
        labels.append(f"within the MDC of one person (±{mdc_text(mdc, unit)})")
    if important is not None:
        handles.append(Line2D([], [], color=QUIET, linestyle=_IMPORTANT_DASH, linewidth=1.2))
        labels.append("said to matter (protocol)")
    figure.legend(handles, labels, loc="outside lower left", ncols=len(handles) if len(handles) < 4 else 2)


def _in_words(people: pd.DataFrame, arms: list[str], measure: str, unit: str, visit: str, mdc: float | None) -> str:
    sentences = []
    for arm in arms:
        own = people[people["arm"].astype(str) == arm]
        raw, drawn = (own[name].std(ddof=1) for name in ("change", "shrunken"))
        decimals = decimals_for_width(raw)
        beyond = f", {int(own['beyond'].sum())} of them beyond the MDC" if mdc is not None else ""
        sentences.append(
            f"{arm}: {counted(len(own), 'participant')}{beyond}; standard deviation of the raw changes "
            f"{with_unit(raw, decimals, unit)}, of the shrunken ones {with_unit(drawn, decimals, unit)}."
        )
    band = f" A band marks the MDC, ±{mdc_text(mdc, unit)}." if mdc is not None else ""
    return f"Change of each participant in {measure} at {visit}, one panel an arm. {' '.join(sentences)}{band}"
