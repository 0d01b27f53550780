"""The page of an allocation's balance in a real Chromium, offline: accessible, self-contained, fits a narrow screen."""

from __future__ import annotations

from pathlib import Path

import pytest
from chromium import needs_chromium, sound_page
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
    with sound_page(browser, page_file, more_places_than=3) as page:
        assert page.locator("main table").count() == 4
        page.set_viewport_size({"width": 420, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
