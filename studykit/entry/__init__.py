"""Before any data: the workbook into which a study is typed, and what each of its columns means."""

from studykit.entry.dictionary import dictionary_tables
from studykit.entry.form import EXAMPLE, HEADING_ROW, PAGES, TABLES, entry_workbook
from studykit.entry.writing import ENTRY_NAME, Entry, write_entry

__all__ = [
    "ENTRY_NAME",
    "EXAMPLE",
    "HEADING_ROW",
    "PAGES",
    "TABLES",
    "Entry",
    "dictionary_tables",
    "entry_workbook",
    "write_entry",
]
