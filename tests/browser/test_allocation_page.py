"""The page of an allocation's balance in a real Chromium, offline: accessible, self-contained, fits a narrow screen."""

from __future__ import annotations

from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from chromium import needs_chromium
from playwright.sync_api import BrowserContext

from studykit.planning.allocation import allocation_list, allocation_rules
from studykit.planning.balance import allocation_balance
from studykit.report.allocation_page import write_allocation_balance
from tests.planning.planned_studies import planned_protocol

pytestmark = needs_chromium
STRATA = '[planning.allocation]\nentries = 30\nstrata = { site = ["north", "south"], sex = ["female", "male"] }\n'


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    protocol = planned_protocol(arms=4, participants=120, tables=STRATA)
    rules = allocation_rules(protocol)
    balance = allocation_balance(protocol, rules, 3, allocation_list(rules, 3))
    tables = (balance.along_table(), balance.guessing_table())
    return write_allocation_balance(tmp_path_factory.mktemp("balance"), protocol, balance, tables, "0" * 64)


def test_page_is_accessible_and_self_contained(browser: BrowserContext, page_file: Path) -> None:
    page = browser.new_page()
    asked_for: list[str] = []
    page.on("request", lambda request: asked_for.append(request.url))
    page.goto(page_file.as_uri())
    page.wait_for_load_state("load")
    assert asked_for == [page_file.as_uri()]
    assert page.locator("script").count() == 0
    assert page.locator("main table").count() == 4
    found = Axe().run(page).response["violations"]
    assert [(item["id"], item["nodes"][0]["html"][:200]) for item in found] == []
    page.set_viewport_size({"width": 420, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    page.close()
