"""What is drawn of digits and of drift is what was given."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from studykit.errors import DataError
from studykit.pictures.digits import MOST_RATERS, digits_picture
from studykit.pictures.drift import drift_picture
from studykit.pictures.theme import ARM_STYLES


def raters(count: int) -> pd.DataFrame:
    rng = np.random.default_rng(count)
    digits = rng.multinomial(200, [0.1] * 10, size=count)
    frame = pd.DataFrame(digits, columns=[str(digit) for digit in range(10)])
    share = (frame["0"] + frame["5"]) / 200.0
    return frame.assign(rater=[f"therapist_with_a_long_code_{n}" for n in range(count)], readings=200, share=share)


def months(frame: pd.DataFrame, count: int = 6) -> pd.DataFrame:
    rows = [(name, month, 0.2, 0.1, 0.35) for name in frame["rater"] for month in range(1, count + 1)]
    return pd.DataFrame(rows, columns=["rater", "month", "share", "low", "high"])


@pytest.mark.parametrize("count", [1, 2, 3, 6, 9])
@pytest.mark.parametrize("dated", [True, False])
def test_digits_fit_on_the_page(count: int, dated: bool) -> None:
    frame = raters(count)
    over = months(frame) if dated else months(frame).iloc[:0]
    drawing = digits_picture(frame, over, measure="Hip extension", confidence=0.95)
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []
    assert len(drawing.figure.axes) == (2 if dated else 1)
    assert ("only in the table" in drawing.caption) == (count > MOST_RATERS)


def test_drawn_shares_are_counts_over_readings() -> None:
    frame = raters(2)
    axes = digits_picture(frame, months(frame), measure="Hip extension", confidence=0.95).figure.axes[0]
    for position, line in enumerate(axes.lines[:2]):
        drawn = np.asarray(line.get_ydata())
        assert drawn == pytest.approx(frame.loc[position, [str(d) for d in range(10)]].to_numpy(dtype=float) / 200.0)
        assert line.get_color() == ARM_STYLES[position].colour


def drift(count: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    names = [f"therapist_with_a_long_code_{n}" for n in range(count)]
    over = pd.DataFrame([(n, m, 0.1 * m) for n in names for m in range(1, 7)], columns=["rater", "month", "difference"])
    at = np.linspace(1.0, 6.9, 25)
    lines = pd.concat(
        [
            pd.DataFrame({"rater": n, "month": at, "estimate": 0.1 * at, "low": 0.1 * at - 1, "high": 0.1 * at + 1})
            for n in names
        ]
    )
    return over, lines


@pytest.mark.parametrize("count", [2, 3, 4, 5, 14])
def test_drift_fits_on_the_page(count: int) -> None:
    drawing = drift_picture(*drift(count), measure="Hip extension", unit="deg", confidence=0.95)
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []
    assert ("the first 12 are drawn" in drawing.caption) == (count > 12)


def test_drawn_drift_is_the_one_given() -> None:
    over, lines = drift(2)
    axes = drift_picture(over, lines, measure="Hip extension", unit="deg", confidence=0.95).figure.axes[1]
    own = over[over["rater"].str.endswith("1")]
    assert np.array_equal(np.asarray(axes.lines[2].get_ydata()), own["difference"].to_numpy())
    assert np.array_equal(np.asarray(axes.lines[2].get_xdata()), own["month"].to_numpy() + 0.5)


def test_frames_that_cannot_be_drawn_are_refused_in_a_sentence() -> None:
    over, lines = drift(2)
    with pytest.raises(DataError, match="lacks the column 'low'"):
        drift_picture(over, lines.drop(columns="low"), measure="m", unit="deg", confidence=0.95)
    with pytest.raises(DataError, match="The frame months has no row"):
        drift_picture(over.iloc[:0], lines, measure="m", unit="deg", confidence=0.95)
    with pytest.raises(DataError, match="lacks the column '9'"):
        digits_picture(raters(1).drop(columns="9"), months(raters(1)), measure="m", confidence=0.95)
