"""The notebooks: short, stripped, one question each; run from top to bottom on every study, twice to the same bytes."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from chromium import needs_chromium
from playwright.sync_api import BrowserContext

from studykit.notebook.copies import folder_read_by
from studykit.notebook.running import Ran, run_notebook

ROOT = Path(__file__).parent.parent
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
MOST_LINES_IN_A_CELL = 10
FURTHER_STUDIES = {
    "2_check_data": ("knee_goniometer", "ferry_trial"),
    "3_reliability": ("ferry_trial", "clinic_audit"),
    "4_change_and_dose": ("clinic_audit",),
    "6_paper": ("knee_goniometer",),
}
"""Studies on which a notebook is run besides the one that it names; a reliability study has no change to show."""
RUN_ELSEWHERE = {"1_plan", "5_clinic_audit", "6_paper"}
"""Notebooks that take long: tests/browser runs each in JupyterLab; that plans, audits and reports are the same on every
run is held in tests of their own."""
RUN_ONCE = {"4_change_and_dose"}


def name_of(path: Path) -> str:
    return path.stem


def cells_of(path: Path) -> list[dict[str, Any]]:
    cells: list[dict[str, Any]] = json.loads(path.read_text(encoding="utf-8"))["cells"]
    return cells


def copy_of_study(name: str, work: Path) -> Path:
    folder = work / name
    shutil.copytree(ROOT / "synthetic_data" / name, folder, ignore=shutil.ignore_patterns("results"))
    return folder


def assert_sound(ran: Ran) -> None:
    """Nothing failed, nothing was said on the error channel, cells ran in order, every answer shows itself whole."""
    assert ran.failure is None
    assert ran.cells == ran.of
    outputs = [output for cell in cells_of(ran.executed) if cell["cell_type"] == "code" for output in cell["outputs"]]
    assert [output for output in outputs if output["output_type"] == "error" or output.get("name") == "stderr"] == []
    shown = "".join("".join(output.get("data", {}).get("text/html", "")) for output in outputs)
    assert "In order: every cell down to here" in shown
    assert 'class="headline"' in shown or 'class="unanswered"' in shown  # a small study cannot answer every question
    assert "widget-view" not in json.dumps(outputs)  # a progress bar is no result


@pytest.mark.parametrize("path", [path for path in NOTEBOOKS if path.stem not in RUN_ELSEWHERE], ids=name_of)
def test_it_runs_and_a_second_run_gives_the_same_bytes(path: Path, tmp_path: Path) -> None:
    named = folder_read_by(path.read_text(encoding="utf-8"))
    assert named is not None
    folder = copy_of_study(Path(named).name, tmp_path)
    first = run_notebook(path, folder=folder)
    assert_sound(first)
    if path.stem in RUN_ONCE:
        return
    before = first.executed.read_bytes(), first.page.read_bytes()
    again = run_notebook(path, folder=folder)
    assert (again.executed.read_bytes(), again.page.read_bytes()) == before


@pytest.mark.parametrize(
    ("name", "study"), [(name, study) for name, studies in FURTHER_STUDIES.items() for study in studies]
)
def test_a_notebook_reads_any_study(name: str, study: str, tmp_path: Path) -> None:
    assert_sound(run_notebook(ROOT / "notebooks" / f"{name}.ipynb", folder=copy_of_study(study, tmp_path)))


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


@pytest.fixture(scope="module")
def page_of_check(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = copy_of_study("clinic_audit", tmp_path_factory.mktemp("page"))
    return run_notebook(ROOT / "notebooks" / "2_check_data.ipynb", folder=folder).page


class TestPage:
    """The page of a run in a real browser."""

    pytestmark = needs_chromium

    def test_nobody_is_shut_out(self, browser: BrowserContext, page_of_check: Path) -> None:
        page = browser.new_page()
        asked: list[str] = []
        page.on("request", lambda one: asked.append(one.url) if one.url.startswith("http") else None)
        page.goto(page_of_check.as_uri())
        found = Axe().run(page).response["violations"]
        assert [(one["id"], one["nodes"][0]["html"][:200]) for one in found] == []
        assert asked == []
        page.close()

    def test_only_tables_and_code_scroll_sideways(self, browser: BrowserContext, page_of_check: Path) -> None:
        page = browser.new_page()
        page.set_viewport_size({"width": 420, "height": 800})
        page.goto(page_of_check.as_uri())
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
        page.close()
