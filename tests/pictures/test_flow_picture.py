"""The flow diagram: counts that do not add up are refused; boxes and texts stand apart."""

from itertools import combinations, pairwise

import pandas as pd
import pytest

from studykit.errors import DataError
from studykit.pictures.flow import Box, flow_diagram, flow_picture

COLUMNS = ["stage", "arm", "reason", "count"]


def trial(arms: int) -> pd.DataFrame:
    rows = [
        ("assessed", "", "", 20 * arms + 30),
        ("excluded", "", "did not meet the criteria of the protocol on two visits", 18),
        ("excluded", "", "declined", 12),
        ("randomised", "", "", 20 * arms),
    ]
    for number in range(arms):
        arm = f"{15 * number} s hold on six days of every week"
        rows += [
            ("allocated", arm, "", 20),
            ("received", arm, "", 19),
            ("lost", arm, "moved away", number),
            ("lost", arm, "no longer had time for the sessions", 1),
            ("analysed", arm, "", 18),
        ]
    return pd.DataFrame(rows, columns=COLUMNS)


AUDIT = pd.DataFrame([("allocated", "All patients", "", 40), ("analysed", "All patients", "", 37)], columns=COLUMNS)


def apart(one: Box, other: Box) -> bool:
    return (
        one.left + one.width <= other.left
        or other.left + other.width <= one.left
        or one.bottom <= other.top
        or other.bottom <= one.top
    )


@pytest.mark.parametrize("counts", [trial(2), trial(3), trial(6), AUDIT], ids=["2 arms", "3 arms", "6 arms", "audit"])
def test_boxes_and_texts_stand_apart_and_inside(counts: pd.DataFrame) -> None:
    diagram = flow_diagram(counts, 160.0)
    assert all(apart(one, other) for one, other in combinations(diagram.boxes, 2))
    assert all(box.left >= 0 and box.left + box.width <= 160.0 for box in diagram.boxes)
    assert all(box.top >= 0 and box.bottom <= diagram.height_mm for box in diagram.boxes)
    drawing = flow_picture(counts)
    assert drawing.clipped_texts() == []
    assert drawing.overlapping_texts() == []


@pytest.mark.parametrize("counts", [trial(2), trial(6), AUDIT], ids=["2 arms", "6 arms", "audit"])
def test_each_line_of_text_stays_in_its_box(counts: pd.DataFrame) -> None:
    drawing = flow_picture(counts)
    boxes = flow_diagram(counts, 160.0).boxes
    axes = drawing.figure.axes[0]
    drawing.figure.draw_without_rendering()
    to_mm = axes.transData.inverted()
    texts = [text for text in axes.texts if text.get_text()]
    assert len(texts) == sum(len(box.lines) for box in boxes)
    for text in texts:
        extent = text.get_window_extent().transformed(to_mm)
        left, right = sorted((extent.x0, extent.x1))
        top, bottom = sorted((extent.y0, extent.y1))
        assert any(
            box.left <= left and right <= box.left + box.width and box.top <= top and bottom <= box.bottom
            for box in boxes
        ), text.get_text()


def test_every_arrow_runs_straight_and_ends_at_a_box() -> None:
    diagram = flow_diagram(trial(3), 160.0)
    assert len(diagram.lines) == 2 + 3 + 3 * 2
    for corners, headed in diagram.lines:
        assert headed
        assert all(a[0] == b[0] or a[1] == b[1] for a, b in pairwise(corners))
        x, y = corners[-1]
        assert any((x == box.middle and y == box.top) or x == box.left for box in diagram.boxes)


def test_drawn_counts_are_those_given() -> None:
    lines = [line for box in flow_diagram(trial(2), 160.0).boxes for line in box.lines]
    text = " ".join(lines).replace("\N{NO-BREAK SPACE}", " ")
    for words in ("n = 70", "n = 30", "declined: n = 12", "n = 40", "not analysed: n = 2", "moved away: n = 1"):
        assert words in text


def changed(stage: str, by: int) -> pd.DataFrame:
    counts = trial(2)
    counts.loc[counts.index[counts["stage"] == stage][0], "count"] += by
    return counts


@pytest.mark.parametrize(
    ("counts", "sentence"),
    [
        (changed("assessed", 1), "71 were assessed, but 30 excluded and 40 enrolled make 70"),
        (changed("randomised", -1), "39 were randomised, but the arms hold 40"),
        (changed("received", 2), "has 21 received, but only 20 allocated"),
        (changed("lost", 20), "has 21 lost, but only 20 allocated"),
        (changed("analysed", 3), "has 21 analysed, but only 20 allocated"),
        (trial(2)[lambda f: f["stage"] != "allocated"], "no row of stage 'allocated'"),
        (trial(2).drop(columns="reason"), "lacks the column 'reason'"),
    ],
)
def test_counts_that_do_not_add_up_are_refused_with_both_sides(counts: pd.DataFrame, sentence: str) -> None:
    with pytest.raises(DataError, match=sentence):
        flow_picture(counts)


def test_description_counts_every_arm() -> None:
    alt = flow_picture(trial(2)).alt
    assert "70 assessed, 30 excluded and 40 randomised" in alt
    assert "15 s hold on six days of every week: 20 participants, 2 lost and 18 analysed" in alt
