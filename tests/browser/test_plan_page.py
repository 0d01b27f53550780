"""The page of a plan in a real Chromium, offline: accessible, self-contained, no wider than the screen."""

from __future__ import annotations

from pathlib import Path

import pytest
from chromium import needs_chromium, sound_page
from playwright.sync_api import BrowserContext

from studykit.cli import main
from studykit.starting import start_study
from tests.planning.test_answers import WISHES
from tests.planning.test_plan_command import TRIAL

pytestmark = needs_chromium


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plan") / "trial"
    start_study(folder, design="trial")
    protocol = folder / "study.toml"
    protocol.write_text(protocol.read_text(encoding="utf-8") + TRIAL + WISHES, encoding="utf-8")
    assert main(["plan", str(folder), "--workers", "1"]) == 0
    return folder / "results" / "plan.html"


def test_page_is_accessible_and_self_contained(browser: BrowserContext, page_file: Path) -> None:
    with sound_page(browser, page_file) as page:
        assert page.locator("main figure svg[role=img]").count() == 3
        page.set_viewport_size({"width": 420, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
