"""The report in a real Chromium, offline: accessible, self-contained, nothing clipped, nothing on the console."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from chromium import needs_chromium, sound_page
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
    with sound_page(browser, page_file) as page:
        assert page.locator("main figure svg[role=img]").count() >= 3


def test_only_tables_scroll_sideways(browser: BrowserContext, page_file: Path) -> None:
    """On a narrow screen the page itself keeps its width; a wide table scrolls in its own box."""
    page = browser.new_page()
    page.set_viewport_size({"width": 420, "height": 800})
    page.goto(page_file.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    page.close()
