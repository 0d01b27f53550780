"""Change from baseline over the visits: each participant, the mean of each arm with its interval, and the MDC."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from studykit.errors import DataError
from studykit.formatting import decimals_for_width, interval, level, with_unit
from studykit.pictures.theme import (
    INK,
    Drawing,
    arms_style,
    drawing_style,
    legend_below,
    mdc_band,
    mdc_text,
    new_figure,
    unit_words,
)

MEANS_COLUMNS = ("arm", "week", "visit", "mean", "low", "high")
PEOPLE_COLUMNS = ("arm", "week", "change")
MOST_VECTOR_MARKS = 1000
"""Marks of one arm beyond which they are stored as dots of an image, so that a page stays small."""
_SPREAD = 0.62
"""Share of the gap between two visits over which the arms stand side by side."""


def change_picture(
    means: pd.DataFrame,
    people: pd.DataFrame | None = None,
    *,
    measure: str,
    unit: str,
    confidence: float,
    mdc: float | None = None,
    mdc_confidence: float = 0.95,
    people_note: str = "",
    height_mm: float = 100.0,
) -> Drawing:
    """Draw change from baseline by arm over the visits.

    Args:
        means: one row an arm and visit; `arm` and `visit` (labels), `week`, `mean`, `low`, `high` in `unit`. Arms
            take their styles in order of first appearance. A baseline row carries 0, 0, 0.
        people: one row a participant (or limb) and visit: `arm`, `week`, `change`; drawn as small open marks.
        measure: plain name of the measure, for the words.
        unit: unit of all values.
        confidence: level of the intervals in `means`.
        mdc: minimal detectable change of one person, in `unit`; drawn as a band from -mdc to +mdc.
        mdc_confidence: level of the MDC.
        people_note: a sentence for the caption about people who are not drawn.

    Raises:
        DataError: a column is missing, or there is no row.
    """
    _check(means, MEANS_COLUMNS, "means")
    if means.empty:
        raise DataError("The frame means has no row, so there is nothing to draw.")
    if people is not None:
        _check(people, PEOPLE_COLUMNS, "people")
    arms = list(dict.fromkeys(means["arm"].astype(str)))
    weeks = np.unique(means["week"].to_numpy(dtype=float))
    offsets = _side_by_side(len(arms), weeks)
    with drawing_style():
        figure, axes = new_figure(height_mm=height_mm)
        if mdc is not None:
            mdc_band(axes, mdc, unit)
        axes.axhline(0.0, color=INK, linewidth=0.7, zorder=1.0)
        for position, arm in enumerate(arms):
            shift = float(offsets[position])
            if people is not None and len(people):
                _draw_people(axes, people[people["arm"].astype(str) == arm], position, shift, weeks, len(arms))
            _draw_means(axes, means[means["arm"].astype(str) == arm], position, shift, arm)
        labels = means.drop_duplicates("week").set_index("week")["visit"].astype(str)
        axes.set_xticks(weeks, [labels.loc[week] for week in weeks])
        axes.set_xlabel("Visit")
        axes.set_ylabel(f"Change from baseline ({unit_words(unit)})")
        legend_below(figure, axes)
    shown = "mean of each arm" if len(arms) > 1 else "mean"
    caption = (
        f"{measure}: change from baseline by visit. Large marks: {shown} with its {level(confidence)}."
        + (" Small marks: participants." if people is not None and len(people) else "")
        + (
            f" Hatched: a change that one person can show by measurement error alone ({_mdc_words(mdc_confidence)})."
            if mdc is not None
            else ""
        )
        + (f" {people_note}" if people_note else "")
    )
    return Drawing(figure, _in_words(means, arms, measure, unit, confidence, mdc), caption)


def _check(frame: pd.DataFrame, columns: tuple[str, ...], name: str) -> None:
    missing = [column for column in columns if column not in frame.columns]
    if missing:
        raise DataError(f"The frame {name} lacks the column {missing[0]!r}; it needs {', '.join(columns)}.")


def _side_by_side(count: int, weeks: np.ndarray) -> np.ndarray:
    gap = float(np.min(np.diff(weeks))) if len(weeks) > 1 else 1.0
    return (np.arange(count) - (count - 1) / 2) * (_SPREAD * gap / max(count, 3))


def _draw_people(axes: Axes, people: pd.DataFrame, position: int, shift: float, weeks: np.ndarray, count: int) -> None:
    """Small open marks beside the mean, spread by their order within the visit so that equal values stay visible."""
    look = arms_style(position)
    many = len(people) > MOST_VECTOR_MARKS
    step = 0.7 * _SPREAD / max(count, 3) * (float(np.min(np.diff(weeks))) if len(weeks) > 1 else 1.0)
    for week, group in people.groupby("week"):
        change = group["change"].to_numpy(dtype=float)
        change = change[np.isfinite(change)]
        across = ((np.arange(len(change)) * 0.6180339887) % 1.0 - 0.5) * step
        axes.plot(
            float(week) + shift + across,
            change,
            linestyle="none",
            marker=look.marker,
            markersize=2.4,
            markerfacecolor="none",
            markeredgecolor=look.colour,
            markeredgewidth=0.5,
            alpha=0.55,
            rasterized=many,
            zorder=2.0,
        )


def _draw_means(axes: Axes, rows: pd.DataFrame, position: int, shift: float, label: str) -> None:
    look = arms_style(position)
    rows = rows.sort_values("week")
    week, mean, low, high = (rows[name].to_numpy(dtype=float) for name in ("week", "mean", "low", "high"))
    axes.errorbar(
        week + shift,
        mean,
        yerr=np.vstack([mean - low, high - mean]),
        color=look.colour,
        marker=look.marker,
        markersize=6.5,
        markeredgecolor="white",
        markeredgewidth=0.8,
        linestyle=look.dash,
        elinewidth=1.6,
        capsize=2.5,
        label=label,
        zorder=4.0 + 0.01 * position,
    )


def _mdc_words(confidence: float) -> str:
    return f"MDC at {100 * confidence:g}%"


def _in_words(
    means: pd.DataFrame, arms: list[str], measure: str, unit: str, confidence: float, mdc: float | None
) -> str:
    last = means["week"].max()
    visit = str(means.loc[means["week"] == last, "visit"].iloc[0])
    sentences = []
    for arm in arms:
        row = means[(means["arm"].astype(str) == arm) & (means["week"] == last)]
        if row.empty:
            continue
        mean, low, high = (float(row[name].iloc[0]) for name in ("mean", "low", "high"))
        decimals = decimals_for_width(high - low)
        sentences.append(
            f"{arm}: {with_unit(mean, decimals, unit)} at {visit} "
            f"({level(confidence)} {interval(low, high, decimals, unit)})."
        )
    band = f" A band from −{mdc_text(mdc, unit)} to {mdc_text(mdc, unit)} marks the MDC." if mdc is not None else ""
    return f"Lines of mean change from baseline in {measure} by arm over the visits. {' '.join(sentences)}{band}"
