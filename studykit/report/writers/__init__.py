"""One table value, six kinds of file; one module a format."""

from studykit.report.writers.every_format import FORMATS, table_file, write_tables

__all__ = ["FORMATS", "table_file", "write_tables"]
