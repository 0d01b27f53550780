"""report.html: one self-contained page that needs no network and no script."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from types import MappingProxyType
from typing import Final

from studykit.answers import Section
from studykit.data import Checked, Study
from studykit.formatting import counted, level
from studykit.pictures.theme import Drawing
from studykit.report.shell import page_shell
from studykit.report.tables import findings_table, plan_tables, provenance_table, rows_table
from studykit.result import Result

NOTHING_DRAWN: Final[Mapping[str, Drawing]] = MappingProxyType({})
DESIGN_WORDS = {"trial": "Trial", "audit": "Clinic audit", "reliability": "Reliability study"}
SAFETY = (
    "This is information for research and audit. It is no diagnosis and no treatment advice.",
    "Stretching and loading can hurt. A licensed clinician decides what is right for a person; "
    "local rules and licensed practice come first.",
    "Follow your local rules on ethics approval, consent and health data.",
    "A change in angle is not proof of a longer muscle: tolerance to stretch changes it too.",
)


def report_page(
    checked: Checked, study: Study, sections: Sequence[Section], *, drawings: Mapping[str, Drawing] = NOTHING_DRAWN
) -> str:
    """The whole report as HTML.

    Args:
        checked: the outcome of the check, for the rows used and set aside.
        study: the checked study that the answers are about.
        sections: all answers, in order.
        drawings: key of an answer -> its picture; what is missing is drawn.
    """
    study_part = study.protocol.study
    body = "".join(
        [
            top_part(study),
            '<main id="main">',
            _in_short(sections),
            care_part(),
            data_part(checked, study),
            *[section_part(section, drawings) for section in sections],
            plan_part(study),
            origin_part(study),
            _files(study_part.design),
            "</main>",
            "<footer><p>Made with studykit from the protocol and the data named above. Numbers at full precision: "
            "<code>results.json</code>.</p></footer>",
        ]
    )
    return page_shell(study_part.title, body)


def top_part(study: Study, kind: str = "") -> str:
    """What kind of page, title, question; made-up data and the source of published ones are named."""
    part = study.protocol.study
    invented = (
        '<p class="notice"><strong>Made-up data.</strong> These people do not exist; the numbers show what a report '
        "looks like and say nothing about any treatment.</p>"
        if part.made_up
        else ""
    )
    source = f'<p class="notice"><strong>Source of the data.</strong> {escape(part.source)}</p>' if part.source else ""
    return (
        f'<header class="top"><p class="kind">{kind or DESIGN_WORDS[part.design]}</p><h1>{escape(part.title)}</h1>'
        f'<p class="question">{escape(part.question)}</p>{invented}{source}</header>'
    )


def _in_short(sections: Sequence[Section]) -> str:
    """The first answer of each part, and how to get to the rest of it."""
    lines = "".join(
        f'<li>{escape(section.results[0].headline)} <a href="#{_anchor(section.key)}">{escape(section.title)}</a></li>'
        for section in sections
        if section.results
    )
    return f'<h2 id="short">In short</h2><ul class="short">{lines}</ul>'


def care_part() -> str:
    """What everybody should know who acts on a page."""
    lines = "".join(f"<li>{escape(sentence)}</li>" for sentence in SAFETY)
    heading = '<h2 id="care">Before you act on this</h2>'
    return f'<section class="care" aria-labelledby="care">{heading}<ul>{lines}</ul></section>'


def data_part(checked: Checked, study: Study) -> str:
    """Rows used and set aside, and what the check found."""
    aside = sum(checked.rows_set_aside.values())
    used = sum(checked.rows_used.values())
    sentence = f"{counted(used, 'row')} used, {counted(aside, 'row')} set aside"
    where = (
        " with the reason beside each, in <code>set_aside/</code>; every finding stands in <code>findings.csv</code>."
        if aside
        else "."
    )
    findings = findings_table(study.findings)
    listed = findings.to_html() if findings is not None else "<p>The check found nothing to report.</p>"
    return f'<h2 id="data">Which data were used?</h2><p>{sentence}{where}</p>{rows_table(checked).to_html()}{listed}'


def section_part(section: Section, drawings: Mapping[str, Drawing]) -> str:
    """Every answer of a section, and why others could not be given."""
    results = "".join(
        _result(result, drawings.get(result.key), alone=len(section.results) == 1) for result in section.results
    )
    refused = "".join(f'<p class="unanswered">{escape(item.reason)}</p>' for item in section.unanswered)
    return f'<h2 id="{_anchor(section.key)}">{escape(section.title)}</h2>{results}{refused}'


def _result(result: Result, drawing: Drawing | None, *, alone: bool) -> str:
    same = "" if alone and not result.title else f"<h3>{escape(result.title)}</h3>"
    return f'<section id="answer-{_anchor(result.key)}">{same}{result.to_html(drawing)}</section>'


def plan_part(study: Study) -> str:
    """What the protocol decided."""
    tables = "".join(table.to_html() for table in plan_tables(study.protocol))
    chosen = f"Intervals are {escape(level(study.protocol.study.confidence))}s."
    decided = f"<p>Decided in the protocol, before the data were seen. {chosen}</p>"
    return f'<h2 id="plan">What was planned?</h2>{decided}{tables}'


def origin_part(study: Study) -> str:
    """Hashes and versions behind the numbers."""
    return f'<h2 id="origin">Where do the numbers come from?</h2>{provenance_table(study.provenance()).to_html()}'


def _files(design: str) -> str:
    """What lies beside the page, for print."""
    of_audit = (
        ("team_page.html", "one page for the meeting of the team, to print"),
        ("audit_file.html", "the whole record of the audit, for the file"),
    )
    files = (
        *(of_audit if design == "audit" else ()),
        ("report.docx", "this report for Word, with the reporting items of the guidelines"),
        ("data_dictionary.docx", "what every column of the data means, also as data_dictionary.md"),
        ("figures/captions.md", "every picture as .svg, .pdf and .png, with caption and description"),
        ("tables/", "every table as .docx, .tex, .html, .md, .csv and .xlsx"),
        ("text/methods.md", "a methods paragraph"),
        ("text/results.md", "results sentences, each number from results.json (text/results_numbers.csv)"),
    )
    lines = "".join(f'<li><a href="{name}">{name}</a>: {escape(words)}.</li>' for name, words in files)
    return f'<h2 id="files">For a paper</h2><ul>{lines}</ul>'


def _anchor(key: str) -> str:
    return key.replace(".", "-").replace("_", "-")
