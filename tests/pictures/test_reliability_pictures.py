"""The pictures of the reliability room: what is drawn is what was given, and nothing is clipped or covered."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest

from studykit.errors import DataError
from studykit.pictures.components import components_picture
from studykit.pictures.decision_curves import decision_picture
from studykit.pictures.difference_mean import difference_picture
from studykit.pictures.ratings import ratings_picture
from studykit.pictures.theme import ARM_STYLES

MEASURE = "Passive knee extension"


def ratings(targets: int, raters: int) -> pd.DataFrame:
    rng = np.random.default_rng(2)
    rows = [
        (f"P{t:02d}", f"rater {r}", 40.0 + 3 * t + rng.normal())
        for t, r, _ in itertools.product(range(targets), range(raters), range(2))
    ]
    return pd.DataFrame(rows, columns=["target", "rater", "value"])


def points() -> pd.DataFrame:
    rng = np.random.default_rng(3)
    return pd.DataFrame({"mean": rng.normal(50, 9, 25), "difference": rng.normal(1, 2, 25)})


def components() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "name": ["participants", "limbs within participants", "raters", "participant by rater", "trials (rest)"],
            "variance": [51.4, 9.0, 0.9, 0.0, 0.86],
            "low": [30.0, 4.0, 0.1, np.nan, 0.7],
            "high": [95.0, 20.0, 4000.0, np.nan, 1.1],
            "share": [0.8, 0.15, 0.02, 0.0, 0.03],
        }
    )


def designs() -> pd.DataFrame:
    frame = pd.DataFrame(itertools.product([1, 2, 3], [1], [1, 2, 3, 4]), columns=["raters", "sessions", "trials"])
    return frame.assign(mdc=5.0 / np.sqrt(frame["raters"] * frame["trials"]))


def every_picture() -> dict[str, object]:
    return {
        "few": ratings_picture(ratings(8, 2), measure=MEASURE, unit="deg"),
        "many": ratings_picture(ratings(60, 5), measure=MEASURE, unit="deg", targets="Limbs"),
        "difference": difference_picture(
            points(),
            bias=(1.0, 0.2, 1.8),
            lower=(-2.9, -4.2, -1.6),
            upper=(4.9, 3.6, 6.2),
            measure=MEASURE,
            unit="deg",
            first="goniometer_1",
            second="goniometer_2",
        ),
        "components": components_picture(components(), measure=MEASURE, unit="deg", confidence=0.95),
        "decision": decision_picture(designs(), measure=MEASURE, unit="deg", confidence=0.95, wanted=3.0),
    }


@pytest.mark.parametrize("name", ["few", "many", "difference", "components", "decision"])
def test_nothing_is_clipped_or_covered_and_the_axis_has_its_unit(name: str) -> None:
    drawing = every_picture()[name]
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []
    axes = drawing.figure.axes[0]
    assert "degrees" in axes.get_xlabel() + axes.get_ylabel()
    assert drawing.width_mm == pytest.approx(160.0)
    assert drawing.alt.endswith(".")
    assert drawing.caption.startswith(MEASURE)


def test_every_reading_is_drawn_in_the_style_of_its_rater() -> None:
    frame = ratings(6, 3).sample(frac=1.0, random_state=1)
    lines = ratings_picture(frame, measure=MEASURE, unit="deg").figure.axes[0].lines
    for position, (rater, line) in enumerate(zip(dict.fromkeys(frame["rater"]), lines, strict=True)):
        own = frame[frame["rater"] == rater]
        assert np.asarray(line.get_ydata()).tolist() == own["value"].tolist()
        assert line.get_marker() == ARM_STYLES[position].marker
        assert line.get_markeredgecolor() == ARM_STYLES[position].colour
        columns = np.rint(np.asarray(line.get_xdata()))
        assert columns.tolist() == [int(name[1:]) + 1 for name in own["target"]]  # later targets have larger means


def test_bias_and_limits_stand_where_they_were_given() -> None:
    axes = every_picture()["difference"].figure.axes[0]
    heights = [float(line.get_ydata()[0]) for line in axes.lines[:4]]
    assert heights == [4.9, 1.0, -2.9, 0.0]
    assert np.asarray(axes.lines[4].get_ydata()).tolist() == points()["difference"].tolist()


def test_bars_are_standard_deviations_and_a_long_interval_ends_in_an_arrow() -> None:
    axes = every_picture()["components"].figure.axes[0]
    assert [bar.get_width() for bar in axes.patches] == pytest.approx(np.sqrt(components()["variance"]).tolist())
    assert [line.get_marker() for line in axes.lines].count(">") == 1


def test_curves_are_the_designs_and_the_scale_starts_at_zero() -> None:
    axes = every_picture()["decision"].figure.axes[0]
    for count, line in zip([1, 2, 3], axes.lines, strict=False):
        assert np.asarray(line.get_ydata()).tolist() == designs().query(f"raters == {count}")["mdc"].tolist()
    assert axes.get_ylim()[0] == 0.0


def test_same_bytes_on_every_run() -> None:
    assert every_picture()["components"].svg() == every_picture()["components"].svg()


@pytest.mark.parametrize("draw", [ratings_picture, decision_picture])
def test_a_frame_that_cannot_be_drawn_is_refused_in_a_sentence(draw: object) -> None:
    options = {} if draw is ratings_picture else {"confidence": 0.95}
    with pytest.raises(DataError, match="lacks the column"):
        draw(pd.DataFrame({"x": [1.0]}), measure=MEASURE, unit="deg", **options)


def test_a_rater_has_the_same_mark_whoever_reads_first_and_whoever_is_absent() -> None:
    everybody = ("rater 0", "rater 1", "rater 2")
    drawn = {}
    for present in (["rater 2", "rater 1"], ["rater 1", "rater 0", "rater 2"]):
        rows = [(f"P{target}", rater, 10.0 + target) for target in range(4) for rater in present]
        frame = pd.DataFrame(rows, columns=["target", "rater", "value"])
        lines = ratings_picture(frame, measure=MEASURE, unit="deg", order=everybody).figure.axes[0].lines
        drawn[len(present)] = {line.get_label(): (line.get_marker(), line.get_markeredgecolor()) for line in lines}
    looks = {rater: (look.marker, look.colour) for rater, look in zip(everybody, ARM_STYLES, strict=False)}
    assert drawn[3] == looks
    assert drawn[2] == {rater: looks[rater] for rater in ("rater 1", "rater 2")}
