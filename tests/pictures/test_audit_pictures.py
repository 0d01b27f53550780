"""The pictures of an audit: what is drawn is what was given, nothing is clipped, and they travel to another process."""

from __future__ import annotations

import pickle

import numpy as np
import pandas as pd
import pytest

from studykit.errors import DataError
from studykit.numerics.control_chart import individuals_chart
from studykit.pictures.completeness import MOST_LABELS, completeness_picture
from studykit.pictures.control_chart import ChartPanel, control_chart_picture
from studykit.pictures.double_readings import double_readings_picture
from studykit.pictures.theme import PAGE_WIDTH_MM, Drawing

PANELS = ["Visits that took place", "All planned sides and measures read", "All planned trials read"]


def shares(months: int = 4) -> pd.DataFrame:
    rows = [
        (panel, f"2025-{month + 1:02d}", f"Month {month + 1} 2025", 0.5 + 0.04 * month, 0.4, 0.95)
        for panel in PANELS
        for month in range(months)
    ]
    return pd.DataFrame(rows, columns=["panel", "group", "label", "share", "low", "high"])


def panel(title: str = "Therapist AB", shift: float = 0.0) -> ChartPanel:
    values = shift + np.random.default_rng(8).normal(0.0, 2.0, 30)
    values[12] = 25.0
    chart = individuals_chart(values, centre=0.0)
    return ChartPanel(
        title, chart.values, chart.ranges, chart.high, chart.range_centre, chart.range_high, chart.in_a_run
    )


def pairs() -> pd.DataFrame:
    rng = np.random.default_rng(3)
    return pd.DataFrame({"mean": rng.normal(50, 9, 25), "difference": rng.normal(0, 2, 25)})


def double_readings() -> Drawing:
    return double_readings_picture(
        pairs(),
        apart=(3.9, 3.1, 5.4),
        measure="Passive knee extension",
        unit="deg",
        who="two therapists",
        confidence=0.95,
    )


@pytest.mark.parametrize("width_mm", [85.0, PAGE_WIDTH_MM])
@pytest.mark.parametrize("months", [1, 4, 14])
def test_completeness_is_drawn_as_given(months: int, width_mm: float) -> None:
    drawing = completeness_picture(shares(months), panels=PANELS, confidence=0.95, width_mm=width_mm)
    axes = [one for one in drawing.figure.axes if one.get_visible()]
    assert len(axes) == len(PANELS)
    for one in axes:
        assert np.allclose(one.lines[0].get_ydata(), 0.5 + 0.04 * np.arange(months))
        assert one.get_ylim()[0] == 0.0
        assert len(one.get_xticks()) <= MOST_LABELS
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []
    assert "Visits that took place: 50% (40 to 95%) in Month 1 2025" in drawing.alt


def test_a_panel_without_rows_is_left_out() -> None:
    drawing = completeness_picture(shares(), panels=[*PANELS, "Inside the window"], confidence=0.95)
    assert sum(one.get_visible() for one in drawing.figure.axes) == len(PANELS)
    assert "Inside" not in drawing.alt


@pytest.mark.parametrize("width_mm", [110.0, PAGE_WIDTH_MM])
@pytest.mark.parametrize("count", [1, 4, 9])
def test_control_charts_mark_what_asks_for_a_look(count: int, width_mm: float) -> None:
    panels = [panel(f"Therapist with a long code {n}", shift=3.0) for n in range(count)]
    drawing = control_chart_picture(panels, measure="Passive knee extension", unit="deg", width_mm=width_mm)
    values, ranges = drawing.figure.axes[0], drawing.figure.axes[1]
    lines = {line.get_marker(): line for line in values.lines if line.get_linestyle() == "None"}
    assert lines["s"].get_xdata().tolist() == [13]
    assert lines["s"].get_ydata().tolist() == [25.0]
    in_a_run = np.flatnonzero(panels[0].in_a_run & (np.abs(panels[0].values) <= panels[0].limit)) + 1
    assert lines["^"].get_xdata().tolist() == in_a_run.tolist()
    assert len(in_a_run) > 3
    beyond = next(line for line in ranges.lines if line.get_linestyle() == "None")
    assert beyond.get_ydata().tolist() == panels[0].ranges[panels[0].ranges > panels[0].range_limit].tolist()
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []
    assert "30 visits" in drawing.alt
    assert "1 outside the limits" in drawing.alt


def test_double_readings_are_drawn_by_their_size() -> None:
    drawing = double_readings()
    (axes,) = drawing.figure.axes
    marks = next(line for line in axes.lines if line.get_linestyle() == "None")
    assert np.allclose(marks.get_ydata(), np.abs(pairs()["difference"]))
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []
    assert "3.9° (95% CI 3.1 to 5.4°)".replace("% CI", "%\N{NO-BREAK SPACE}CI") in drawing.alt


def test_the_pictures_can_be_printed_by_another_process() -> None:
    for drawing in (
        completeness_picture(shares(), panels=PANELS, confidence=0.95),
        control_chart_picture([panel()], measure="Passive knee extension", unit="deg"),
        double_readings(),
    ):
        assert pickle.loads(pickle.dumps(drawing)).svg() == drawing.svg()  # noqa: S301 - our own bytes


def test_frames_without_rows_or_columns_are_refused() -> None:
    with pytest.raises(DataError, match="lacks the column 'share'"):
        completeness_picture(shares().drop(columns="share"), panels=PANELS, confidence=0.95)
    with pytest.raises(DataError, match="has no row"):
        completeness_picture(shares().iloc[:0], panels=PANELS, confidence=0.95)
    with pytest.raises(DataError, match="no chart to draw"):
        control_chart_picture([], measure="x", unit="deg")
    with pytest.raises(DataError, match="lacks the column 'difference'"):
        double_readings_picture(
            pairs().drop(columns="difference"), apart=(1, 1, 1), measure="x", unit="deg", who="x", confidence=0.95
        )
