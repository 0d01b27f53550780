"""The notebooks run from the first cell to the last in a fresh kernel, and are committed without outputs."""

from __future__ import annotations

import json
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError
from traitlets.config import Config

NOTEBOOKS = sorted((Path(__file__).parent.parent / "notebooks").glob("*.ipynb"))
MOST_LINES_IN_A_CELL = 10
pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning:zmq", "ignore:.*event loop.*:DeprecationWarning")


def run(notebook: nbformat.NotebookNode, folder: Path) -> nbformat.NotebookNode:
    client = NotebookClient(
        notebook,
        timeout=600,
        startup_timeout=60,
        kernel_name="python3",
        record_timing=False,
        resources={"metadata": {"path": str(folder)}},
        config=Config({"KernelManager": {"transport": "ipc", "ip": f"{os.environ['JUPYTER_RUNTIME_DIR']}/s"}}),
    )
    client.execute()
    return notebook


@pytest.fixture(autouse=True)
def own_kernel(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Kernel of this very interpreter, and no settings of the person who runs the tests.

    The folder has a short name, since the path of a socket may not be longer than about a hundred characters; and the
    socket has a whole path, since kernel and client start in different folders.
    """
    home = Path(tempfile.mkdtemp(prefix="k"))
    kernels = home / "data" / "kernels" / "python3"
    kernels.mkdir(parents=True)
    spec = {
        "argv": [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"],
        "display_name": "Python 3",
        "language": "python",
    }
    (kernels / "kernel.json").write_text(json.dumps(spec), encoding="utf-8")
    for name in ("config", "data", "runtime"):
        (home / name).mkdir(exist_ok=True)
        monkeypatch.setenv(f"JUPYTER_{name.upper()}_DIR", str(home / name))
    monkeypatch.setenv("IPYTHONDIR", str(home / "ipython"))
    monkeypatch.setenv("PYDEVD_DISABLE_FILE_VALIDATION", "1")
    monkeypatch.setenv("MPLBACKEND", "module://matplotlib_inline.backend_inline")
    yield
    shutil.rmtree(home, ignore_errors=True)


def test_there_are_notebooks() -> None:
    assert [path.stem for path in NOTEBOOKS] == ["1_plan", "3_reliability", "4_change_and_dose"]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs_from_top_to_bottom(path: Path) -> None:
    executed = run(nbformat.read(path, as_version=4), path.parent)
    outputs = [output for cell in executed.cells if cell.cell_type == "code" for output in cell.outputs]
    assert not [output for output in outputs if output.output_type == "error"]
    assert not [output for output in outputs if output.get("name") == "stderr"]
    shown = "".join(str(output.get("data", {}).get("text/html", "")) for output in outputs)
    assert shown.count('class="headline"') >= 3


def test_a_notebook_that_must_fail_fails() -> None:
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("import studykit\nstudykit.no_such_answer")])
    with pytest.raises(CellExecutionError, match="studykit has no 'no_such_answer'"):
        run(notebook, Path(__file__).parent)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_is_committed_without_outputs_and_in_short_cells(path: Path) -> None:
    for cell in nbformat.read(path, as_version=4).cells:
        if cell.cell_type == "code":
            assert cell.outputs == []
            assert cell.execution_count is None
            assert len(cell.source.splitlines()) <= MOST_LINES_IN_A_CELL
