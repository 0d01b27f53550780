"""How the kit shows itself in an open notebook: one section with a style of its own that reaches nothing around it."""

from __future__ import annotations

from functools import cache
from importlib import resources


def in_notebook(html: str) -> str:
    """HTML of the kit as one section, with the style that it needs; every rule of the style begins with its class."""
    return f'<section class="sk-result"><style>{_style()}</style>{html}</section>'


@cache
def _style() -> str:
    return resources.files("studykit").joinpath("display.css").read_text(encoding="utf-8")
