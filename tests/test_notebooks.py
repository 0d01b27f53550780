"""The notebooks: short, stripped, one question each; run from top to bottom on every study.

Here each is run on the studies that it does not name; tests/browser/test_notebooks_in_jupyterlab.py runs it on its own.
"""

from __future__ import annotations

import html
import re
from pathlib import Path

import pytest
from executed_notebooks import NOTEBOOKS, ROOT, STUDIES, assert_sound, cells_of, copy_of_study, html_shown, own_study

from studykit.notebook.running import run_notebook

MOST_LINES_IN_A_CELL = 10
MATRIX = [(path, study) for path in NOTEBOOKS for study in STUDIES if study != own_study(path)]
NO_PLAN = r"write participants, smallest_difference and spread under \[planning\] in study.toml"
CANNOT_ANSWER = {
    ("1_plan", "clinic_audit"): NO_PLAN,
    ("1_plan", "knee_goniometer"): NO_PLAN,
    ("4_change_and_dose", "knee_goniometer"): "nobody was treated between them.*3_reliability.ipynb",
    ("5_clinic_audit", "ferry_trial"): "is asked of an audit.*says 'trial'.*part 'sample'",
    ("5_clinic_audit", "knee_goniometer"): "is asked of an audit.*says 'reliability'.*3_reliability.ipynb",
}
"""Notebook and study that has no answer to its question, and what is said in its place."""


def name_of(path: Path) -> str:
    return path.stem


@pytest.mark.parametrize(("path", "study"), MATRIX, ids=[f"{path.stem}-{study}" for path, study in MATRIX])
def test_a_notebook_reads_any_study_or_says_what_to_ask_instead(path: Path, study: str, tmp_path: Path) -> None:
    ran = run_notebook(path, folder=copy_of_study(study, tmp_path))
    assert_sound(ran)
    reasons = [
        html.unescape(reason)
        for reason in re.findall(r'<p class="unanswered">(.*?)</p>', html_shown(cells_of(ran.executed)))
    ]
    expected = CANNOT_ANSWER.get((path.stem, study))
    if expected is not None:
        assert re.search(expected, reasons[0])
    assert len(set(reasons)) == len(reasons)  # a reason that several questions share is told once


def test_every_notebook_meets_every_study() -> None:
    assert {own_study(path) for path in NOTEBOOKS} == set(STUDIES)
    assert {path.name for path in (ROOT / "synthetic_data").iterdir() if (path / "study.toml").exists()} == set(STUDIES)
    assert len(MATRIX) + len(NOTEBOOKS) == len(NOTEBOOKS) * len(STUDIES)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=name_of)
def test_notebook_is_committed_without_outputs_and_in_short_cells(path: Path) -> None:
    for cell in cells_of(path):
        if cell["cell_type"] == "code":
            assert cell["outputs"] == []
            assert cell["execution_count"] is None
            assert len("".join(cell["source"]).splitlines()) <= MOST_LINES_IN_A_CELL
        assert cell["metadata"] == {}


@pytest.mark.parametrize("path", NOTEBOOKS, ids=name_of)
def test_notebook_begins_with_its_question_and_ends_with_what_to_do_next(path: Path) -> None:
    cells = cells_of(path)
    words = "".join(cells[0]["source"])
    assert cells[0]["cell_type"] == "markdown"
    assert words.splitlines()[0].startswith("# ")
    assert words.splitlines()[0].endswith("?")
    assert "reads" in words
    assert "`study.toml`" in words
    assert "no diagnosis and no treatment advice" in words
    code = ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]
    assert code[0].count("folder = Path(") == 1
    assert "studykit.watch_order()" in code[0]
    assert not any("folder = Path(" in later for later in code[1:])
    assert code[-1] == "studykit.order_of_run()"
    assert "## What next" in "".join(cells[-2]["source"])


@pytest.mark.parametrize("path", NOTEBOOKS, ids=name_of)
def test_notebook_names_only_files_and_commands_that_exist(path: Path) -> None:
    words = "".join("".join(cell["source"]) for cell in cells_of(path))
    for other in {word.strip("`.,;") for word in words.split() if word.strip("`.,;").endswith(".ipynb")}:
        assert (ROOT / "notebooks" / other).exists(), other
