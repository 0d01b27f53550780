"""Power of a planned trial: against the number of participants, of several plans in rows, and what measuring buys."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from studykit.errors import DataError
from studykit.formatting import counted, percent
from studykit.pictures.lettering import broken_to_fit
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

CURVE_COLUMNS = ("participants", "calculated", "simulated", "low", "high")
PLAN_COLUMNS = ("label", "calculated", "simulated", "low", "high")
NEEDED_COLUMNS = ("raters", "trials", "participants")
_ROW_MM = 9.0
_LABEL_MM = 52.0
_WANTED_DASH = (0, (1.0, 1.6))


def power_curve_picture(curve: pd.DataFrame, *, measure: str, wanted: float, planned: int) -> Drawing:
    """Draw power against participants: a line as calculated, simulated points with their Monte Carlo interval.

    Args:
        curve: `participants`, `calculated`; `simulated`, `low`, `high` (shares of one), missing where not simulated.
        measure: plain name of the measure, for the words.
        wanted: power wished for, drawn as a line.
        planned: the number of the protocol, marked.

    Raises:
        DataError: a column is missing, or there is no row.
    """
    _check(curve, CURVE_COLUMNS, "power")
    ordered = curve.sort_values("participants")
    x, y = (100.0 * ordered[name].to_numpy(dtype=float) for name in ("participants", "calculated"))
    with drawing_style():
        figure, axes = new_figure(PAGE_WIDTH_MM, 88.0)
        _wanted_line(axes, wanted, across="y")
        axes.axvline(planned, color=QUIET, linewidth=0.8, label="as planned", zorder=1.5)
        line = arms_style(0)
        axes.plot(x / 100.0, y, color=line.colour, linestyle=line.dash, label="calculated", zorder=2.5)
        seen = ordered[ordered["simulated"].notna()]
        if len(seen):
            _points(axes, seen["participants"].to_numpy(dtype=float), seen, along="y")
        axes.set_ylim(0.0, 101.5)
        axes.set_xlabel("Participants, all arms together")
        axes.set_ylabel("Power (%)")
        legend_below(figure, axes)
    first, last = ordered.iloc[0], ordered.iloc[-1]
    alt = (
        f"Power by number of participants, {measure}. Calculated power rises from {percent(first['calculated'])} with "
        f"{counted(int(first['participants']), 'participant')} to {percent(last['calculated'])} with "
        f"{counted(int(last['participants']), 'participant')}; a line marks {percent(wanted)}, another the planned "
        f"number, {planned}.{_spoken(seen, 'participants')}"
    )
    caption = f"{measure}: power by number of participants, all else as planned. {_bars(len(seen) > 0)}"
    return Drawing(figure, alt, caption.strip())


def plans_picture(plans: pd.DataFrame, *, measure: str, wanted: float) -> Drawing:
    """Draw one row a plan: simulated power with its Monte Carlo interval, calculated power as a tick.

    Args:
        plans: `label`, `calculated`, `simulated`, `low`, `high` (shares of one); from the top in order.
        measure: plain name of the measure.
        wanted: power wished for.

    Raises:
        DataError: a column is missing, or there is no row.
    """
    _check(plans, PLAN_COLUMNS, "power")
    broken = [broken_to_fit(str(label), _LABEL_MM, NOTES_PT) for label in plans["label"]]
    lines = sum(max(1.0, 0.6 * len(parts)) for parts in broken)
    place = np.arange(len(plans), dtype=float)
    with drawing_style():
        figure, axes = new_figure(PAGE_WIDTH_MM, 30.0 + _ROW_MM * lines)
        axes.grid(visible=False)
        _wanted_line(axes, wanted, across="x")
        tick = arms_style(0)
        calculated = 100.0 * plans["calculated"].to_numpy(dtype=float)
        axes.plot(calculated, place, "|", color=tick.colour, markersize=11.0, markeredgewidth=1.8, label="calculated")
        seen = plans["simulated"].notna().to_numpy()
        if seen.any():
            _points(axes, place[seen], plans[seen], along="x")
        axes.set_yticks(place, ["\n".join(parts) for parts in broken])
        axes.set_ylim(len(plans) - 0.4, -0.6)
        axes.set_xlim(0.0, 101.5)
        axes.spines["left"].set_visible(False)
        axes.set_xlabel("Power (%)")
        legend_below(figure, axes)
    alt = f"Power of {counted(len(plans), 'plan')}, {measure}, one row each.{_spoken(plans, 'label')}"
    return Drawing(figure, alt, f"{measure}: power of other plans. {_bars(bool(seen.any()))}".strip())


def participants_picture(needed: pd.DataFrame, *, measure: str, wanted: float) -> Drawing:
    """Draw the participants needed against the trials of a visit, one curve for each number of raters.

    Args:
        needed: `raters`, `trials`, `participants`.
        measure: plain name of the measure.
        wanted: power wished for.

    Raises:
        DataError: a column is missing, or there is no row.
    """
    _check(needed, NEEDED_COLUMNS, "participants needed")
    with drawing_style():
        figure, axes = new_figure(PAGE_WIDTH_MM, 84.0)
        for position, (raters, rows) in enumerate(needed.groupby("raters", sort=True)):
            look, rows = arms_style(position), rows.sort_values("trials")
            axes.plot(
                rows["trials"].to_numpy(dtype=float),
                rows["participants"].to_numpy(dtype=float),
                color=look.colour,
                marker=look.marker,
                linestyle=look.dash,
                label=counted(int(raters), "rater"),
                zorder=3.0,
            )
        axes.set_ylim(0.0, 1.08 * float(needed["participants"].max()))
        axes.set_xticks(sorted(needed["trials"].unique()))
        axes.set_xlabel("Trials of a limb by each rater at a visit")
        axes.set_ylabel("Participants needed, all arms together")
        legend_below(figure, axes)
    ordered = needed.sort_values(["raters", "trials"])
    spoken = " ".join(
        f"{counted(int(row.raters), 'rater')}, {counted(int(row.trials), 'trial')}: {int(row.participants)}."
        for row in ordered.itertuples()
    )
    caption = f"{measure}: participants needed for a power of {percent(wanted)}, calculated."
    return Drawing(figure, f"Participants needed by number of trials and raters, {measure}. {spoken}", caption)


def _points(axes: Axes, place: np.ndarray, rows: pd.DataFrame, *, along: str) -> None:
    """Simulated power with its interval: `along` is the axis of the power."""
    look = arms_style(1)
    value, low, high = (100.0 * rows[name].to_numpy(dtype=float) for name in ("simulated", "low", "high"))
    reach = np.stack([value - low, high - value])
    x, y = (value, place) if along == "x" else (place, value)
    axes.errorbar(
        x,
        y,
        xerr=reach if along == "x" else None,
        yerr=reach if along == "y" else None,
        fmt=look.marker,
        color=look.colour,
        markersize=5.5,
        elinewidth=1.6,
        capsize=3.0,
        label="simulated, with its 95% Monte Carlo interval",
        zorder=3.0,
    )


def _wanted_line(axes: Axes, wanted: float, *, across: str) -> None:
    draw = axes.axhline if across == "y" else axes.axvline
    draw(100.0 * wanted, color=QUIET, linewidth=1.1, linestyle=_WANTED_DASH, label=f"wished for, {percent(wanted)}")


def _spoken(rows: pd.DataFrame, name: str) -> str:
    """Simulated powers in words, one a row."""
    said = [
        f" {row[name]:g}" if name == "participants" else f" {row[name]}"
        for _, row in rows[rows["simulated"].notna()].iterrows()
    ]
    values = [
        f"{percent(row['simulated'])} ({percent(row['low'])} to {percent(row['high'])})"
        for _, row in rows[rows["simulated"].notna()].iterrows()
    ]
    return "".join(f"{label}: simulated {value}." for label, value in zip(said, values, strict=True))


def _bars(simulated: bool) -> str:
    return "Bars: 95% Monte Carlo intervals of the simulation, not of the study." if simulated else ""


def _check(frame: pd.DataFrame, columns: tuple[str, ...], what: str) -> None:
    missing = [column for column in columns if column not in frame.columns]
    if missing or frame.empty:
        lacks = f"lacks the column {missing[0]!r}" if missing else "has no row"
        raise DataError(f"The frame of {what} {lacks}; it needs {', '.join(columns)} and a row or more.")
