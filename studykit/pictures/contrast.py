"""Differences between arms with their intervals on one scale, zero and the MDC marked."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from studykit.errors import DataError
from studykit.formatting import decimals_for_width, estimate, interval, level, with_unit
from studykit.pictures.lettering import broken_to_fit
from studykit.pictures.theme import (
    INK,
    NOTES_PT,
    PAGE_WIDTH_MM,
    Drawing,
    arms_style,
    drawing_style,
    legend_below,
    mdc_band,
    mdc_text,
    new_figure,
    unit_words,
)

CONTRAST_COLUMNS = ("label", "difference", "low", "high")
_ROW_MM = 11.0
_LABEL_MM = 42.0


def contrast_picture(
    contrasts: pd.DataFrame,
    *,
    measure: str,
    unit: str,
    confidence: float,
    axis: str = "Difference from control",
    mdc: float | None = None,
    styles: Sequence[int] = (),
) -> Drawing:
    """Draw one row a difference: a mark with its interval, its numbers on the right, a line at zero, the MDC as a band.

    Args:
        contrasts: `label`, `difference`, `low`, `high` in `unit`; drawn from the top in order.
        measure: plain name of the measure, for the words.
        axis: what is drawn, for the axis title; the unit is added.
        mdc: minimal detectable change of one person, in `unit`.
        styles: position of the arm of each row in the protocol, so that an arm looks the same in every picture;
            left out, the rows take styles 1, 2, ... and leave 0 to the control.

    Raises:
        DataError: a column is missing, or there is no row.
    """
    missing = [column for column in CONTRAST_COLUMNS if column not in contrasts.columns]
    if missing or contrasts.empty:
        what = f"lacks the column {missing[0]!r}" if missing else "has no row"
        raise DataError(f"The frame contrasts {what}; it needs {', '.join(CONTRAST_COLUMNS)} and at least one row.")
    labels = contrasts["label"].astype(str).tolist()
    difference, low, high = (contrasts[name].to_numpy(dtype=float) for name in CONTRAST_COLUMNS[1:])
    broken = [broken_to_fit(label, _LABEL_MM, NOTES_PT) for label in labels]
    lines = sum(max(1.0, 0.5 * len(parts)) for parts in broken)
    with drawing_style():
        figure, axes = new_figure(PAGE_WIDTH_MM, 28.0 + _ROW_MM * lines)
        axes.grid(visible=False)
        if mdc is not None:
            mdc_band(axes, mdc, unit, across="x")
        axes.axvline(0.0, color=INK, linewidth=0.9, zorder=1.0)
        for row in range(len(labels)):
            look = arms_style(styles[row] if styles else 1 + row)
            axes.errorbar(
                [difference[row]],
                [float(row)],
                xerr=[[difference[row] - low[row]], [high[row] - difference[row]]],
                color=look.colour,
                marker=look.marker,
                markersize=7.5,
                markeredgecolor="white",
                markeredgewidth=0.6,
                elinewidth=2.0,
                capsize=3.0,
                zorder=3.0,
            )
            text = estimate(difference[row], low[row], high[row], unit=unit)
            axes.annotate(
                text,
                (1.0, float(row)),
                (6, 0),
                xycoords=("axes fraction", "data"),
                textcoords="offset points",
                va="center",
                fontsize=NOTES_PT,
                annotation_clip=False,
            )
        axes.set_yticks(range(len(labels)), ["\n".join(parts) for parts in broken])
        axes.set_ylim(len(labels) - 0.4, -0.6)
        axes.spines["left"].set_visible(False)
        axes.set_xlabel(f"{axis} ({unit_words(unit)})")
        legend_below(figure, axes)
    caption = f"{measure}: {axis[0].lower()}{axis[1:]} with {level(confidence)}."
    if mdc is not None:
        caption += " Hatched: the MDC of one person; the interval is about group means, which can differ by less."
    spoken = []
    for row, label in enumerate(labels):
        decimals = decimals_for_width(high[row] - low[row])
        spoken.append(
            f"{label}: {with_unit(difference[row], decimals, unit)} "
            f"({level(confidence)} {interval(low[row], high[row], decimals, unit)})."
        )
    band = f" A band marks the MDC, ±{mdc_text(mdc, unit)}." if mdc is not None else ""
    alt = f"{axis} in {measure}, one row a comparison, with intervals and a line at zero. {' '.join(spoken)}{band}"
    return Drawing(figure, alt, caption)
