"""The report in a real Chromium, offline: accessible, self-contained, nothing clipped, nothing on the console."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import BrowserContext, sync_playwright

from studykit.report import write_report

ROOT = Path(__file__).parent.parent.parent
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
REQUIRED = os.environ.get("STUDYKIT_BROWSER_TESTS") == "required"
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None and not REQUIRED, reason="no Chromium on this machine"),
]


@pytest.fixture(scope="module", params=["knee_goniometer", "ferry_trial", "clinic_audit"])
def page_file(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    source = ROOT / "synthetic_data" / request.param
    study = tmp_path_factory.mktemp("study") / request.param
    shutil.copytree(source, study, ignore=shutil.ignore_patterns("results"))
    return write_report(study).page


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[BrowserContext]:
    assert CHROMIUM is not None, "browser tests are required here, and there is no Chromium"
    with sync_playwright() as play:
        context = play.chromium.launch_persistent_context(
            str(tmp_path_factory.mktemp("profile")),
            executable_path=CHROMIUM,
            headless=True,
            args=FLAGS,
            viewport={"width": 1000, "height": 900},
            bypass_csp=True,
            offline=True,
        )
        yield context
        context.close()


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
