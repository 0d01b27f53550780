"""Run a copy of a notebook from its first cell to its last in a fresh kernel of this interpreter."""

from __future__ import annotations

import json
import logging
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from studykit.errors import CallError
from studykit.notebook.copies import folder_read_by, reading
from studykit.notebook.kernel import KERNEL_NAME, environment, own_jupyter, transport_settings, without_colours
from studykit.notebook.order import NOTEBOOK_VARIABLE

RUN_TO: Final = Path("results") / "notebooks"
SECONDS_A_CELL: Final = 1800
_METADATA: Final = {
    "kernelspec": {"display_name": "Python 3", "language": "python", "name": KERNEL_NAME},
    "language_info": {"name": "python"},
}
_QUIET: Final = logging.getLogger("studykit.notebook")
"""What goes wrong is told in a sentence of ours; the runner's own remarks would stand between."""
_QUIET.addHandler(logging.NullHandler())
_QUIET.propagate = False


@dataclass(frozen=True, slots=True)
class Ran:
    """A notebook that was run.

    Attributes:
        executed: the copy with its outputs, also when it stopped half-way.
        page: the same as a page for any browser.
        failure: None, or which cell stopped it and what it said.
        cells: code cells that were run; `of`: code cells that it has.
    """

    executed: Path
    page: Path
    failure: str | None
    cells: int
    of: int


def run_notebook(path: Path, *, folder: Path | None = None, progress: Callable[[str], None] | None = None) -> Ran:
    """Run a copy of a notebook; the notebook itself is not touched.

    The copy and its page go to `results/notebooks` of the study that the notebook reads.

    Args:
        path: the notebook.
        folder: a study for the notebook to read instead of the one that it names.
        progress: called with one short sentence before each cell.

    Raises:
        CallError: it is no notebook, or it names no study although another was given.
    """
    text = _notebook_text(path)
    study = _study_of(path, text, folder)
    if folder is not None:
        text = reading(text, str(study))
    target = study / RUN_TO
    executed, page = target / path.name, target / f"{path.stem}.html"
    notebook, failure = _executed(text, path, executed, progress)
    from studykit.notebook.page import notebook_page

    page.write_text(notebook_page(notebook, name=path.name), encoding="utf-8")
    code = [cell for cell in notebook["cells"] if cell["cell_type"] == "code" and "".join(cell["source"]).strip()]
    return Ran(executed, page, failure, sum(cell["execution_count"] is not None for cell in code), len(code))


def _notebook_text(path: Path) -> str:
    try:
        text = path.read_text(encoding="utf-8")
        [cell["cell_type"] for cell in json.loads(text)["cells"]]
    except FileNotFoundError:
        raise CallError(f"There is no notebook {path}.") from None
    except (OSError, ValueError, KeyError, TypeError):
        raise CallError(f"{path} is no notebook that can be read; give a file that ends in .ipynb.") from None
    return text


def _study_of(path: Path, text: str, folder: Path | None) -> Path:
    """The study that a notebook reads, as a whole path."""
    named = folder_read_by(text)
    if folder is not None:
        if named is None:
            raise CallError(f"{path} has no line 'folder = Path(...)', so it cannot be given another folder.")
        return folder.resolve()
    return (path.parent / named).resolve() if named is not None else path.parent.resolve()


def _executed(
    text: str, path: Path, target: Path, progress: Callable[[str], None] | None
) -> tuple[dict[str, Any], str | None]:
    """The executed notebook, written to `target` whatever happens, and the failure."""
    import nbformat
    from nbclient import NotebookClient
    from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError
    from traitlets.config import Config

    notebook = nbformat.reads(text, as_version=4)  # type: ignore[no-untyped-call]
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    _write(notebook, target)  # what the kernel compares its cells with
    count = sum(cell.cell_type == "code" for cell in notebook.cells)
    begun: list[int] = []

    def before(cell: Any, cell_index: int) -> None:
        if cell.cell_type == "code":
            begun.append(cell_index)
            if progress is not None:
                progress(f"cell {len(begun)} of {count}")

    failure = None
    with own_jupyter() as variables, environment({**variables, NOTEBOOK_VARIABLE: str(target)}):
        settings = Config({"KernelManager": transport_settings(variables["JUPYTER_RUNTIME_DIR"])})
        client = NotebookClient(
            notebook,
            timeout=SECONDS_A_CELL,
            startup_timeout=120,
            kernel_name=KERNEL_NAME,
            record_timing=False,
            on_cell_start=before,
            resources={"metadata": {"path": str(path.parent.resolve())}},
            config=settings,
            log=_QUIET,
        )
        try:
            with warnings.catch_warnings():
                warnings.filterwarnings("ignore", category=DeprecationWarning)
                client.execute()
        except CellExecutionError as error:
            failure = f"{error.ename}: {without_colours(error.evalue)}"
        except CellTimeoutError:
            failure = f"a cell took longer than {SECONDS_A_CELL} seconds"
        except DeadKernelError:
            failure = "the kernel ended by itself, perhaps for want of memory"
    for name in list(notebook.metadata):
        del notebook.metadata[name]
    notebook.metadata.update(_METADATA)
    whole = _write(notebook, target)
    return whole, None if failure is None else f"{_where(whole, begun)} {_one_line(failure)}"


def _write(notebook: Any, target: Path) -> dict[str, Any]:
    """Write a notebook; return what was written."""
    import nbformat

    target.parent.mkdir(parents=True, exist_ok=True)
    text = str(nbformat.writes(notebook))  # type: ignore[no-untyped-call]
    target.write_text(text, encoding="utf-8")
    whole: dict[str, Any] = json.loads(text)
    return whole


def _where(notebook: dict[str, Any], begun: list[int]) -> str:
    """The cell that stopped a notebook, by its number among the code cells and its first line."""
    if not begun:
        return "its start:"
    source = "".join(notebook["cells"][begun[-1]]["source"])
    first = next((line.strip() for line in source.splitlines() if line.strip()), "")
    return f"code cell {len(begun)} ({first}):"


def _one_line(text: str) -> str:
    return " ".join(text.split())
