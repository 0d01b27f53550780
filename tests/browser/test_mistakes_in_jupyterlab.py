"""What goes wrong in JupyterLab is seen: a notebook that must fail, and a cell that is run out of order."""

from __future__ import annotations

import shutil
from collections.abc import Iterator

import pytest
from chromium import needs_chromium
from executed_notebooks import ROOT
from open_lab import (
    BAD_OUTPUT,
    CELL,
    Lab,
    open_notebook,
    page_of_lab,
    root_with_notebooks,
    run_all,
    running_lab,
    saved,
    screenshot,
    screenshot_folder,
    troubles,
    window_of_lab,
)
from playwright.sync_api import Page

pytestmark = needs_chromium
MUST_FAIL = "must_fail.ipynb"
FIRST_DONE = "() => /\\d/.test(document.querySelector('.jp-CodeCell .jp-InputPrompt').textContent)"
LAST_DONE = "() => /\\d/.test([...document.querySelectorAll('.jp-CodeCell .jp-InputPrompt')].pop().textContent)"


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """A server with notebooks that go wrong in their third and in their first code cell."""
    root = root_with_notebooks(tmp_path_factory.mktemp("root"), ROOT)
    check = (ROOT / "notebooks" / "2_check_data.ipynb").read_text(encoding="utf-8")
    (root / "notebooks" / MUST_FAIL).write_text(check.replace("checked.study", "checked.studies"), encoding="utf-8")
    wrong_folder = check.replace("studykit.check_study(folder,", 'studykit.check_study(folder / \\"nowhere\\",')
    assert wrong_folder != check
    (root / "notebooks" / "no_study.ipynb").write_text(wrong_folder, encoding="utf-8")
    with running_lab(root, tmp_path_factory.mktemp("home")) as server:
        yield server


@pytest.fixture
def page(lab: Lab) -> Iterator[Page]:
    with window_of_lab() as window, page_of_lab(window, lab) as opened:
        yield opened


def test_a_notebook_that_must_fail_is_seen_to_fail(
    page: Page, lab: Lab, tmp_path_factory: pytest.TempPathFactory
) -> None:
    open_notebook(page, lab, f"notebooks/{MUST_FAIL}")
    run_all(page, seconds=200.0)
    screenshot(page, screenshot_folder(tmp_path_factory) / "must_fail.png")
    assert any("has no attribute 'studies'" in text for text in page.locator(BAD_OUTPUT).all_text_contents())
    found = troubles(saved(page, lab.root / "notebooks" / MUST_FAIL))
    assert any("AttributeError" in line for line in found)
    assert any("was not run" in line for line in found)


def test_a_mistake_that_the_kit_knows_is_a_sentence_and_no_way_through_its_code(page: Page, lab: Lab) -> None:
    open_notebook(page, lab, "notebooks/no_study.ipynb")
    run_all(page, seconds=200.0)
    (told,) = page.locator(BAD_OUTPUT).all_text_contents()
    assert told.startswith("ProtocolError: ")
    assert "nowhere" in told
    assert "Traceback" not in told
    assert ".py" not in told


def test_a_cell_run_out_of_order_says_so(page: Page, lab: Lab) -> None:
    """The first code cell, then the last one: what lies between was skipped."""
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
