"""The page for the team and the record for the file: what stands on them, what does not, and that nothing is lost."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from audit_cases import MANY_LONG_ARMS, answers_of_audit, audit, checked_as

from studykit.answers import Section
from studykit.data.study import Study
from studykit.report.audit_file import CHAPTERS, FURTHER, TO_FILL_IN, audit_file, chapters
from studykit.report.audit_pages import AUDIT_FILE, TEAM_PAGE, write_audit_pages
from studykit.report.figures import by_key, figures_of
from studykit.report.print_style import print_style
from studykit.report.team_page import LONGEST, first_sentence, in_short, team_page

Made = tuple[Study, tuple[Section, ...]]


@pytest.fixture(scope="module")
def plain() -> Made:
    study = audit(double=0.3, shift_deg={"t2": 6.0})
    return study, answers_of_audit(study)


@pytest.fixture(scope="module")
def crowded() -> Made:
    study = audit(people=64, arms=MANY_LONG_ARMS, keep=0.9)
    return study, answers_of_audit(study)


def team(made: Made) -> str:
    study, sections = made
    return team_page(checked_as(study), study, sections, by_key(figures_of(sections)))


def words_of(page: str) -> str:
    """The page without its style and without its markup."""
    return re.sub(r"<[^>]+>", " ", re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL))


def test_the_page_for_the_team_says_what_it_should(plain: Made) -> None:
    page = team(plain)
    sentences = re.findall(r"<li>(.*?)</li>", page.split('<ul class="short">')[1].split("</ul>")[0])
    assert 4 <= len(sentences) <= 6
    assert sentences[0].startswith("180 of 180 visits that were due took place")
    assert any("The MDC of one person is" in sentence for sentence in sentences)
    assert any("95 of 100 pairs of readings by two therapists" in sentence for sentence in sentences)
    assert page.count("<figure>") == 2  # no diary, no picture of minutes
    assert "Look together at how Knee flexion lying face down is read" in page
    assert "A licensed clinician decides" in page
    assert "not what brought it about" in page


def test_no_person_and_no_therapist_is_on_the_page_for_the_team(plain: Made) -> None:
    study, page = plain[0], team(plain)
    words = words_of(page)
    for code in study.table("participants")["participant_id"]:
        assert code not in words
    assert not re.search(r"\bt[123]\b", words)
    assert "Therapist t" not in page
    assert "participants" not in first_sentence(page.split("<figcaption>")[2])


def test_participants_are_not_drawn_on_the_page_for_the_team(plain: Made) -> None:
    """The picture of change in the report has a mark for every participant; that of the page has the means alone."""
    study, sections = plain
    change = next(result for section in sections for result in section.results if result.key.startswith("change."))
    assert "Small marks: participants." in change.figure().caption  # type: ignore[union-attr]
    assert "Small marks" not in change.figure_of_means().caption  # type: ignore[attr-defined]
    marks = [line for axes in change.figure_of_means().figure.axes for line in axes.lines]  # type: ignore[attr-defined]
    assert max(len(line.get_xdata()) for line in marks) <= len(study.protocol.visits)


def test_what_is_too_long_is_pointed_at(crowded: Made) -> None:
    _, sections = crowded
    change = next(result for section in sections for result in section.results if result.key.startswith("change."))
    assert len(change.headline) > LONGEST["change."]
    said = in_short(change, LONGEST["change."], whole=True)
    assert said == f"{change.title}: too long for this page; see the audit file."
    assert said in words_of(team(crowded)).replace("&amp;", "&")


def test_a_sentence_ends_outside_quotation_marks() -> None:
    assert first_sentence("In “St. Mary. Ward” 4.1° more. Then less.") == "In “St. Mary. Ward” 4.1° more."
    assert first_sentence("No end") == "No end"


def test_the_file_holds_every_answer_once_and_every_reason(plain: Made) -> None:
    _, sections = plain
    before = [result.key for section in sections for result in section.results]
    found = chapters(sections)
    assert sorted(result.key for chapter in found for result in chapter.results) == sorted(before)
    order = [chapter.key for chapter in found]
    assert order == [key for key, _, _ in CHAPTERS if key in order] + [FURTHER[0]]
    assert [item.reason for item in found[-1].unanswered] == ["What was done? There is no diary."]


def test_the_file_has_plan_data_answers_origin_and_lines_to_fill_in(plain: Made) -> None:
    study, sections = plain
    page = audit_file(checked_as(study), study, sections, by_key(figures_of(sections)))
    headings = re.findall(r'<h2 id="([^"]+)"', page)
    assert headings[:4] == ["frame", "care", "plan", "data"]
    assert headings[4] == "part-record"
    assert headings[-1] == "origin"
    assert headings.index("part-events") < headings.index("origin")
    for words in (*TO_FILL_IN, "Months in the record", study.provenance().data_sha256):
        assert words in page
    assert page.count('id="care"') == 1
    anchors = re.findall(r'id="([^"]+)"', re.sub(r"<svg.*?</svg>", "", page, flags=re.DOTALL))
    assert len(anchors) == len(set(anchors))


def test_both_are_written(plain: Made, tmp_path: Path) -> None:
    study, sections = plain
    write_audit_pages(tmp_path, checked_as(study), study, sections, by_key(figures_of(sections)))
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([AUDIT_FILE, TEAM_PAGE])
    for path in tmp_path.iterdir():
        assert "<script" not in path.read_text(encoding="utf-8")


def test_the_tables_of_an_audit_have_german_headings(plain: Made) -> None:
    """Every title and heading is another one in German, but for words that both languages share."""
    german = print_style(language="de")
    tables = [result.table() for section in plain[1] for result in section.results if result.key.startswith("audit.")]
    assert len(tables) == 4
    same = {"Signal", "SEM, 95%\N{NO-BREAK SPACE}CI"}
    for table in tables:
        printed = german.of_table(table)
        assert printed.title != table.title
        pairs = zip(table.columns, printed.columns, strict=True)
        kept = {one.heading for one, other in pairs if other.heading.replace("KI", "CI") == one.heading}
        assert kept <= same
