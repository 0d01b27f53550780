"""Notebooks that were run on the same data stay beside a new report; those of other data do not."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

NOTEBOOKS: Final = "notebooks"
_SAME: Final = ("data_sha256", "protocol_sha256")


def keep_executed_notebooks(old: Path, fresh: Path, provenance: Mapping[str, Any]) -> None:
    """Copy `old`/notebooks into `fresh` unless the old results came from other data or another protocol.

    Args:
        old: the results folder that is about to be replaced; it may not exist.
        fresh: the new one.
        provenance: of the new results, as in results.json.
    """
    executed = old / NOTEBOOKS
    if executed.is_dir() and _from_the_same(old / "results.json", provenance):
        shutil.copytree(executed, fresh / NOTEBOOKS)


def _from_the_same(document: Path, provenance: Mapping[str, Any]) -> bool:
    """True also where no results were written before, so that nothing says that they are of other data."""
    if not document.is_file():
        return True
    try:
        before = json.loads(document.read_text(encoding="utf-8"))["provenance"]
        return all(before[name] == provenance[name] for name in _SAME)
    except (OSError, ValueError, KeyError, TypeError):
        return False
