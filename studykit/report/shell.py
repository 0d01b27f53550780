"""The shell that every page of the kit shares: one file with its style inside, no script, no network."""

from __future__ import annotations

from html import escape
from importlib import resources


def page_shell(title: str, body: str, *, more_style: str = "") -> str:
    """A whole page around a body that is HTML already; the title is plain text.

    Args:
        more_style: name of another style sheet of this room, whose rules come after those of every page.
    """
    style = _style("page.css") + (_style(more_style) if more_style else "")
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>\n{style}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n"
    )


def _style(name: str) -> str:
    return resources.files("studykit.report").joinpath(name).read_text(encoding="utf-8")
