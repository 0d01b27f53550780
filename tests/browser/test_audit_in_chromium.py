"""The two pages of an audit in a real Chromium: accessible, self-contained, one sheet for the team, nothing cut off."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from audit_cases import MANY_LONG_ARMS, answers_of_audit, audit, checked_as
from chromium import needs_chromium, sound_page
from playwright.sync_api import BrowserContext

from studykit.data.study import Study
from studykit.report import write_report
from studykit.report.audit_pages import AUDIT_FILE, TEAM_PAGE, write_audit_pages
from studykit.report.figures import by_key, figures_of
from studykit.report.team_page import LONGEST
from studykit.report.writing import Written

ROOT = Path(__file__).parent.parent.parent
A4_PRINT_PX = 680
"""Width of A4 less 2 x 15 mm in CSS pixels (180 mm at 96 a inch)."""
BEYOND_THE_EDGE = """
[...document.querySelectorAll('table, figure, p, li')]
  .filter(e => e.getBoundingClientRect().right > innerWidth + 1)
  .map(e => e.textContent.slice(0, 80))
"""
PAGE_OF_PDF = re.compile(rb"/Type\s*/Page\b(?!s)")
pytestmark = needs_chromium


@pytest.fixture(scope="module")
def clinic(tmp_path_factory: pytest.TempPathFactory) -> Written:
    """The report of the made-up clinic."""
    folder = tmp_path_factory.mktemp("audit") / "clinic_audit"
    source = ROOT / "synthetic_data" / "clinic_audit"
    shutil.copytree(source, folder, ignore=shutil.ignore_patterns("results"))
    return write_report(folder)


@pytest.fixture(scope="module", params=["clinic audit", "many long pathways", "sentences as long as may be"])
def folder(request: pytest.FixtureRequest, clinic: Written, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with both pages: of the made-up clinic, and of audits with more and longer words than usual."""
    if request.param == "clinic audit":
        return clinic.page.parent
    made = tmp_path_factory.mktemp("pages")
    if request.param == "many long pathways":
        study = audit(people=64, arms=MANY_LONG_ARMS, keep=0.9, double=0.3)
        sections = answers_of_audit(study)
        write_audit_pages(made, checked_as(study), study, sections, by_key(figures_of(sections)))
        return made
    assert clinic.checked.study is not None
    study = long_winded(clinic.checked.study)
    sections = tuple(
        replace(
            section, results=tuple(replace(one, headline=as_long_as(letters_of(one.key))) for one in section.results)
        )
        for section in clinic.sections
    )
    write_audit_pages(made, clinic.checked, study, sections, by_key(figures_of(sections)))
    return made


def long_winded(study: Study) -> Study:
    """The same study with a title and a question of many words."""
    part = study.protocol.study.model_copy(update={"title": as_long_as(300), "question": as_long_as(600)})
    return replace(study, protocol=study.protocol.model_copy(update={"study": part}))


def letters_of(key: str) -> int:
    """Letters of the longest headline that still stands on the page for the team."""
    return next((letters for start, letters in LONGEST.items() if key.startswith(start)), 200)


def as_long_as(letters: int) -> str:
    """Words of this many letters together."""
    return ("Rotation improved in pathways by " * 30)[: letters - 1].rstrip() + "."


@pytest.mark.parametrize("name", [TEAM_PAGE, AUDIT_FILE])
def test_page_is_accessible_and_self_contained(browser: BrowserContext, folder: Path, name: str) -> None:
    with sound_page(browser, folder / name) as page:
        assert page.locator("main figure svg[role=img]").count() >= 2


def test_the_page_for_the_team_is_one_sheet(browser: BrowserContext, folder: Path) -> None:
    page = browser.new_page()
    page.goto((folder / TEAM_PAGE).as_uri())
    printed = page.pdf(prefer_css_page_size=True, print_background=True)
    assert len(PAGE_OF_PDF.findall(printed)) == 1
    points_elsewhere = page.locator("text=too long for this page").count()
    assert (points_elsewhere > 0) == (page.locator("text=Pathway 8").count() > 0)
    page.close()


def test_counting_pages_can_tell_more_than_one(browser: BrowserContext, folder: Path) -> None:
    page = browser.new_page()
    page.goto((folder / AUDIT_FILE).as_uri())
    assert len(PAGE_OF_PDF.findall(page.pdf(prefer_css_page_size=True))) > 5
    page.close()


@pytest.mark.parametrize("name", [TEAM_PAGE, AUDIT_FILE])
def test_nothing_is_wider_than_paper_or_a_narrow_screen(browser: BrowserContext, folder: Path, name: str) -> None:
    page = browser.new_page()
    page.goto((folder / name).as_uri())
    page.set_viewport_size({"width": 420, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    page.emulate_media(media="print")
    page.set_viewport_size({"width": A4_PRINT_PX, "height": 1000})
    assert page.evaluate(BEYOND_THE_EDGE) == []
    page.close()
