"""Pictures as files: the part that may run in another process, which opens nothing but the drawing library."""

from __future__ import annotations

from typing import Final

from studykit.pictures.theme import Drawing

DPI: Final = 300
"""Dots per inch of a .png, the usual least of journals for pictures with letters."""


def printed(drawing: Drawing) -> dict[str, bytes]:
    """A drawing as .pdf and .png, the slow formats."""
    drawing.pdf()
    drawing.png(DPI)
    return drawing.kept()
