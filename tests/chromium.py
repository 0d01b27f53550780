"""The browser of the tests: Debian's Chromium, offline, with a profile of its own."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator

import pytest
from playwright.sync_api import BrowserContext, sync_playwright

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


@pytest.fixture(scope="module")
def browser() -> Iterator[BrowserContext]:
    """One browser for the pages of a test file."""
    assert CHROMIUM is not None, "browser tests are required here, and there is no Chromium"
    with sync_playwright() as play, tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        context = play.chromium.launch_persistent_context(
            profile,
            executable_path=CHROMIUM,
            headless=True,
            args=FLAGS,
            viewport={"width": 1000, "height": 900},
            bypass_csp=True,
            offline=True,
        )
        yield context
        context.close()
