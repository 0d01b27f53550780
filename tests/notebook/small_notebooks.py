"""Small notebooks for the tests of running."""

from __future__ import annotations

import json
from pathlib import Path


def write_notebook(path: Path, *cells: str, kernel: str = "python3") -> Path:
    """A notebook of code cells, each a text; "# ..." as its first letters makes a cell of words."""
    made = [
        {"cell_type": "markdown", "id": f"c{at}", "metadata": {}, "source": text}
        if text.startswith("# ")
        else {"cell_type": "code", "id": f"c{at}", "metadata": {}, "source": text, "outputs": [], "execution_count": 7}
        for at, text in enumerate(cells)
    ]
    metadata = {"kernelspec": {"name": kernel, "display_name": kernel, "language": "julia"}}
    content = {"cells": made, "metadata": metadata, "nbformat": 4, "nbformat_minor": 5}
    path.write_text(json.dumps(content), encoding="utf-8")
    return path
