"""The shell that every page of the kit shares: one file with its style inside, no script, no network."""

from __future__ import annotations

from html import escape
from importlib import resources


def page_shell(title: str, body: str) -> str:
    """A whole page around a body that is HTML already; the title is plain text."""
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>\n{_style()}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n"
    )


def _style() -> str:
    return resources.files("studykit.report").joinpath("page.css").read_text(encoding="utf-8")
