"""`studykit run`: a fresh kernel of this interpreter, a copy that is kept, and a failure told in two lines."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest
from small_notebooks import write_notebook

from studykit.cli import main
from studykit.commands.speaking import CALLED_WRONGLY, CLEAN, PROBLEMS
from studykit.errors import CallError
from studykit.notebook.running import run_notebook


def outputs(path: Path) -> list[dict[str, object]]:
    content = json.loads(path.read_text(encoding="utf-8"))
    return [output for cell in content["cells"] if cell["cell_type"] == "code" for output in cell["outputs"]]


def test_it_runs_in_this_interpreter_whatever_the_notebook_says(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    notebook = write_notebook(
        tmp_path / "mine.ipynb", "# A title", "import sys\nsys.executable", "import os\nos.getcwd()", kernel="julia-1.9"
    )
    before = notebook.read_bytes()
    assert main(["run", str(notebook)]) == CLEAN
    assert notebook.read_bytes() == before
    executed = tmp_path / "results" / "notebooks" / "mine.ipynb"
    shown = [output["data"]["text/plain"] for output in outputs(executed)]  # type: ignore[index]
    assert "".join(shown[0]) == repr(sys.executable)
    assert "".join(shown[1]) == repr(str(tmp_path.resolve()))
    page = executed.with_suffix(".html").read_text(encoding="utf-8")
    assert "<title>A title</title>" in page
    assert "<script" not in page
    assert "all 2 code cells ran" in capsys.readouterr().out


def test_a_failure_is_told_in_two_lines_and_what_ran_is_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cells = ("first = 1\nfirst", "import studykit\nstudykit.no_such_answer", "print('never')")
    notebook = write_notebook(tmp_path / "stops.ipynb", *cells)
    assert main(["run", str(notebook)]) == PROBLEMS
    said = capsys.readouterr()
    assert len(said.err.strip().splitlines()) == 1
    assert said.err.startswith("studykit: stops.ipynb stopped at code cell 2 (import studykit): AttributeError: ")
    assert "no 'no_such_answer'" in said.err
    executed = tmp_path / "results" / "notebooks" / "stops.ipynb"
    assert said.out.strip() == f"What ran up to there is kept: {executed.resolve()}"
    assert [output["output_type"] for output in outputs(executed)] == ["execute_result", "error"]
    assert "no_such_answer" in executed.with_suffix(".html").read_text(encoding="utf-8")


def test_a_kernel_that_dies_is_told_too(tmp_path: Path) -> None:
    ran = run_notebook(write_notebook(tmp_path / "dies.ipynb", "1", "import os\nos._exit(1)"))
    assert ran.failure is not None
    assert ran.failure.startswith("code cell 2 (import os): the kernel ended by itself")
    assert ran.executed.is_file()


def test_two_runs_give_the_same_bytes(tmp_path: Path) -> None:
    cells = ("# Title", "import pandas as pd\npd.DataFrame({'a': [1, 2]})", "print(1)", "{3, 1, 2}")
    notebook = write_notebook(tmp_path / "same.ipynb", *cells)
    first = run_notebook(notebook)
    before = first.executed.read_bytes(), first.page.read_bytes()
    again = run_notebook(notebook)
    assert (again.executed.read_bytes(), again.page.read_bytes()) == before


def test_a_notebook_reads_the_study_that_it_names_or_another(tmp_path: Path) -> None:
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    (tmp_path / "books").mkdir()
    lines = 'from pathlib import Path\n\nfolder = Path("../one")\nfolder.resolve().name'
    notebook = write_notebook(tmp_path / "books" / "n.ipynb", lines)
    ran = run_notebook(notebook)
    assert ran.executed == tmp_path / "one" / "results" / "notebooks" / "n.ipynb"
    assert "'one'" in str(outputs(ran.executed))
    ran = run_notebook(notebook, folder=tmp_path / "two")
    assert ran.executed == tmp_path / "two" / "results" / "notebooks" / "n.ipynb"
    assert "'two'" in str(outputs(ran.executed))


def test_old_outputs_never_stand_for_new_ones(tmp_path: Path) -> None:
    notebook = write_notebook(tmp_path / "old.ipynb", "raise SystemError('stop')", "1")
    content = json.loads(notebook.read_text(encoding="utf-8"))
    content["cells"][1]["outputs"] = [{"output_type": "stream", "name": "stdout", "text": "stale"}]
    notebook.write_text(json.dumps(content), encoding="utf-8")
    assert "stale" not in run_notebook(notebook).executed.read_text(encoding="utf-8")


def test_what_is_no_notebook_is_a_wrong_call(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "x.ipynb").write_text("no json", encoding="utf-8")
    (tmp_path / "y.ipynb").write_text("[1]", encoding="utf-8")
    for name, words in (
        ("gone.ipynb", "There is no notebook"),
        ("x.ipynb", "is no notebook"),
        ("y.ipynb", "is no not"),
    ):
        assert main(["run", str(tmp_path / name)]) == CALLED_WRONGLY
        assert words in capsys.readouterr().err
    with pytest.raises(CallError, match="so it cannot be given another folder"):
        run_notebook(write_notebook(tmp_path / "n.ipynb", "1"), folder=tmp_path)
