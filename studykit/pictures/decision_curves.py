"""What more trials, raters and sessions would buy: minimal detectable change of every design."""

from __future__ import annotations

import pandas as pd

from studykit.errors import DataError
from studykit.formatting import counted, decimals_for_width, percent, with_unit
from studykit.pictures.theme import (
    PAGE_WIDTH_MM,
    QUIET,
    Drawing,
    arms_style,
    drawing_style,
    legend_below,
    new_figure,
    unit_words,
)

DESIGN_COLUMNS = ("raters", "sessions", "trials", "mdc")


def decision_picture(
    designs: pd.DataFrame,
    *,
    measure: str,
    unit: str,
    confidence: float,
    wanted: float | None = None,
    width_mm: float = PAGE_WIDTH_MM,
    height_mm: float = 90.0,
) -> Drawing:
    """Draw the MDC against the number of trials, one curve for each number of raters and sessions.

    Where only one number of trials was looked at, the MDC is drawn against the number of sessions.

    Args:
        designs: `raters`, `sessions`, `trials` (counts) and `mdc` in `unit`.
        measure: plain name of the measure, for the words.
        unit: unit of the MDC.
        confidence: level of the MDC.
        wanted: an MDC that should be reached, drawn as a line.
        width_mm, height_mm: size.

    Raises:
        DataError: a column is missing, or there is no row.
    """
    missing = [column for column in DESIGN_COLUMNS if column not in designs.columns]
    if missing or designs.empty:
        what = f"lacks the column {missing[0]!r}" if missing else "has no row"
        raise DataError(f"The frame of designs {what}; it needs {', '.join(DESIGN_COLUMNS)} and a row or more.")
    across = "sessions" if designs["trials"].nunique() == 1 and designs["sessions"].nunique() > 1 else "trials"
    curves = [name for name in ("raters", "sessions") if name != across]
    with drawing_style():
        figure, axes = new_figure(width_mm, height_mm)
        for position, (counts, rows) in enumerate(designs.groupby(curves, sort=True)):
            look = arms_style(position)
            rows = rows.sort_values(across)
            axes.plot(
                rows[across].to_numpy(dtype=float),
                rows["mdc"].to_numpy(dtype=float),
                color=look.colour,
                marker=look.marker,
                linestyle=look.dash,
                label=_curve_words([int(count) for count in counts], designs),
                zorder=3.0,
            )
        if wanted is not None:
            axes.axhline(wanted, color=QUIET, linewidth=1.0, linestyle=(0, (1.0, 1.6)), label="wanted", zorder=2.0)
        axes.set_ylim(0.0, 1.06 * max(float(designs["mdc"].max()), wanted or 0.0) or 1.0)
        axes.set_xticks(sorted(designs[across].unique()))
        each = counted(int(designs["trials"].iloc[0]), "reading")
        axes.set_xlabel(
            f"Sessions, {each} by each rater in each" if across == "sessions" else "Trials averaged by each rater"
        )
        axes.set_ylabel(f"Minimal detectable change ({unit_words(unit)})")
        legend_below(figure, axes)
    caption = (
        f"{measure}: minimal detectable change at {percent(confidence)} for the mean over trials, raters and sessions, "
        "calculated from the variance components."
    )
    return Drawing(figure, _in_words(designs, measure, unit, across), caption)


def _curve_words(counts: list[int], designs: pd.DataFrame) -> str:
    """Number of raters and, where curves differ by it, of sessions."""
    words = counted(counts[0], "rater")
    if len(counts) > 1 and designs["sessions"].nunique() > 1:
        words += f", {counted(counts[1], 'session')}"
    return words


def _in_words(designs: pd.DataFrame, measure: str, unit: str, across: str) -> str:
    ordered = designs.sort_values(["raters", "sessions", "trials"])
    first, last = ordered.iloc[0], ordered.iloc[-1]
    decimals = decimals_for_width(float(first["mdc"]) / 2.0)
    ends = [
        f"{with_unit(float(row['mdc']), decimals, unit)} with {counted(int(row['raters']), 'rater')}, "
        f"{counted(int(row['sessions']), 'session')} and {counted(int(row['trials']), 'trial')}"
        for row in (first, last)
    ]
    return f"Curves of the minimal detectable change of {measure} by number of {across}. It is {ends[0]} and {ends[1]}."
