"""The page of a plan in a real Chromium, offline: accessible, self-contained, no wider than the screen."""

from __future__ import annotations

from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from chromium import BROKEN_ANCHORS, needs_chromium
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
    page = browser.new_page()
    asked_for: list[str] = []
    page.on("request", lambda request: asked_for.append(request.url))
    page.goto(page_file.as_uri())
    page.wait_for_load_state("load")
    assert asked_for == [page_file.as_uri()]
    assert page.locator("script").count() == 0
    assert page.locator("main figure svg[role=img]").count() == 3
    places = page.evaluate(BROKEN_ANCHORS)
    assert places["count"] > 10
    assert (places["twice"], places["lost"]) == ([], [])
    found = Axe().run(page).response["violations"]
    assert [(item["id"], item["nodes"][0]["html"][:200]) for item in found] == []
    page.set_viewport_size({"width": 420, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    page.close()
