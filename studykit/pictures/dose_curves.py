"""Change against dose: the arms' means, people behind, the curves that were fitted, and where nothing was studied."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from studykit.errors import DataError
from studykit.formatting import decimals_for_width, interval, level, number, with_unit
from studykit.pictures.theme import (
    BAND_HATCH,
    HAIRLINE,
    INK,
    NOTES_PT,
    PAPER,
    QUIET,
    Drawing,
    arms_style,
    drawing_style,
    legend_below,
    mdc_band,
    new_figure,
    unit_words,
)

MEANS_COLUMNS: Final = ("arm", "dose", "mean", "low", "high", "style")
PEOPLE_COLUMNS: Final = ("arm", "dose", "change", "style")
_BEYOND: Final = 0.12
"""Share of the largest dose that is drawn beyond it, hatched."""
_SPREAD: Final = 0.022
"""Share of the largest dose between arms with the same dose."""
_LINES: Final = (
    ("#1c2329", (0, ()), 2.2),
    ("#1c2329", (0, (6.0, 2.0)), 1.3),
    ("#5c6670", (0, (6.0, 1.6, 1.4, 1.6)), 1.3),
    ("#5c6670", (0, (1.2, 1.4)), 1.6),
    ("#8b949c", (0, ()), 1.1),
)
"""Ink, dashes and width of the curves, the one that the data speak for most first."""


@dataclass(frozen=True, slots=True)
class CurveLine:
    """One fitted curve: its name, doses and values; `stepped` where it is constant between doses."""

    label: str
    dose: np.ndarray
    value: np.ndarray
    stepped: bool = False


@dataclass(frozen=True, slots=True)
class DoseMark:
    """A reference on the axis of doses from low to high (the same number for a line), and what it is."""

    label: str
    low: float
    high: float


def dose_curves_picture(
    means: pd.DataFrame,
    people: pd.DataFrame,
    curves: Sequence[CurveLine],
    *,
    measure: str,
    unit: str,
    axis: str,
    visit: str,
    confidence: float,
    mdc: float | None = None,
    marks: Sequence[DoseMark] = (),
    people_note: str = "",
) -> Drawing:
    """Draw change from the baseline against the dose asked for.

    Args:
        means: one row an arm: `arm` (label), `dose`, `mean`, `low`, `high` in `unit`, `style` (place in the protocol).
        people: one row a participant: `arm`, `dose`, `change`, `style`; small open marks.
        curves: in the order in which the data speak for them; drawn from dose 0 to the largest dose and no further.
        axis: what the doses are, such as "minutes a week asked for".
        marks: references on the axis of doses; those beyond the largest dose are left out.
        people_note: a sentence for the caption about people who are not drawn.

    Raises:
        DataError: a column is missing, or there is no row.
    """
    for frame, columns, name in ((means, MEANS_COLUMNS, "means"), (people, PEOPLE_COLUMNS, "people")):
        missing = [column for column in columns if column not in frame.columns]
        if missing:
            raise DataError(f"The frame {name} lacks the column {missing[0]!r}; it needs {', '.join(columns)}.")
    if means.empty:
        raise DataError("The frame means has no row, so there is nothing to draw.")
    top = float(means["dose"].max())
    shifted = _side_by_side(means, top)
    with drawing_style():
        figure, axes = new_figure(height_mm=126.0)
        if mdc is not None:
            mdc_band(axes, mdc, unit)
        axes.axhline(0.0, color=INK, linewidth=0.7, zorder=1.0)
        _draw_marks(axes, [mark for mark in marks if mark.low <= top])
        _draw_beyond(axes, top)
        _draw_people(axes, people, dict(zip(means["arm"], shifted, strict=True)), top)
        for curve, (colour, dash, width) in zip(curves, _LINES, strict=False):
            axes.plot(
                curve.dose,
                curve.value,
                color=colour,
                linestyle=dash,
                linewidth=width,
                drawstyle="steps-post" if curve.stepped else "default",
                label=curve.label,
                zorder=3.0,
            )
        _draw_means(axes, means, shifted)
        axes.set_xlim(-0.05 * top, top * (1.0 + _BEYOND))
        axes.set_xlabel(f"Dose: {axis}")
        axes.set_ylabel(f"Change to {visit} ({unit_words(unit)})")
        legend_below(figure, axes)
    caption = (
        f"{measure}: change from baseline to {visit} against {axis}. Large marks: mean of each arm with its "
        f"{level(confidence)}."
        + (" Small marks: participants." if len(people) else "")
        + "".join(f" Grey: {' '.join(mark.label.split())}." for mark in marks if mark.low <= top)
        + " Lines: curves, the one that the data speak for most drawn boldest; no curve goes beyond the largest dose."
        + (f" {people_note}" if people_note else "")
    )
    return Drawing(figure, _in_words(means, curves, measure, unit, axis, visit, confidence), caption)


def _side_by_side(means: pd.DataFrame, top: float) -> np.ndarray:
    """Doses moved apart a little where several arms share one."""
    dose = means["dose"].to_numpy(dtype=float)
    shifted: np.ndarray = dose.copy()
    for value in np.unique(dose):
        here = np.flatnonzero(dose == value)
        shifted[here] += (np.arange(len(here)) - (len(here) - 1) / 2) * _SPREAD * top
    return shifted


def _draw_marks(axes: Axes, marks: Sequence[DoseMark]) -> None:
    """Each reference with its words standing beside it: to the left of the first, to the right of the others."""
    for place, mark in enumerate(marks):
        if mark.low == mark.high:
            axes.axvline(mark.low, color=QUIET, linewidth=1.0, linestyle=(0, (1.0, 2.0)), zorder=1.2)
        else:
            axes.axvspan(mark.low, mark.high, facecolor=HAIRLINE, linewidth=0.0, zorder=0.8)
        axes.annotate(
            mark.label,
            (mark.high if place else mark.low, 1.0),
            (2.5 if place else -2.5, -2.0),
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
            rotation=90,
            ha="left" if place else "right",
            va="top",
            fontsize=NOTES_PT,
            color=QUIET,
            linespacing=1.15,
        )


def _draw_beyond(axes: Axes, top: float) -> None:
    """Hatch what lies beyond the largest dose, and say so inside."""
    start, end = top * 1.04, top * (1.0 + _BEYOND)
    axes.axvspan(start, end, facecolor=PAPER, edgecolor=BAND_HATCH, hatch="xxx", linewidth=0.0, zorder=1.5)
    axes.text(
        0.5 * (start + end),
        0.5,
        "no dose studied",
        transform=axes.get_xaxis_transform(),
        rotation=90,
        ha="center",
        va="center",
        fontsize=NOTES_PT,
        color=INK,
        zorder=6.0,
        bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 2.0},
    )


def _draw_people(axes: Axes, people: pd.DataFrame, place: dict[str, float], top: float) -> None:
    """Small open marks beside the mean, spread by their order so that equal values stay visible."""
    for arm, own in people.groupby("arm", sort=False):
        look = arms_style(int(own["style"].iloc[0]))
        change = own["change"].to_numpy(dtype=float)
        across = ((np.arange(len(change)) * 0.6180339887) % 1.0 - 0.5) * 0.8 * _SPREAD * top
        axes.plot(
            place[str(arm)] + across,
            change,
            linestyle="none",
            marker=look.marker,
            markersize=2.4,
            markerfacecolor="none",
            markeredgecolor=look.colour,
            markeredgewidth=0.5,
            alpha=0.55,
            zorder=2.0,
        )


def _draw_means(axes: Axes, means: pd.DataFrame, shifted: np.ndarray) -> None:
    for row, dose in zip(means.to_dict("records"), shifted, strict=True):
        look = arms_style(int(row["style"]))
        axes.errorbar(
            [dose],
            [row["mean"]],
            yerr=[[row["mean"] - row["low"]], [row["high"] - row["mean"]]],
            color=look.colour,
            marker=look.marker,
            markersize=7.0,
            markeredgecolor="white",
            markeredgewidth=0.8,
            elinewidth=1.6,
            capsize=2.5,
            linestyle="none",
            label=str(row["arm"]),
            zorder=4.0,
        )


def _in_words(
    means: pd.DataFrame,
    curves: Sequence[CurveLine],
    measure: str,
    unit: str,
    axis: str,
    visit: str,
    confidence: float,
) -> str:
    sentences = []
    for row in means.to_dict("records"):
        decimals = decimals_for_width(row["high"] - row["low"])
        sentences.append(
            f"{row['arm']} (dose {number(row['dose'], 0)}): {with_unit(row['mean'], decimals, unit)} "
            f"({level(confidence)} {interval(row['low'], row['high'], decimals, unit)})."
        )
    drawn = f" Curves drawn: {', '.join(curve.label for curve in curves)}." if curves else ""
    return (
        f"Mean change in {measure} from baseline to {visit} against {axis}, with fitted curves. "
        f"{' '.join(sentences)}{drawn}"
    )
