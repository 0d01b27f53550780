"""Every notebook as a person meets it: opened in JupyterLab in a real browser, Run All, nothing red, nothing fetched.

Each is also run on the same study in a kernel without a browser: both runs must show the same, and the page made of the
second must shut nobody out. Pictures of the screen are kept in the folder named by STUDYKIT_SCREENSHOTS, or with
pytest's temporary files.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from chromium import needs_chromium
from executed_notebooks import NOTEBOOKS, ROOT, assert_sound, cells_of, what_was_shown
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
    switch_theme,
    troubles,
    violations,
    window_of_lab,
)
from playwright.sync_api import BrowserContext, Page

from studykit.notebook.running import Ran, run_notebook

NAMES = [path.name for path in NOTEBOOKS]
SECONDS = 400.0
"""Patience with one notebook on a busy machine; a quiet one takes a tenth of it."""
WITHOUT_BROWSER = Callable[[str], Ran]


@pytest.fixture(scope="module")
def screenshots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return screenshot_folder(tmp_path_factory)


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    with running_lab(
        root_with_notebooks(tmp_path_factory.mktemp("root"), ROOT), tmp_path_factory.mktemp("home")
    ) as server:
        yield server


@pytest.fixture(scope="module")
def window() -> Iterator[BrowserContext]:
    with window_of_lab() as context:
        yield context


@pytest.fixture
def page(window: BrowserContext, lab: Lab) -> Iterator[Page]:
    with page_of_lab(window, lab) as opened:
        yield opened


@pytest.fixture(scope="module")
def without_browser(tmp_path_factory: pytest.TempPathFactory) -> WITHOUT_BROWSER:
    """Run a notebook on the study that it names, once for all tests of this file."""
    root = root_with_notebooks(tmp_path_factory.mktemp("other"), ROOT)
    return cache(lambda name: run_notebook(root / "notebooks" / name))


@pytest.mark.parametrize("name", NAMES)
def test_it_runs_from_top_to_bottom_on_the_study_that_it_names(without_browser: WITHOUT_BROWSER, name: str) -> None:
    assert_sound(without_browser(name))


class TestInJupyterLab:
    """The same on a screen."""

    pytestmark = needs_chromium

    @pytest.mark.parametrize("name", NAMES)
    def test_run_all_shows_the_same_answers_in_light_and_dark_and_nothing_red(
        self, page: Page, lab: Lab, screenshots: Path, without_browser: WITHOUT_BROWSER, name: str
    ) -> None:
        open_notebook(page, lab, f"notebooks/{name}")
        run_all(page, seconds=SECONDS)
        assert page.locator(BAD_OUTPUT).all_text_contents() == []
        content = saved(page, lab.root / "notebooks" / name)
        assert troubles(content) == []
        assert page.locator(f"{CELL} .sk-order").last.text_content() == (
            "In order: every cell down to here was run once, from top to bottom."
        )
        broken = page.locator(f"{CELL} .jp-OutputArea").filter(has_text=re.compile("Error displaying widget"))
        assert broken.count() == 0
        assert page.locator(".sk-result").count() >= 1
        for theme in ("Light", "Dark"):
            switch_theme(page, theme)
            screenshot(page, screenshots / f"{Path(name).stem}_{theme.lower()}.png")
            assert violations(page) == [], theme
        assert what_was_shown(content["cells"]) == what_was_shown(cells_of(without_browser(name).executed))


class TestPage:
    """The page of a run."""

    pytestmark = needs_chromium

    @pytest.mark.parametrize("name", NAMES)
    def test_nobody_is_shut_out(self, window: BrowserContext, without_browser: WITHOUT_BROWSER, name: str) -> None:
        page = window.new_page()
        asked: list[str] = []
        page.on("request", lambda one: asked.append(one.url) if one.url.startswith("http") else None)
        page.goto(without_browser(name).page.as_uri())
        found = Axe().run(page).response["violations"]
        assert [(one["id"], one["nodes"][0]["html"][:200]) for one in found] == []
        assert asked == []
        page.set_viewport_size({"width": 420, "height": 800})  # only tables and code scroll sideways
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
        page.close()
