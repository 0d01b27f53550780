"""What is drawn of change is what was given: read back from the artists."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.container import ErrorbarContainer
from matplotlib.patches import Rectangle

from studykit.errors import DataError
from studykit.pictures.change import change_picture
from studykit.pictures.theme import ARM_STYLES, Drawing

LONG = "Stretching in the standing lunge for sixty seconds on six days of every week, supervised once a month by phone"


def means_of(arms: list[str]) -> pd.DataFrame:
    rows = [
        (arm, week, visit, 0.4 * week * (position + 1) / 4, 0.0 if week == 0 else 1.2)
        for position, arm in enumerate(arms)
        for week, visit in ((0.0, "Baseline"), (4.0, "Week 4"), (12.0, "Week 12"))
    ]
    frame = pd.DataFrame(rows, columns=["arm", "week", "visit", "mean", "half"])
    return frame.assign(low=frame["mean"] - frame["half"], high=frame["mean"] + frame["half"])


def people_of(arms: list[str]) -> pd.DataFrame:
    rng = np.random.default_rng(5)
    rows = [(arm, week, value) for arm in arms for week in (4.0, 12.0) for value in rng.normal(0, 3, 9)]
    return pd.DataFrame(rows, columns=["arm", "week", "change"])


def drawn(arms: list[str], mdc: float | None = 3.9) -> Drawing:
    return change_picture(
        means_of(arms), people_of(arms), measure="Knee extension, passive", unit="deg", confidence=0.95, mdc=mdc
    )


@pytest.mark.parametrize(
    "arms",
    [["All participants"], ["Control", LONG], [f"{hold} s hold" for hold in (0, 15, 30, 45, 60, 90)], [LONG] * 1],
    ids=["one arm", "a long label", "six arms", "only a long label"],
)
def test_no_text_is_clipped_or_covered(arms: list[str]) -> None:
    drawing = drawn(arms)
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []
    assert drawing.width_mm == pytest.approx(160.0)  # inches and back again


def test_drawn_means_intervals_and_styles_are_those_given() -> None:
    arms = ["Control", "30 s hold", "60 s hold"]
    means = means_of(arms)
    axes = drawn(arms).figure.axes[0]
    bars = [item for item in axes.containers if isinstance(item, ErrorbarContainer)]
    assert [bar.get_label() for bar in bars] == arms
    for bar, arm, style in zip(bars, arms, ARM_STYLES, strict=False):
        own = means[means["arm"] == arm]
        line, _, (whiskers,) = bar
        assert np.array_equal(np.asarray(line.get_ydata()), own["mean"].to_numpy())
        ends = np.array([segment[:, 1] for segment in whiskers.get_segments()])
        # The whisker is drawn from mean - (mean - low): equal but for one rounding.
        assert np.allclose(ends, own[["low", "high"]].to_numpy(), rtol=0, atol=1e-12)
        assert (line.get_color(), line.get_marker()) == (style.colour, style.marker)


def test_every_participant_is_drawn_once_at_the_own_value() -> None:
    arms = ["Control", "60 s hold"]
    axes = drawn(arms).figure.axes[0]
    small = [line for line in axes.lines if line.get_markersize() < 3]
    values = np.sort(np.concatenate([np.asarray(line.get_ydata()) for line in small]))
    assert np.array_equal(values, np.sort(people_of(arms)["change"].to_numpy()))


def test_mdc_band_spans_minus_to_plus_mdc() -> None:
    axes = drawn(["Control", "60 s hold"]).figure.axes[0]
    (band,) = [patch for patch in axes.patches if isinstance(patch, Rectangle)]
    assert (band.get_y(), band.get_y() + band.get_height()) == (-3.9, pytest.approx(3.9, abs=1e-12))  # one sum
    assert band.get_hatch()
    assert band.get_label() == "within the MDC of one person (±3.9°)"


def test_words_carry_the_numbers_and_the_unit() -> None:
    drawing = drawn(["Control", "60 s hold"])
    assert "60 s hold: 2.4° at Week 12 (95%\N{NO-BREAK SPACE}CI 1.2 to 3.6°)" in drawing.alt
    assert drawing.figure.axes[0].get_ylabel() == "Change from baseline (degrees)"
    assert "MDC" in drawing.caption
    assert "MDC" not in drawn(["Control"], mdc=None).alt


def test_a_frame_that_cannot_be_drawn_is_refused_in_a_sentence() -> None:
    with pytest.raises(DataError, match="lacks the column 'low'"):
        change_picture(means_of(["A"]).drop(columns="low"), measure="m", unit="deg", confidence=0.95)
    with pytest.raises(DataError, match="has no row"):
        change_picture(means_of(["A"]).iloc[:0], measure="m", unit="deg", confidence=0.95)


def test_thousands_of_people_keep_the_page_small_and_the_same_on_every_run() -> None:
    rng = np.random.default_rng(4)
    arms = ["Control", "60 s hold"]
    rows = [(arm, week, value) for arm in arms for week in (4.0, 12.0) for value in rng.normal(0, 3, 3000)]
    people = pd.DataFrame(rows, columns=["arm", "week", "change"])

    def svg() -> str:
        return change_picture(means_of(arms), people, measure="m", unit="deg", confidence=0.95).svg()

    first = svg()
    assert first == svg()
    assert "<image" in first
    assert "Software" not in first
    assert len(first) < 600_000
    assert "<image" not in drawn(arms).svg()


def test_nobody_to_draw_is_not_promised_in_the_caption() -> None:
    nobody = people_of(["A"]).iloc[:0]
    drawing = change_picture(means_of(["A"]), nobody, measure="m", unit="deg", confidence=0.95, people_note="Too few.")
    assert "Small marks" not in drawing.caption
    assert drawing.caption.endswith("Too few.")
