"""Pictures of other choices, tipping points and who was still measured: what is drawn is what was given."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib.collections import LineCollection

from studykit.errors import DataError
from studykit.pictures.sensitivity import sensitivity_picture
from studykit.pictures.still_measured import still_measured_picture
from studykit.pictures.tipping import tipping_picture

ROWS = pd.DataFrame(
    [
        ("planned", "As planned", "Hold", 4.0, 2.0, 6.0),
        ("robust", "Robust standard errors by participant of a rather long name", "Hold", 4.1, 1.8, 6.4),
        ("left", "Left limbs only", "Hold", np.nan, np.nan, np.nan),
        ("planned", "As planned", "Roll", 1.0, -1.0, 3.0),
        ("robust", "Robust standard errors by participant of a rather long name", "Roll", 1.2, -1.4, 3.8),
        ("left", "Left limbs only", "Roll", 0.5, -2.0, 3.0),
    ],
    columns=["analysis", "label", "arm", "estimate", "low", "high"],
)
WORDS = {"measure": "Angle", "unit": "deg", "confidence": 0.95, "outcome": "Difference from control at Week 12"}
CURVES = pd.DataFrame(
    {
        "label": ["Hold"] * 3 + ["Roll"] * 3,
        "worse": [-1.0, 0.0, 2.0] * 2,
        "estimate": [4.5, 4.0, 3.0, 1.2, 1.0, 0.6],
        "low": [2.0, 1.0, -1.0, -1.0, -1.2, -1.6],
        "high": [7.0, 7.0, 7.0, 3.4, 3.2, 2.8],
    }
)


def test_every_analysis_is_drawn_where_it_lies() -> None:
    drawing = sensitivity_picture(ROWS, **WORDS)  # type: ignore[arg-type]
    first, second = drawing.figure.axes[:2]
    others, planned = (line for line in first.lines if line.get_linestyle() == "None")
    assert planned.get_xdata().tolist() == [4.0]
    assert others.get_xdata().tolist() == [4.1]  # nothing is drawn where nothing was computed
    intervals = [c for c in second.collections if isinstance(c, LineCollection)]
    drawn = sorted((seg[0][0], seg[1][0]) for one in intervals for seg in one.get_segments())
    assert drawn == [(-2.0, 3.0), (-1.4, 3.8), (-1.0, 3.0)]
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []
    assert "Hold: 4.0° as planned (95%\N{NO-BREAK SPACE}CI 2.0 to 6.0°); others 4.1 to 4.1°." in drawing.alt


def test_the_band_is_the_planned_interval() -> None:
    drawing = sensitivity_picture(ROWS, **WORDS)  # type: ignore[arg-type]
    (band,) = drawing.figure.axes[1].patches
    low, high = band.get_x(), band.get_x() + band.get_width()
    assert (low, high) == pytest.approx((-1.0, 3.0))


def test_the_diamond_marks_the_tipping_point_and_its_absence_is_said() -> None:
    drawing = tipping_picture(CURVES, [1.0, np.nan], **WORDS)  # type: ignore[arg-type]
    marks = [line for line in drawing.figure.axes[0].lines if line.get_marker() == "D"]
    assert [mark.get_xdata()[0] for mark in marks] == [1.0]
    assert not [line for line in drawing.figure.axes[1].lines if line.get_marker() == "D"]
    assert "Hold: the conclusion changes at 1.0° worse." in drawing.alt
    assert "Roll: the conclusion does not change within the range." in drawing.alt
    assert drawing.clipped_texts() == []


def test_seven_arms_stand_in_two_rows() -> None:
    many = pd.concat([ROWS.iloc[:3].assign(arm=f"Arm number {n} of many") for n in range(7)], ignore_index=True)
    drawing = sensitivity_picture(many, **WORDS)  # type: ignore[arg-type]
    assert sum(axes.get_visible() for axes in drawing.figure.axes) == 7
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []


def test_lines_of_those_still_measured_end_where_the_counts_do() -> None:
    counts = pd.DataFrame(
        {
            "arm": ["Hold"] * 2 + ["Roll"] * 2,
            "visit": ["Baseline", "Week 12"] * 2,
            "participants": [20] * 4,
            "measured": [20, 15, 20, 18],
        }
    ).assign(share=lambda frame: frame["measured"] / frame["participants"])
    drawing = still_measured_picture(counts, measure="Angle")
    ends = [line.get_ydata()[-1] for line in drawing.figure.axes[0].lines]
    assert ends == [0.75, 0.9]
    assert "Hold: 15 of 20 at Week 12." in drawing.alt
    assert any("does not begin at zero" in text.get_text() for text in drawing.figure.axes[0].texts)


@pytest.mark.parametrize("column", ["label", "low"])
def test_a_frame_without_a_column_is_refused(column: str) -> None:
    with pytest.raises(DataError, match=f"lacks the column '{column}'"):
        sensitivity_picture(ROWS.drop(columns=column), **WORDS)  # type: ignore[arg-type]
    with pytest.raises(DataError, match=f"lacks the column '{column}'"):
        tipping_picture(CURVES.drop(columns=column), [1.0, 2.0], **WORDS)  # type: ignore[arg-type]
    with pytest.raises(DataError, match="has no row"):
        sensitivity_picture(ROWS.iloc[:0], **WORDS)  # type: ignore[arg-type]
