"""What is drawn of differences is what was given."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.container import ErrorbarContainer

from studykit.errors import DataError
from studykit.pictures.contrast import contrast_picture
from studykit.pictures.theme import ARM_STYLES, Drawing

ROWS = pd.DataFrame(
    {
        "label": [
            "30 s hold minus control",
            "Sixty seconds on six days of every week, supervised, minus no stretching",
        ],
        "difference": [0.9, 4.6],
        "low": [-0.4, 3.2],
        "high": [2.2, 6.0],
    }
)


def drawn(rows: pd.DataFrame = ROWS, mdc: float | None = 3.9, styles: tuple[int, ...] = ()) -> Drawing:
    return contrast_picture(rows, measure="Hip extension", unit="deg", confidence=0.9, mdc=mdc, styles=styles)


@pytest.mark.parametrize("count", [1, 2, 6])
def test_no_text_is_clipped_or_covered(count: int) -> None:
    drawing = drawn(pd.concat([ROWS] * 3).iloc[:count])
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []


def test_marks_and_intervals_stand_where_they_should() -> None:
    axes = drawn(styles=(3, 1)).figure.axes[0]
    bars = [item for item in axes.containers if isinstance(item, ErrorbarContainer)]
    at = [float(np.asarray(bar[0].get_xdata())[0]) for bar in bars]
    ends = np.array([bar[2][0].get_segments()[0][:, 0] for bar in bars])
    assert at == [0.9, 4.6]
    # The ends are difference plus or minus a length: equal but for one rounding.
    assert np.allclose(ends, ROWS[["low", "high"]].to_numpy(), rtol=0, atol=1e-12)
    assert [bar[0].get_color() for bar in bars] == [ARM_STYLES[3].colour, ARM_STYLES[1].colour]


def test_numbers_stand_beside_the_marks_and_in_the_description() -> None:
    drawing = drawn()
    texts = [text.get_text() for text in drawing.figure.axes[0].texts]
    assert texts == ["0.9° (−0.4 to 2.2°)", "4.6° (3.2 to 6.0°)"]
    assert "30 s hold minus control: 0.9° (90%\N{NO-BREAK SPACE}CI −0.4 to 2.2°)." in drawing.alt
    assert "90%\N{NO-BREAK SPACE}CI" in drawing.caption


def test_the_first_row_stands_on_top() -> None:
    low, high = drawn().figure.axes[0].get_ylim()
    assert low > high


def test_a_frame_that_cannot_be_drawn_is_refused_in_a_sentence() -> None:
    with pytest.raises(DataError, match="lacks the column 'high'"):
        drawn(ROWS.drop(columns="high"))
    with pytest.raises(DataError, match="has no row"):
        drawn(ROWS.iloc[:0])
