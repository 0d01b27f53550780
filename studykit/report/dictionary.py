"""The data dictionary of a study as Markdown and for Word."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from studykit.entry import dictionary_tables
from studykit.protocol import Protocol
from studykit.report.writers.markdown import markdown_escaped, markdown_table
from studykit.report.writers.word import LANDSCAPE_WIDTH_MM, add_table, document_bytes, new_document
from studykit.table import Table

STEM: Final = "data_dictionary"
_INTRODUCTION: Final = (
    "Every column of every table of this study: what it means, its unit, what a cell may hold, and whether every row "
    "needs it. Made from study.toml, by the rules that 'studykit check' goes by."
)


def write_dictionary(folder: Path, protocol: Protocol) -> list[Path]:
    """Write data_dictionary.md and data_dictionary.docx into a folder; the same protocol gives the same bytes."""
    tables = dictionary_tables(protocol)
    title = f"Data dictionary: {protocol.study.title}"
    written = [folder / f"{STEM}.md", folder / f"{STEM}.docx"]
    folder.mkdir(parents=True, exist_ok=True)
    written[0].write_bytes(_markdown(title, tables).encode())
    written[1].write_bytes(_word(title, tables))
    return written


def _markdown(title: str, tables: tuple[Table, ...]) -> str:
    return "\n".join([f"# {markdown_escaped(title)}", "", _INTRODUCTION, "", *map(markdown_table, tables)])


def _word(title: str, tables: tuple[Table, ...]) -> bytes:
    document = new_document(title, landscape=True)
    document.add_heading(title, 0)
    document.add_paragraph(_INTRODUCTION)
    for number, table in enumerate(tables, start=1):
        add_table(document, table, number=number, width_mm=LANDSCAPE_WIDTH_MM)
    return document_bytes(document)
