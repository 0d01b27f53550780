"""Answers become a report that a colleague can read.

The two names below are opened when they are asked for: the shell of a page must not cost what computing answers costs.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from studykit.report.writing import Written, write_report

__all__ = ["Written", "write_report"]


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"studykit.report has no {name!r}.")
    from studykit.report import writing

    return getattr(writing, name)
