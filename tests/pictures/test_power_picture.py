"""What is drawn of a plan's power is what was given."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib.container import ErrorbarContainer

from studykit.errors import DataError
from studykit.pictures.power import participants_picture, plans_picture, power_curve_picture

CURVE = pd.DataFrame(
    {
        "participants": [20, 40, 60, 80],
        "calculated": [0.3, 0.6, 0.8, 0.9],
        "simulated": [np.nan, 0.58, 0.81, np.nan],
        "low": [np.nan, 0.55, 0.78, np.nan],
        "high": [np.nan, 0.61, 0.84, np.nan],
    }
)
PLANS = pd.DataFrame(
    {
        "label": ["40 participants", "3 visits (baseline, the sixth week and the last week of all)", "1 trial a visit"],
        "calculated": [0.6, 0.7, 0.75],
        "simulated": [0.58, 0.71, 0.77],
        "low": [0.55, 0.68, 0.74],
        "high": [0.61, 0.74, 0.8],
    }
)
NEEDED = pd.DataFrame({"raters": [1, 1, 2, 2], "trials": [1, 3, 1, 3], "participants": [80, 70, 66, 60]})


def drawings():
    return [
        power_curve_picture(CURVE, measure="Hip extension", wanted=0.8, planned=60),
        plans_picture(PLANS, measure="Hip extension", wanted=0.8),
        participants_picture(NEEDED, measure="Hip extension", wanted=0.8),
    ]


@pytest.mark.parametrize("place", [0, 1, 2])
def test_no_text_is_clipped_or_covered(place: int) -> None:
    drawing = drawings()[place]
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []


@pytest.mark.parametrize(("place", "axis"), [(0, 1), (1, 0)])
def test_points_and_intervals_stand_where_they_should(place: int, axis: int) -> None:
    frame = (CURVE, PLANS)[place].dropna()
    axes = drawings()[place].figure.axes[0]
    bars = next(item for item in axes.containers if isinstance(item, ErrorbarContainer))
    at = np.asarray(bars[0].get_xydata())[:, axis]
    ends = np.array([segment[:, axis] for segment in bars[2][0].get_segments()])
    # The ends are a share less or plus a length, in percent: equal but for rounding.
    np.testing.assert_allclose(at, 100.0 * frame["simulated"], rtol=1e-12)
    np.testing.assert_allclose(ends, 100.0 * frame[["low", "high"]], rtol=1e-12)


def test_curves_stand_where_they_should() -> None:
    power, _, needed = drawings()
    lines = {line.get_label(): line for line in power.figure.axes[0].lines}
    np.testing.assert_allclose(lines["calculated"].get_ydata(), 100.0 * CURVE["calculated"], rtol=1e-12)
    assert list(lines["as planned"].get_xdata()) == [60, 60]
    curves = {line.get_label(): list(line.get_ydata()) for line in needed.figure.axes[0].lines}
    assert curves == {"1 rater": [80.0, 70.0], "2 raters": [66.0, 60.0]}


def test_the_pictures_are_told_in_words() -> None:
    power, plans, needed = drawings()
    assert "60: simulated 81% (78% to 84%)." in power.alt
    assert "1 trial a visit: simulated 77% (74% to 80%)." in plans.alt
    assert "of the simulation, not of the study" in power.caption
    assert needed.alt.endswith("2 raters, 3 trials: 60.")


def test_without_simulation_only_the_curve_is_drawn() -> None:
    bare = power_curve_picture(CURVE.assign(simulated=np.nan), measure="Hip extension", wanted=0.8, planned=60)
    assert not bare.figure.axes[0].containers
    assert "Monte Carlo" not in bare.caption


def test_a_frame_that_cannot_be_drawn_is_refused_in_a_sentence() -> None:
    with pytest.raises(DataError, match="lacks the column 'high'"):
        plans_picture(PLANS.drop(columns="high"), measure="x", wanted=0.8)
    with pytest.raises(DataError, match="has no row"):
        power_curve_picture(CURVE.iloc[:0], measure="x", wanted=0.8, planned=4)
