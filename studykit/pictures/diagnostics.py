"""Four looks at a fitted model: residuals, their normal quantiles, people's effects, influence of one person."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from scipy import stats

from studykit.errors import DataError
from studykit.pictures.theme import (
    INK,
    NOTES_PT,
    PAGE_WIDTH_MM,
    QUIET,
    Drawing,
    arms_style,
    drawing_style,
    new_panels,
    unit_words,
)

MOST_VECTOR_MARKS: Final = 1000
"""Marks of one panel beyond which they are stored as dots of an image, so that a page stays small."""
_DASH: Final = (0, (4.0, 2.0))


def diagnostics_picture(
    *,
    fitted: np.ndarray,
    residuals: np.ndarray,
    effects: Mapping[str, np.ndarray],
    influence: np.ndarray,
    measure: str,
    unit: str,
    sentences: Sequence[str],
) -> Drawing:
    """Draw four panels.

    Args:
        fitted: (n,) fitted values in `unit`; residuals: (n,) standardised, nan where there is none.
        effects: words -> (people,) standardised predicted effects of people.
        influence: (people,) Cook's distance of each person; no codes are drawn.
        measure: plain name of the measure.
        unit: unit of the fitted values.
        sentences: what each panel shows, one each.

    Raises:
        DataError: no residual, or not one sentence a panel.
    """
    known = np.isfinite(residuals)
    if not known.any() or len(sentences) != 4:
        raise DataError(f"{int(known.sum())} residuals and {len(sentences)} sentences; a picture needs some and four.")
    with drawing_style():
        figure, panels = new_panels(PAGE_WIDTH_MM, 126.0, 2, 2, shared=False)
        _against_fitted(panels[0], fitted[known], residuals[known], unit)
        _quantiles(panels[1], {"residuals": residuals[known]}, "Residuals: normal quantiles")
        _quantiles(panels[2], effects, "People: normal quantiles")
        _influence(panels[3], influence[np.isfinite(influence)])
    caption = (
        f"{measure}: checks of the model of change. {' '.join(sentences)} Dashed lines: zero, the normal distribution, "
        "and 4 / n of Cook's distance."
    )
    alt = f"Four panels that check the model of change in {measure}. {' '.join(sentences)}"
    return Drawing(figure, alt, caption)


def _marks(position: int, count: int) -> dict[str, Any]:
    look = arms_style(position)
    return {
        "linestyle": "none",
        "marker": look.marker,
        "markersize": 2.6,
        "markerfacecolor": "none",
        "markeredgecolor": look.colour,
        "markeredgewidth": 0.6,
        "rasterized": count > MOST_VECTOR_MARKS,
    }


def _against_fitted(axes: Axes, fitted: np.ndarray, residuals: np.ndarray, unit: str) -> None:
    axes.axhline(0.0, color=QUIET, linestyle=_DASH, linewidth=1.0)
    axes.plot(fitted, residuals, **_marks(0, fitted.size))
    axes.set_title("Residuals against fitted values")
    axes.set_xlabel(f"Fitted value ({unit_words(unit)})")
    axes.set_ylabel("Standardised residual")


def _quantiles(axes: Axes, groups: Mapping[str, np.ndarray], title: str) -> None:
    """Sorted values against the quantiles of as many normal ones; the line of a normal distribution dashed."""
    axes.set_title(title)
    axes.set_xlabel("Normal quantile")
    axes.set_ylabel("Standardised value")
    for position, (words, values) in enumerate(groups.items()):
        kept = np.sort(values[np.isfinite(values)])
        at = stats.norm.ppf((np.arange(kept.size) + 0.5) / kept.size)
        axes.plot(at, kept, label=words, **_marks(position, kept.size))
    if not groups:
        axes.text(0.5, 0.5, "no effect that varies", ha="center", transform=axes.transAxes, fontsize=NOTES_PT)
        return
    low, high = axes.get_xlim()
    axes.plot([low, high], [low, high], color=QUIET, linestyle=_DASH, linewidth=1.0)
    axes.set_xlim(low, high)
    if len(groups) > 1:
        axes.legend(loc="upper left", handlelength=1.0, fontsize=NOTES_PT)


def _influence(axes: Axes, influence: np.ndarray) -> None:
    kept = np.sort(influence)
    axes.plot(np.arange(1, kept.size + 1), kept, **_marks(3, kept.size))
    axes.axhline(4.0 / max(kept.size, 1), color=QUIET, linestyle=_DASH, linewidth=1.0)
    axes.set_ylim(bottom=0.0)
    axes.set_title("Influence of one participant")
    axes.set_xlabel("Participants, in the order of their influence")
    axes.set_ylabel("Cook's distance")
    axes.spines["bottom"].set_color(INK)
