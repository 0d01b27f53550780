"""The look holds in grey, for colour-blind readers and in print; a drawing is the same bytes on every run."""

from itertools import combinations
from xml.etree import ElementTree

import matplotlib as mpl
import numpy as np
import pytest

from studykit.pictures.theme import ARM_STYLES, QUIET, Drawing, arms_style, drawing_style, legend_below, new_figure

# Linear-light simulations at full severity, Machado, Oliveira & Fernandes (2009), supplement (from memory).
SIMULATIONS = {
    "normal": np.eye(3),
    "protan": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)


def linear_light(colour: str) -> np.ndarray:
    coded = np.array([int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)])
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def lab(light: np.ndarray) -> np.ndarray:
    ratio = XYZ @ np.clip(light, 0, 1) / (XYZ @ np.ones(3))
    bent = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    return np.array([116 * bent[1] - 16, 500 * (bent[0] - bent[1]), 200 * (bent[1] - bent[2])])


def small_drawing(label: str = "arm A") -> Drawing:
    with drawing_style():
        figure, axes = new_figure(160, 80)
        style = arms_style(0)
        axes.plot([0.0, 1.0], [3.0, 4.0], color=style.colour, marker=style.marker, linestyle=style.dash, label=label)
        axes.set_xlabel("Week")
        axes.set_ylabel("Angle (°)")
        legend_below(figure, axes)
    return Drawing(figure, "Angle by week. It rises from 3° to 4° & stays < 5°.", "Angle by week.")


@pytest.mark.parametrize("name", SIMULATIONS)
def test_inks_stay_apart_for_colour_blind_readers(name: str) -> None:
    seen = [lab(SIMULATIONS[name] @ linear_light(style.colour)) for style in ARM_STYLES]
    # Ten units of colour difference are several times a just noticeable one (about 2.3).
    assert min(np.linalg.norm(a - b) for a, b in combinations(seen, 2)) > 10


def test_inks_stay_apart_in_grey() -> None:
    lightness = [lab(linear_light(style.colour))[0] for style in ARM_STYLES]
    assert min(abs(a - b) for a, b in combinations(lightness, 2)) > 8


def test_inks_are_strong_enough_on_white() -> None:
    contrast = {c: 1.05 / (linear_light(c) @ XYZ[1] + 0.05) for c in [s.colour for s in ARM_STYLES] + [QUIET]}
    assert min(contrast.values()) > 3.0
    assert contrast[QUIET] > 4.5


def test_colour_is_never_alone() -> None:
    assert len({style.marker for style in ARM_STYLES}) == len(ARM_STYLES)
    assert len({style.dash for style in ARM_STYLES}) == len(ARM_STYLES)


def test_same_bytes_on_every_run_and_in_any_order() -> None:
    first, second = small_drawing(), small_drawing()
    svg, png, pdf = first.svg(), first.png(100), first.pdf()
    assert (second.pdf(), second.png(100), second.svg()) == (pdf, png, svg)
    assert (first.svg(), first.png(100), first.pdf()) == (svg, png, pdf)


def test_svg_says_what_it_shows_and_is_as_wide_as_asked() -> None:
    root = ElementTree.fromstring(small_drawing().svg())  # noqa: S314 - our own words
    title, description = root[0], root[1]
    assert root.get("width") == "160mm"
    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == f"{title.get('id')} {description.get('id')}"
    assert title.text == "Angle by week"
    assert description.text == "It rises from 3° to 4° & stays < 5°."


def test_two_pictures_in_one_page_share_no_id_and_every_reference_resolves() -> None:
    ids, references = [], []
    for drawing in (small_drawing(), small_drawing("arm B")):
        root = ElementTree.fromstring(drawing.svg())  # noqa: S314 - our own words
        own = [element.get("id") for element in root.iter() if element.get("id")]
        used = [v[1:] for e in root.iter() for k, v in e.attrib.items() if k.endswith("href")]
        assert set(used) <= set(own)
        ids += own
        references += used
    assert len(ids) == len(set(ids))
    assert references


def test_svg_carries_no_style_sheet_program_or_date() -> None:
    svg = small_drawing().svg()
    assert "<style" not in svg
    assert "atplotlib v" not in svg
    assert "<metadata" not in svg


def test_files_name_no_program() -> None:
    drawing = small_drawing()
    assert drawing.png(50).startswith(b"\x89PNG")
    assert b"Software" not in drawing.png(50)
    assert drawing.pdf().startswith(b"%PDF")
    assert b"CreationDate" not in drawing.pdf()
    assert b"atplotlib" not in drawing.pdf()


def test_callers_settings_are_neither_used_nor_changed() -> None:
    plain = small_drawing().svg()
    with mpl.rc_context({"font.size": 30.0, "axes.facecolor": "red", "svg.hashsalt": "other"}):
        assert small_drawing().svg() == plain
        assert mpl.rcParams["font.size"] == 30.0


def test_a_clipped_text_is_named_and_a_fitting_one_is_not() -> None:
    drawing = small_drawing()
    assert drawing.clipped_texts() == []
    drawing.figure.text(0.98, 0.5, "this runs over the edge")
    assert drawing.clipped_texts() == ["this runs over the edge"]


def test_a_label_is_words_and_never_a_formula_and_a_missing_letter_stops_nothing() -> None:
    label = "cost $5 and $6, 足首 100%"
    drawing = small_drawing(label)
    assert drawing.clipped_texts() == []
    (legend,) = drawing.figure.legends
    assert [text.get_text() for text in legend.get_texts()] == [label]
    assert not legend.get_texts()[0].get_parse_math()
    assert drawing.svg() == small_drawing(label).svg()


def test_a_text_on_another_is_named() -> None:
    drawing = small_drawing()
    assert drawing.overlapping_texts() == []
    drawing.figure.text(0.5, 0.5, "one")
    drawing.figure.text(0.505, 0.5, "two")
    assert drawing.overlapping_texts() == [("one", "two")]
