"""The report in a real Chromium, offline: accessible, self-contained, nothing clipped, nothing on the console."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from chromium import BROKEN_ANCHORS, needs_chromium
from playwright.sync_api import BrowserContext

from studykit.report import write_report

ROOT = Path(__file__).parent.parent.parent
pytestmark = needs_chromium


@pytest.fixture(scope="module", params=["knee_goniometer", "ferry_trial", "clinic_audit"])
def page_file(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    source = ROOT / "synthetic_data" / request.param
    study = tmp_path_factory.mktemp("study") / request.param
    shutil.copytree(source, study, ignore=shutil.ignore_patterns("results"))
    return write_report(study).page


def test_page_is_accessible_and_self_contained(browser: BrowserContext, page_file: Path) -> None:
    page = browser.new_page()
    trouble: list[str] = []
    asked_for: list[str] = []
    page.on("pageerror", lambda error: trouble.append(str(error)))
    page.on("console", lambda message: trouble.append(message.text) if message.type == "error" else None)
    page.on("request", lambda request: asked_for.append(request.url))
    page.goto(page_file.as_uri())
    page.wait_for_load_state("load")
    assert asked_for == [page_file.as_uri()]
    assert page.locator("script").count() == 0
    assert page.locator("main figure svg[role=img]").count() >= 3
    places = page.evaluate(BROKEN_ANCHORS)
    assert places["count"] > 10
    assert (places["twice"], places["lost"]) == ([], [])
    found = Axe().run(page).response["violations"]
    assert [(item["id"], item["nodes"][0]["html"][:200]) for item in found] == []
    assert trouble == []
    page.close()


def test_only_tables_scroll_sideways(browser: BrowserContext, page_file: Path) -> None:
    """On a narrow screen the page itself keeps its width; a wide table scrolls in its own box."""
    page = browser.new_page()
    page.set_viewport_size({"width": 420, "height": 800})
    page.goto(page_file.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    page.close()
