"""A table as a small page of its own, to be opened or pasted."""

from __future__ import annotations

from html import escape
from typing import Final

from studykit.table import Table

_STYLE: Final = (
    "body{font:10pt/1.4 Arial,'Liberation Sans',sans-serif;color:#1c2329;margin:2em}"
    "table{border-collapse:collapse;border-top:2px solid;border-bottom:2px solid}"
    "caption{text-align:left;font-weight:bold;padding-bottom:.4em}"
    "th,td{padding:.2em .7em;vertical-align:top}thead th{border-bottom:1px solid}"
    "tbody th{font-weight:normal}.left{text-align:left}.right{text-align:right}.note{font-size:9pt;margin:.3em 0}"
)


def html_table(table: Table, *, language: str = "en") -> str:
    """A whole page without any script or address."""
    return (
        f'<!DOCTYPE html>\n<html lang="{escape(language)}">\n<head>\n<meta charset="utf-8">\n'
        f"<title>{escape(table.title)}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n<main>\n"
        f"{table.to_html()}\n</main>\n</body>\n</html>\n"
    )
