"""Pictures as files: the part that may run in another process, which opens nothing but the drawing library."""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

from studykit.pictures.theme import Drawing

DPI: Final = 300
"""Dots per inch of a .png, the usual least of journals for pictures with letters."""


def printed(drawing: Drawing, endings: Collection[str]) -> dict[str, bytes]:
    """A drawing in the formats of these endings: svg, pdf, png."""
    if "svg" in endings:
        drawing.svg()
    if "pdf" in endings:
        drawing.pdf()
    if "png" in endings:
        drawing.png(DPI)
    return drawing.kept()
