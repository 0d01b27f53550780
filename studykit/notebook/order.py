"""In which order the cells of an open notebook were run: what is shown must come from the cells as they stand.

A notebook keeps every value that any cell ever made. When a cell is changed, skipped or run again behind the others,
what is shown no longer follows from what is written. `watch_order` tells so in the cell that is run out of order, and
`order_of_run` says at the end whether everything was run once, from top to bottom, since the first cell.

Cells are told apart by the identity that JupyterLab gives them, or by their text where a program sends none; their
order is that of the saved file. What was done to values before the first cell ran in the same kernel is not seen.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, field
from html import escape
from pathlib import Path
from typing import Any, Final

NOTEBOOK_VARIABLE: Final = "STUDYKIT_NOTEBOOK"
"""Environment variable with the file that is being run by `studykit run`; JupyterLab has one of its own."""
_JUPYTER_VARIABLE: Final = "JPY_SESSION_NAME"
AGAIN: Final = "Choose Kernel, then Restart Kernel and Run All Cells."


@dataclass(frozen=True, slots=True)
class OrderOfRun:
    """Whether the cells were run once each, from top to bottom.

    Attributes:
        in_order: True, False, or None when nobody can tell.
        sentence: the same for a person.
    """

    in_order: bool | None
    sentence: str

    def _repr_html_(self) -> str:
        return f'<p class="sk-order">{escape(self.sentence)}</p>'

    def __repr__(self) -> str:
        return self.sentence


def verdict(document: list[str], run: list[str]) -> OrderOfRun:
    """Judge the cells that were run against the cells of the document.

    Args:
        document: the code cells in the order of the file, each by a name that tells it from the others.
        run: the names of the cells that were run since the first one, in order; a name that the document does not have
            belongs to a cell that was added and not saved.
    """
    unknown = [name for name in run if name not in document]
    places = [document.index(name) for name in run if name in document]
    if not document or not places:
        return OrderOfRun(None, "Whether the cells ran in order cannot be told here; the notebook's file is not known.")
    for later, earlier in zip(places[1:], places, strict=False):
        if later < earlier:
            return OrderOfRun(
                False, f"Not in order: code cell {later + 1} was run after code cell {earlier + 1}. {AGAIN}"
            )
        if later == earlier:
            return OrderOfRun(False, f"Not in order: code cell {later + 1} was run more than once. {AGAIN}")
    skipped = [place + 1 for place in range(places[-1]) if place not in places]
    if skipped:
        return OrderOfRun(False, f"Not in order: code cell {skipped[0]} was not run. {AGAIN}")
    if unknown:
        return OrderOfRun(
            None, "Cells were added and not saved yet; save the notebook to see whether all are in order."
        )
    return OrderOfRun(True, "In order: every cell down to here was run once, from top to bottom.")


@dataclass(slots=True)
class _Watch:
    """What was run in this kernel since the first cell.

    run: (identity or "", text) of each cell.
    """

    shell: Any
    run: list[tuple[str, str]] = field(default_factory=list)

    def before(self, info: Any) -> None:
        """IPython calls this before each cell."""
        if not info.store_history or not str(info.raw_cell).strip():
            return
        self.run.append((info.cell_id or "", info.raw_cell))
        names, document = self._names()
        if document and names[-1] == document[0]:
            self.run = self.run[-1:]
            return
        found = verdict(document, names)
        if found.in_order is False:
            from IPython.display import display

            display(found)  # type: ignore[no-untyped-call]

    def verdict(self) -> OrderOfRun:
        """The judgement on everything that was run so far."""
        names, document = self._names()
        return verdict(document, names)

    def _names(self) -> tuple[list[str], list[str]]:
        """The cells that were run, and those of the file, each by its identity."""
        cells = _cells_of_file()
        document = [identity for identity, _ in cells]
        names = [identity if identity in document else _by_text(cells, text) for identity, text in self.run]
        return names, document


_watching: list[_Watch] = []
"""The one watch of this kernel, if any."""


def watch_order() -> None:
    """Begin to watch the order of cells; put it into the first code cell. Running that cell again begins anew.

    Outside a notebook it does nothing.
    """
    from IPython.core.getipython import get_ipython

    shell = get_ipython()
    if shell is None:
        return
    if not _watching:
        _watching.append(_Watch(shell))
        shell.events.register("pre_run_cell", _watching[0].before)
    _watching[0].run = [(_identity_of_running_cell(shell), _text_of_running_cell(shell))]


def order_of_run() -> OrderOfRun:
    """Whether every cell down to here was run once, from top to bottom, since the first one."""
    if not _watching:
        return OrderOfRun(None, "Nobody watched the order of the cells: the first cell did not run watch_order().")
    return _watching[0].verdict()


def _identity_of_running_cell(shell: Any) -> str:
    kernel = getattr(shell, "kernel", None)
    message = kernel.get_parent("shell") if kernel is not None else {}
    return str((message.get("metadata") or {}).get("cellId", ""))


def _text_of_running_cell(shell: Any) -> str:
    return str(shell.history_manager.input_hist_raw[-1])


def _cells_of_file() -> list[tuple[str, str]]:
    """Identity and text of each code cell of the notebook's file; none when the file is not known."""
    named = os.environ.get(NOTEBOOK_VARIABLE) or os.environ.get(_JUPYTER_VARIABLE)
    try:
        content = json.loads(Path(named or "").read_text(encoding="utf-8"))
        code = [cell for cell in content["cells"] if cell["cell_type"] == "code" and "".join(cell["source"]).strip()]
        return [(str(cell.get("id", at)), "".join(cell["source"])) for at, cell in enumerate(code)]
    except (OSError, ValueError, KeyError, TypeError):
        return []


def _by_text(cells: list[tuple[str, str]], text: str) -> str:
    """The identity of the only cell with this text; "" when there is none or more than one."""
    same = [identity for identity, source in cells if source.strip() == text.strip()]
    return same[0] if len(same) == 1 else ""
