"""Shares of what was planned over the months, one panel a kind, each share with its interval."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from studykit.errors import DataError
from studykit.formatting import level, percent, share_estimate
from studykit.pictures.lettering import broken_to_fit
from studykit.pictures.theme import NOTES_PT, PAGE_WIDTH_MM, WORDS_PT, Drawing, arms_style, drawing_style, new_panels

COMPLETENESS_COLUMNS = ("panel", "group", "label", "share", "low", "high")
MOST_LABELS = 6
"""Months named on an axis; of more, every second, third, ... is named."""
_ACROSS = 2
_PANEL_MM = 36.0
_MARKS = (0.0, 0.25, 0.5, 0.75, 1.0)


def completeness_picture(
    shares: pd.DataFrame, *, panels: list[str], confidence: float, width_mm: float = PAGE_WIDTH_MM
) -> Drawing:
    """Draw shares of one over the months, 0 to 100 % in every panel.

    Args:
        shares: one row a panel and month: `panel`, `group` (months sort by it), `label`, `share`, `low`, `high`.
        panels: the panels in the order in which they stand; one without a row is left out.
        confidence: level of the intervals.
        width_mm: width of the picture.

    Raises:
        DataError: a column is missing, or there is no row.
    """
    missing = [column for column in COMPLETENESS_COLUMNS if column not in shares.columns]
    drawn = [panel for panel in panels if (shares["panel"] == panel).any()] if not missing else []
    if missing or not drawn:
        what = f"lacks the column {missing[0]!r}" if missing else "has no row"
        raise DataError(f"The frame shares {what}; it needs {', '.join(COMPLETENESS_COLUMNS)} and at least one row.")
    months = shares.drop_duplicates("group").sort_values("group", ignore_index=True)
    place = {group: position for position, group in enumerate(months["group"])}
    columns = min(_ACROSS, len(drawn))
    rows = -(-len(drawn) // columns)
    room = (width_mm / columns - 16.0) / min(len(months), MOST_LABELS)
    with drawing_style():
        figure, axes = new_panels(width_mm, 12.0 + (_PANEL_MM + 4.0) * rows, rows, columns)
        for panel, name in zip(axes, drawn, strict=False):
            own = shares[shares["panel"] == name]
            _draw_panel(panel, own, place)
            panel.set_title("\n".join(broken_to_fit(name, width_mm / columns - 14.0, WORDS_PT, bold=True)))
        for panel in axes[len(drawn) :]:
            panel.set_visible(False)
        _month_axis(axes[: len(drawn)], months["label"].astype(str).tolist(), room, columns)
    caption = (
        f"Share of what was planned by the month in which the visit was planned, with its {level(confidence)}. Months "
        "with few people are joined."
    )
    return Drawing(figure, _in_words(shares, drawn, months), caption)


def _draw_panel(axes: Axes, own: pd.DataFrame, place: dict[str, int]) -> None:
    look = arms_style(0)
    at = own["group"].map(place).to_numpy(dtype=float)
    order = np.argsort(at)
    share, low, high = (own[name].to_numpy(dtype=float)[order] for name in ("share", "low", "high"))
    axes.errorbar(
        at[order],
        share,
        yerr=np.vstack([np.maximum(share - low, 0.0), np.maximum(high - share, 0.0)]),
        color=look.colour,
        marker=look.marker,
        markersize=5.0,
        elinewidth=1.2,
        capsize=2.5,
    )


def _month_axis(axes: list[Axes], labels: list[str], room_mm: float, columns: int) -> None:
    step = -(-len(labels) // MOST_LABELS)
    ticks = list(range(0, len(labels), step))
    named = [_month_words(labels[tick], room_mm) for tick in ticks]
    for position, panel in enumerate(axes):
        panel.set_xlim(-0.5, len(labels) - 0.5)
        panel.set_ylim(0.0, 1.04)
        panel.set_yticks(_MARKS, [percent(share) for share in _MARKS])
        panel.set_xticks(ticks, named)
        if position + columns >= len(axes):
            panel.tick_params(labelbottom=True)


def _month_words(label: str, room_mm: float) -> str:
    """A month with its year on a line of its own."""
    months, _, year = label.rpartition(" ")
    return "\n".join([*broken_to_fit(months, room_mm, NOTES_PT), year] if months else [year])


def _in_words(shares: pd.DataFrame, panels: list[str], months: pd.DataFrame) -> str:
    first, last = months["group"].iloc[0], months["group"].iloc[-1]
    sentences = []
    for panel in panels:
        own = shares[shares["panel"] == panel].set_index("group")
        ends = [group for group in dict.fromkeys((first, last)) if group in own.index]
        said = [
            f"{share_estimate(*own.loc[group, ['share', 'low', 'high']])} in {own.loc[group, 'label']}"
            for group in ends
        ]
        sentences.append(f"{panel}: {', '.join(said) if said else 'some months only'}.")
    return f"Shares of what was planned over the months, one panel a kind. {' '.join(sentences)}"
