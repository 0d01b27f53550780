"""What is drawn of minutes done and prescribed is what was given."""

import numpy as np
import pandas as pd
import pytest

from studykit.errors import DataError
from studykit.pictures.adherence import adherence_picture
from studykit.pictures.theme import ARM_STYLES


def weekly(arms: int, weeks: int = 12) -> pd.DataFrame:
    rows = [
        (
            f"{30 * (arm + 1)} s hold on several days of every single week",
            week,
            9.0 * arm + 8 - week / 4,
            9.0 * (arm + 1),
        )
        for arm in range(arms)
        for week in range(1, weeks + 1)
    ]
    frame = pd.DataFrame(rows, columns=["arm", "week", "done", "prescribed"])
    return frame.assign(done_low=frame["done"] - 1.5, done_high=frame["done"] + 2.0)


@pytest.mark.parametrize("arms", [1, 2, 3, 4, 5])
def test_no_text_is_clipped_or_covered(arms: int) -> None:
    drawing = adherence_picture(weekly(arms))
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []


def test_one_week_can_be_drawn() -> None:
    assert adherence_picture(weekly(1, weeks=1)).clipped_texts() == []


def test_drawn_minutes_are_those_given_and_zero_is_on_the_scale() -> None:
    frame = weekly(2)
    labels = list(dict.fromkeys(frame["arm"]))
    drawing = adherence_picture(frame, styles={labels[0]: 2, labels[1]: 0})
    for axes, label, place in zip(drawing.figure.axes, labels, (2, 0), strict=True):
        own = frame[frame["arm"] == label]
        prescribed, done = axes.lines
        assert np.array_equal(np.asarray(done.get_ydata()), own["done"].to_numpy())
        assert np.array_equal(np.asarray(prescribed.get_ydata()), own["prescribed"].to_numpy())
        assert done.get_color() == ARM_STYLES[place].colour
        band = axes.collections[0].get_paths()[0].vertices[:, 1]
        assert {own["done_low"].iloc[3], own["done_high"].iloc[3]} <= set(band)
        assert axes.get_ylim()[0] == 0.0


def test_description_gives_done_against_prescribed() -> None:
    assert "30 s hold on several days of every single week: 6 minutes a week done on average against 9 prescribed" in (
        adherence_picture(weekly(1)).alt
    )


def test_a_frame_that_cannot_be_drawn_is_refused_in_a_sentence() -> None:
    with pytest.raises(DataError, match="lacks the column 'prescribed'"):
        adherence_picture(weekly(1).drop(columns="prescribed"))
