"""The notebooks that come with the kit, copies of the studies that they read, and what a run of one must hold."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

from studykit.notebook.copies import folder_read_by
from studykit.notebook.running import Ran

ROOT = Path(__file__).parent.parent
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
STUDIES = ("ferry_trial", "clinic_audit", "knee_goniometer")


def cells_of(path: Path) -> list[dict[str, Any]]:
    cells: list[dict[str, Any]] = json.loads(path.read_text(encoding="utf-8"))["cells"]
    return cells


def own_study(path: Path) -> str:
    """The study that a notebook names."""
    named = folder_read_by(path.read_text(encoding="utf-8"))
    assert named is not None
    return Path(named).name


def copy_of_study(name: str, work: Path) -> Path:
    folder = work / name
    shutil.copytree(ROOT / "synthetic_data" / name, folder, ignore=shutil.ignore_patterns("results"))
    return folder


def html_shown(cells: list[dict[str, Any]]) -> str:
    """Every output of a run that is a piece of a page."""
    return "".join("".join(output.get("data", {}).get("text/html", "")) for output in _outputs(cells))


def assert_sound(ran: Ran) -> None:
    """Nothing failed, nothing was said on the error channel, cells ran in order, every answer shows itself whole."""
    assert ran.failure is None
    assert ran.cells == ran.of
    outputs = _outputs(cells_of(ran.executed))
    assert [output for output in outputs if output["output_type"] == "error" or output.get("name") == "stderr"] == []
    shown = html_shown(cells_of(ran.executed))
    assert "In order: every cell down to here" in shown
    assert 'class="headline"' in shown or 'class="unanswered"' in shown  # a small study cannot answer every question
    assert "widget-view" not in json.dumps(outputs)  # a progress bar is no result


def what_was_shown(cells: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Source and outputs of every code cell, without what two sound runs may differ in: how programs number cells and
    whether they write a text as one piece or line by line."""
    return [
        {"source": "".join(cell["source"]), "outputs": [_without_numbers(output) for output in cell["outputs"]]}
        for cell in cells
        if cell["cell_type"] == "code"
    ]


def _without_numbers(output: dict[str, Any]) -> dict[str, Any]:
    kept = {name: value for name, value in output.items() if name not in ("execution_count", "metadata")}
    if "data" in kept:
        kept["data"] = {kind: "".join(content) for kind, content in kept["data"].items()}
    if "text" in kept:
        kept["text"] = "".join(kept["text"])
    return kept


def _outputs(cells: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [output for cell in cells if cell["cell_type"] == "code" for output in cell["outputs"]]
