"""Answers become a report that a colleague can read."""

from studykit.report.writing import Written, write_report

__all__ = ["Written", "write_report"]
