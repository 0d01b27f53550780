"""What is drawn of single people is what was given, in order, without a code."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from studykit.errors import DataError
from studykit.pictures.individuals import MOST_VECTOR_MARKS, people_picture
from studykit.pictures.theme import ARM_STYLES, Drawing


def people(arms: int, each: int = 12) -> pd.DataFrame:
    rng = np.random.default_rng(arms)
    arm = np.repeat([f"{30 * (n + 1)} s hold on several days of every single week" for n in range(arms)], each)
    change = rng.normal(3.0, 4.0, arm.size)
    return pd.DataFrame({"arm": arm, "change": change, "shrunken": 3.0 + 0.5 * (change - 3.0), "beyond": change > 4.0})


def drawn(frame: pd.DataFrame, **more: object) -> Drawing:
    options = {"measure": "Hip extension", "unit": "deg", "visit": "Week 12", "mdc": 4.0, **more}
    return people_picture(frame, **options)  # type: ignore[arg-type]


@pytest.mark.parametrize("arms", [1, 2, 3, 4, 5, 6])
def test_no_text_is_clipped_or_covered(arms: int) -> None:
    drawing = drawn(people(arms), important=6.0, note="1 group of fewer than 5 people is not shown.")
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []


def test_marks_are_the_changes_in_order_and_the_band_is_the_mdc() -> None:
    frame = people(2)
    labels = list(dict.fromkeys(frame["arm"]))
    drawing = drawn(frame, styles={labels[0]: 3, labels[1]: 1})
    for axes, label, place in zip(drawing.figure.axes, labels[::-1], (1, 3), strict=True):
        own = frame[frame["arm"] == label].sort_values("change")
        raw, shrunken = (line for line in axes.lines if line.get_marker() == ARM_STYLES[place].marker)
        assert np.array_equal(np.asarray(raw.get_ydata()), own["change"].to_numpy())
        assert np.array_equal(np.asarray(shrunken.get_ydata()), own["shrunken"].to_numpy())
        assert raw.get_markerfacecolor() == "none"
        assert shrunken.get_markerfacecolor() == ARM_STYLES[place].colour
        band = axes.patches[0].get_extents().transformed(axes.transData.inverted())
        assert (band.y0, band.y1) == pytest.approx((-4.0, 4.0))


def test_arms_share_one_scale_and_zero_is_on_it() -> None:
    drawing = drawn(people(3))
    assert len({axes.get_ylim() for axes in drawing.figure.axes[:3]}) == 1
    low, high = drawing.figure.axes[0].get_ylim()
    assert low < 0.0 < high


def test_description_counts_people_and_those_beyond() -> None:
    frame = people(1)
    drawing = drawn(frame)
    assert f"12 participants, {int(frame['beyond'].sum())} of them beyond the MDC" in drawing.alt
    assert "±4.0°" in drawing.alt
    assert "beyond" not in drawn(frame, mdc=None).alt


def test_many_people_are_stored_as_dots() -> None:
    few, many = (len(drawn(people(1, each=count)).svg()) for count in (MOST_VECTOR_MARKS, MOST_VECTOR_MARKS * 4))
    assert many < few


def test_a_frame_that_cannot_be_drawn_is_refused_in_a_sentence() -> None:
    with pytest.raises(DataError, match="lacks the column 'shrunken'"):
        drawn(people(1).drop(columns="shrunken"))
    with pytest.raises(DataError, match="has no row"):
        drawn(people(1).iloc[:0])
