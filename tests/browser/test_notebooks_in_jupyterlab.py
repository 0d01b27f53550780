"""Every notebook as a person meets it: opened in JupyterLab in a real browser, Run All, nothing red, nothing fetched.

Pictures of the screen are kept in the folder named by STUDYKIT_SCREENSHOTS, or with pytest's temporary files.
"""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from chromium import CHROMIUM, FLAGS, needs_chromium
from open_lab import BAD_OUTPUT, CELL, Lab, open_notebook, run_all, running_lab, saved, troubles
from playwright.sync_api import BrowserContext, Page, sync_playwright

pytestmark = needs_chromium
ROOT = Path(__file__).parent.parent.parent
NOTEBOOKS = sorted(path.name for path in (ROOT / "notebooks").glob("*.ipynb"))
MUST_FAIL = "must_fail.ipynb"
SECONDS = 400.0
"""Patience with one notebook on a busy machine; a quiet one takes a tenth of it."""


@pytest.fixture(scope="module")
def screenshots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    named = os.environ.get("STUDYKIT_SCREENSHOTS")
    folder = Path(named) if named else tmp_path_factory.mktemp("screenshots")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """A server that shows copies of the notebooks and of the studies that they read."""
    root = tmp_path_factory.mktemp("root")
    shutil.copytree(ROOT / "notebooks", root / "notebooks", ignore=shutil.ignore_patterns(".ipynb_checkpoints"))
    shutil.copytree(ROOT / "synthetic_data", root / "synthetic_data", ignore=shutil.ignore_patterns("results"))
    first = (ROOT / "notebooks" / "3_reliability.ipynb").read_text(encoding="utf-8")
    (root / "notebooks" / MUST_FAIL).write_text(first.replace("studykit.icc(", "studykit.icd("), encoding="utf-8")
    with running_lab(root, tmp_path_factory.mktemp("home")) as server:
        yield server


@pytest.fixture(scope="module")
def window() -> Iterator[BrowserContext]:
    assert CHROMIUM is not None, "browser tests are required here, and there is no Chromium"
    with sync_playwright() as play, tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        context = play.chromium.launch_persistent_context(
            profile, executable_path=CHROMIUM, headless=True, args=FLAGS, viewport={"width": 1300, "height": 1500}
        )
        yield context
        context.close()


@pytest.fixture
def page(window: BrowserContext, lab: Lab) -> Iterator[Page]:
    opened = window.new_page()
    opened.set_default_timeout(60_000)
    outside: list[str] = []
    ours = (lab.address, lab.address.replace("http", "ws", 1), "data:", "blob:")
    opened.on("request", lambda one: None if one.url.startswith(ours) else outside.append(one.url))
    yield opened
    opened.close()
    assert outside == []


def violations(page: Page) -> list[tuple[str, str]]:
    """What a checker of accessibility says about the answers on the screen, contrast included."""
    found = Axe().run(page, context={"include": [[".sk-result"]]}).response["violations"]
    return [(one["id"], one["nodes"][0]["html"][:200]) for one in found]


def screenshot(page: Page, path: Path) -> None:
    """The upper part of the notebook, and its answers."""
    page.screenshot(path=str(path))
    answers = page.locator(".sk-result")
    if answers.count():
        answers.first.screenshot(path=str(path.with_name(f"{path.stem}_answer.png")))


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_run_all_shows_answers_and_nothing_red(page: Page, lab: Lab, screenshots: Path, name: str) -> None:
    lab.set_theme("Light")
    open_notebook(page, lab, f"notebooks/{name}")
    run_all(page, seconds=SECONDS)
    screenshot(page, screenshots / f"{Path(name).stem}_light.png")
    assert page.locator(BAD_OUTPUT).all_text_contents() == []
    assert troubles(saved(page, lab.root / "notebooks" / name)) == []
    assert page.locator(f"{CELL} .sk-order").last.text_content() == (
        "In order: every cell down to here was run once, from top to bottom."
    )
    assert page.locator(f"{CELL} .jp-OutputArea").filter(has_text=re.compile("Error displaying widget")).count() == 0
    assert page.locator(".sk-result").count() >= 1
    assert violations(page) == []


def test_answers_can_be_read_in_the_dark(page: Page, lab: Lab, screenshots: Path) -> None:
    lab.set_theme("Dark")
    open_notebook(page, lab, "notebooks/3_reliability.ipynb")
    assert page.locator("body").get_attribute("data-jp-theme-light") == "false"
    run_all(page, seconds=SECONDS)
    screenshot(page, screenshots / "3_reliability_dark.png")
    assert page.locator(".sk-result").count() >= 1
    assert violations(page) == []


def test_a_notebook_that_must_fail_is_seen_to_fail(page: Page, lab: Lab, screenshots: Path) -> None:
    lab.set_theme("Light")
    open_notebook(page, lab, f"notebooks/{MUST_FAIL}")
    run_all(page, seconds=SECONDS)
    screenshot(page, screenshots / "must_fail.png")
    assert any("studykit has no 'icd'" in text for text in page.locator(BAD_OUTPUT).all_text_contents())
    found = troubles(saved(page, lab.root / "notebooks" / MUST_FAIL))
    assert any("AttributeError" in line for line in found)
    assert any("was not run" in line for line in found)


def test_a_cell_run_out_of_order_says_so(page: Page, lab: Lab) -> None:
    """The first code cell, then the last one: what lies between was skipped."""
    lab.set_theme("Light")
    shutil.copy(ROOT / "notebooks" / "3_reliability.ipynb", lab.root / "notebooks" / "skipped.ipynb")
    open_notebook(page, lab, "notebooks/skipped.ipynb")
    cells = page.locator(CELL)
    for cell, done in ((cells.first, FIRST_DONE), (cells.last, LAST_DONE)):
        cell.locator(".cm-content").click()
        page.keyboard.press("Control+Enter")
        page.wait_for_function(done, timeout=120_000)
    told = cells.last.locator(".sk-order").all_text_contents()
    assert told
    assert all("Not in order: code cell 2 was not run." in text for text in told)


FIRST_DONE = "() => /\\d/.test(document.querySelector('.jp-CodeCell .jp-InputPrompt').textContent)"
LAST_DONE = "() => /\\d/.test([...document.querySelectorAll('.jp-CodeCell .jp-InputPrompt')].pop().textContent)"
