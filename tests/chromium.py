"""The browser of the tests: Debian's Chromium, offline, with a profile of its own."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import BrowserContext, Page, sync_playwright

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

BROKEN_ANCHORS = """() => {
  const all = [...document.querySelectorAll('[id]')].map(e => e.id);
  const twice = all.filter((id, at) => all.indexOf(id) !== at);
  const named = [...document.querySelectorAll('a[href^="#"]')].map(e => e.getAttribute('href').slice(1));
  const said = [...document.querySelectorAll('[aria-labelledby], [aria-describedby]')].flatMap(
    e => `${e.getAttribute('aria-labelledby') || ''} ${e.getAttribute('aria-describedby') || ''}`.trim().split(/\\s+/));
  return {count: all.length, twice, lost: [...named, ...said].filter(id => id && !all.includes(id))};
}"""
"""How many names of places a page has, which of them stand twice, and which are pointed at and are nowhere."""

needs_chromium = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None and not REQUIRED, reason="no Chromium on this machine"),
]


@contextmanager
def browser_window(width: int, height: int, *, offline: bool) -> Iterator[BrowserContext]:
    """A browser with a profile of its own."""
    assert CHROMIUM is not None, "browser tests are required here, and there is no Chromium"
    with sync_playwright() as play, tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        context = play.chromium.launch_persistent_context(
            profile,
            executable_path=CHROMIUM,
            headless=True,
            args=FLAGS,
            viewport={"width": width, "height": height},
            bypass_csp=True,
            offline=offline,
        )
        yield context
        context.close()


@pytest.fixture(scope="module")
def browser() -> Iterator[BrowserContext]:
    """One browser for the pages of a test file."""
    with browser_window(1000, 900, offline=True) as context:
        yield context


@contextmanager
def sound_page(browser: BrowserContext, file: Path, *, more_places_than: int = 10) -> Iterator[Page]:
    """A page of the kit, open: it asks for nothing but itself, runs no script, points nowhere and shuts nobody out."""
    page = browser.new_page()
    trouble: list[str] = []
    asked_for: list[str] = []
    page.on("pageerror", lambda error: trouble.append(str(error)))
    page.on("console", lambda message: trouble.append(message.text) if message.type == "error" else None)
    page.on("request", lambda request: asked_for.append(request.url))
    page.goto(file.as_uri())
    page.wait_for_load_state("load")
    assert asked_for == [file.as_uri()]
    assert page.locator("script").count() == 0
    places = page.evaluate(BROKEN_ANCHORS)
    assert places["count"] > more_places_than
    assert (places["twice"], places["lost"]) == ([], [])
    found = Axe().run(page).response["violations"]
    assert [(item["id"], item["nodes"][0]["html"][:200]) for item in found] == []
    assert trouble == []
    yield page
    page.close()
