"""reproduction.html in a real Chromium, offline: accessible, self-contained; wide tables scroll in their own box."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from chromium import needs_chromium
from playwright.sync_api import BrowserContext
from small_studies import closed, hashed_again, opened, reliability_folder

from studykit.archive import reproduce, seal_study

pytestmark = needs_chromium


@pytest.fixture(scope="module", params=["agrees", "moved"])
def page_file(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A page on which all agrees, and one with changed numbers, problems and another version."""
    place = tmp_path_factory.mktemp("page")
    seal = seal_study(reliability_folder(place / "study"), to=place / "seal.zip")
    if request.param == "moved":
        files = opened(seal)
        results = json.loads(files["data/results.json"])
        for entry in results["answers"].values():
            entry["numbers"] = {name: value and value * 1.01 for name, value in entry["numbers"].items()}
        environment = json.loads(files["data/environment.json"]) | {"studykit": "0.0.9"}
        parts = {"data/results.json": results, "data/environment.json": environment}
        closed(hashed_again({**files, **{name: json.dumps(part).encode() for name, part in parts.items()}}), seal)
    return reproduce(seal, to=place / "again").page


def test_page_is_accessible_self_contained_and_keeps_its_width(browser: BrowserContext, page_file: Path) -> None:
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
    assert page.locator("h1").inner_text() == "Do the numbers come out again?"
    found = Axe().run(page).response["violations"]
    assert [(item["id"], item["nodes"][0]["html"][:200]) for item in found] == []
    page.set_viewport_size({"width": 400, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth") <= 400
    page.set_viewport_size({"width": 1000, "height": 900})
    assert trouble == []
    page.close()
