"""Letters measured before they are drawn, so that a label can be broken to fit and never runs over an edge."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextToPath

FONT: Final = "DejaVu Sans"
MM_PER_POINT: Final = 25.4 / 72.0
LINE_SPACING: Final = 1.2
"""Height of a line in its own point size, as matplotlib sets it."""

_OUTLINES: Final = TextToPath()


def text_width_mm(text: str, size_pt: float, *, bold: bool = False) -> float:
    """Width of one line of text at this size, in millimetres."""
    font = FontProperties(family=FONT, size=size_pt, weight="bold" if bold else "normal")
    with missing_letters_as_boxes():
        width, _, _ = _OUTLINES.get_text_width_height_descent(text, font, ismath=False)
    return float(width) * MM_PER_POINT


@contextmanager
def missing_letters_as_boxes() -> Iterator[None]:
    """Draw a letter that the font lacks as an empty box, without a warning.

    The font has Latin, Greek, Cyrillic and more, but not every script. The full words stay in the picture's
    description.
    """
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from font")
        yield


def lines_height_mm(count: int, size_pt: float) -> float:
    """Height that this many lines take, in millimetres."""
    return count * size_pt * LINE_SPACING * MM_PER_POINT


def broken_to_fit(text: str, width_mm: float, size_pt: float, *, bold: bool = False) -> list[str]:
    """The text in lines no wider than `width_mm`; a single word that is too wide is cut within.

    Existing line breaks are kept. The words come back in order and none is lost.
    """
    return [line for part in text.split("\n") for line in _filled(part.split(" "), width_mm, size_pt, bold)]


def _filled(words: list[str], width_mm: float, size_pt: float, bold: bool) -> list[str]:
    lines, current = [], ""
    for word in words:
        longer = f"{current} {word}" if current else word
        if text_width_mm(longer, size_pt, bold=bold) <= width_mm:
            current = longer
            continue
        if current:
            lines.append(current)
        *whole, current = _cut(word, width_mm, size_pt, bold)
        lines += whole
    return [*lines, current]


def _cut(word: str, width_mm: float, size_pt: float, bold: bool) -> list[str]:
    pieces = [""]
    for letter in word:
        if pieces[-1] and text_width_mm(pieces[-1] + letter, size_pt, bold=bold) > width_mm:
            pieces.append("")
        pieces[-1] += letter
    return pieces
