"""Share of people still measured at each visit, one line an arm."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.ticker import PercentFormatter

from studykit.errors import DataError
from studykit.pictures.theme import (
    NOTES_PT,
    PAGE_WIDTH_MM,
    QUIET,
    Drawing,
    arms_style,
    drawing_style,
    legend_below,
    new_figure,
)

STILL_COLUMNS = ("arm", "visit", "participants", "measured", "share")


def still_measured_picture(
    counts: pd.DataFrame, *, measure: str, styles: Sequence[int] = (), height_mm: float = 78.0
) -> Drawing:
    """Draw the share measured by visit; the number measured stands at each mark.

    Args:
        counts: one row an arm and visit in order: `arm` and `visit` (labels), `participants`, `measured`, `share`.
        measure: plain name of the measure.
        styles: position of each arm in the protocol, in order of first appearance.

    Raises:
        DataError: a column is missing, or there is no row.
    """
    missing = [column for column in STILL_COLUMNS if column not in counts.columns]
    if missing or counts.empty:
        what = f"lacks the column {missing[0]!r}" if missing else "has no row"
        raise DataError(f"The frame counts {what}; it needs {', '.join(STILL_COLUMNS)} and at least one row.")
    arms = list(dict.fromkeys(counts["arm"].astype(str)))
    visits = list(dict.fromkeys(counts["visit"].astype(str)))
    lowest = float(counts["share"].min())
    spoken = []
    with drawing_style():
        figure, axes = new_figure(PAGE_WIDTH_MM, height_mm)
        spread = (np.arange(len(arms)) - (len(arms) - 1) / 2) * min(0.08, 0.5 / max(len(arms), 1))
        for place, arm in enumerate(arms):
            rows = counts[counts["arm"].astype(str) == arm].set_index("visit").loc[visits]
            look = arms_style(styles[place] if styles else place)
            across = np.arange(len(visits)) + spread[place]
            axes.plot(
                across,
                rows["share"].to_numpy(dtype=float),
                color=look.colour,
                marker=look.marker,
                linestyle=look.dash,
                markersize=6.0,
                markeredgecolor="white",
                markeredgewidth=0.6,
                label=f"{arm} ({int(rows['participants'].iloc[0])} began)",
            )
            last = rows.iloc[-1]
            spoken.append(f"{arm}: {int(last['measured'])} of {int(last['participants'])} at {visits[-1]}.")
        axes.set_xticks(range(len(visits)), visits)
        axes.set_xlabel("Visit")
        axes.set_ylabel("Measured, of all who began")
        axes.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
        bottom = max(0.0, np.floor((lowest - 0.1) * 10) / 10)
        axes.set_ylim(bottom, 1.03)
        if bottom > 0.0:
            axes.annotate(
                "The scale does not begin at zero.",
                (0.0, 0.0),
                (4, 4),
                xycoords="axes fraction",
                textcoords="offset points",
                fontsize=NOTES_PT,
                color=QUIET,
            )
        legend_below(figure, axes)
    caption = f"{measure}: share of those who began that was measured at each visit."
    return Drawing(figure, f"Lines of the share still measured by visit, one an arm. {' '.join(spoken)}", caption)
