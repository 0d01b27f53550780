"""Pictures of dose: what is drawn is what was given, nothing beyond the doses, no word cut or on another."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from studykit.errors import DataError
from studykit.pictures.dose_curves import CurveLine, DoseMark, dose_curves_picture
from studykit.pictures.dose_done import SlopePanel, dose_done_picture
from studykit.pictures.theme import Drawing

GRID = np.linspace(0.0, 24.0, 49)


def means() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "arm": ["None", "A little", "The same minutes in fewer and longer holds", "Much"],
            "dose": [0.0, 12.0, 12.0, 24.0],
            "mean": [0.5, 3.0, 3.2, 5.0],
            "low": [-0.5, 2.0, 2.1, 3.9],
            "high": [1.5, 4.0, 4.3, 6.1],
            "style": [0, 1, 2, 3],
        }
    )


def people() -> pd.DataFrame:
    rng = np.random.default_rng(1)
    arms = means()
    return pd.concat(
        [
            pd.DataFrame(
                {"arm": arm["arm"], "dose": arm["dose"], "change": rng.normal(arm["mean"], 2, 9), "style": arm["style"]}
            )
            for arm in arms.to_dict("records")
        ],
        ignore_index=True,
    )


def curves(marks: tuple[DoseMark, ...] = (), **other: object) -> Drawing:
    lines = [
        CurveLine("saturating curve", GRID, 0.5 + 8.0 * GRID / (16.0 + GRID)),
        CurveLine("steps in one direction", GRID, np.where(GRID >= 12.0, 3.5, 0.5), stepped=True),
    ]
    return dose_curves_picture(
        means(),
        people(),
        lines,
        measure="Knee flexion",
        unit="deg",
        axis="minutes a week asked for",
        visit="Week 12",
        confidence=0.95,
        mdc=2.5,
        marks=marks,
        **other,  # type: ignore[arg-type]
    )


PRACTICE = DoseMark("common practice, no source:\n60 s once a day, 4 to 6 days a week", 4.0, 6.0)
LEVELS_OFF = DoseMark("gains level off", 10.0, 10.0)


def test_curves_are_drawn_as_given_and_no_further() -> None:
    axes = curves().figure.axes[0]
    line = next(line for line in axes.lines if line.get_label() == "saturating curve")
    assert np.array_equal(line.get_xdata(), GRID)
    assert line.get_ydata() == pytest.approx(0.5 + 8.0 * GRID / (16.0 + GRID))
    steps = next(line for line in axes.lines if line.get_label() == "steps in one direction")
    assert steps.get_drawstyle() == "steps-post"
    assert max(max(line.get_xdata()) for line in axes.lines if len(line.get_xdata()) == len(GRID)) == 24.0


def test_arms_with_one_dose_stand_side_by_side_around_it() -> None:
    axes = curves().figure.axes[0]
    at = {
        container.get_label(): float(container.lines[0].get_xdata()[0])
        for container in axes.containers
        if container.get_label() in set(means()["arm"])
    }
    places = [at[arm] for arm in means()["arm"]]
    assert places[0] == 0.0
    assert places[1] < 12.0 < places[2]
    assert places[1] + places[2] == pytest.approx(24.0)


def test_references_beyond_the_doses_are_left_out() -> None:
    drawing = curves((PRACTICE, LEVELS_OFF, DoseMark("far away", 60.0, 60.0)))
    texts = [text.get_text() for text in drawing.figure.axes[0].texts]
    assert PRACTICE.label in texts
    assert "far away" not in texts
    assert "common practice, no source: 60 s once a day" in drawing.caption
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []


def test_description_names_every_arm_with_its_interval() -> None:
    alt = curves().alt
    assert all(arm in alt for arm in means()["arm"])
    assert "95%\N{NO-BREAK SPACE}CI 3.9 to 6.1°" in alt
    assert curves().svg() == curves().svg()


def test_without_people_none_are_spoken_of() -> None:
    drawing = dose_curves_picture(
        means(),
        people().head(0),
        [],
        measure="Knee flexion",
        unit="deg",
        axis="minutes a week asked for",
        visit="Week 12",
        confidence=0.95,
        people_note="People are not drawn.",
    )
    assert "Small marks" not in drawing.caption
    assert drawing.caption.endswith("People are not drawn.")


def test_a_missing_column_is_named() -> None:
    with pytest.raises(DataError, match="'low'"):
        dose_curves_picture(
            means().drop(columns="low"),
            people(),
            [],
            measure="m",
            unit="deg",
            axis="a",
            visit="v",
            confidence=0.95,
        )


def points(seed: int, count: int) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    arm = rng.integers(0, 2, count)
    names = np.array(["Walk", "Stretch every day"], dtype=object)
    return pd.DataFrame(
        {"arm": names[arm], "minutes": rng.normal(0, 4, count), "change": rng.normal(0, 2, count), "style": arm}
    )


def panels(first: pd.DataFrame, second: pd.DataFrame) -> tuple[SlopePanel, SlopePanel]:
    return (
        SlopePanel("Between participants", "Minutes a week", "Change", first, (0.5, 0.2, 0.8)),
        SlopePanel("Within a participant", "Minutes between two visits", "Change beyond the course", second, None),
    )


def test_both_panels_hold_their_points_and_the_slope() -> None:
    first, second = points(1, 20), points(2, 50)
    drawing = dose_done_picture(panels(first, second), measure="Knee flexion", unit="deg", confidence=0.95)
    left, right = drawing.figure.axes
    marks = [
        sum(len(line.get_xdata()) for line in axes.lines if line.get_linestyle() == "None") for axes in (left, right)
    ]
    assert marks == [20, 50]
    line = next(line for line in left.lines if len(line.get_xdata()) == 3)
    slope = np.diff(line.get_ydata()) / np.diff(line.get_xdata())
    assert slope == pytest.approx([0.5, 0.5])
    assert not [line for line in right.lines if len(line.get_xdata()) == 3]
    assert "an association" in drawing.caption
    assert "0.50° a minute" in drawing.alt
    assert "50 points and no slope" in drawing.alt
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []


def test_no_point_at_all_is_refused() -> None:
    none = points(1, 3).head(0)
    with pytest.raises(DataError, match="Neither panel has a point"):
        dose_done_picture(panels(none, none), measure="m", unit="deg", confidence=0.95)
