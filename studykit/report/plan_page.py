"""results/plan.html and results/plan/: what follows from the plan of a study, before anybody is measured."""

from __future__ import annotations

import hashlib
import json
import math
import shutil
from collections.abc import Sequence
from html import escape
from pathlib import Path
from typing import Any, Final

from studykit.answers import Section
from studykit.pictures.theme import PAGE_WIDTH_MM
from studykit.protocol import Protocol, protocol_sha256
from studykit.provenance import Provenance, installed_versions
from studykit.report.figures import figures_of, write_figures
from studykit.report.page import DESIGN_WORDS, SAFETY
from studykit.report.shell import page_shell
from studykit.report.supposed import supposed_table
from studykit.report.swapping import new_folder_for
from studykit.report.tables import plan_tables, provenance_table
from studykit.report.writers import write_tables
from studykit.result import Result

FORMAT: Final = "studykit-plan/1"
PAGE: Final = "plan.html"
FOLDER: Final = "plan"
JSON: Final = "plan.json"
STYLE: Final = "plan_page.css"
SIMULATED: Final = "simulated.jsonl"
"""Finished simulations, kept from one run to the next."""


def write_plan(results: Path, protocol: Protocol, sections: Sequence[Section]) -> Path:
    """Write plan.html, and plan/ with plan.json, tables/ and figures/, into a results folder.

    Args:
        results: the results folder; made when it is not there.
        protocol: whose plan it is.
        sections: the answers.

    Returns:
        the page.
    """
    results.mkdir(exist_ok=True)
    answers = [result for section in sections for result in section.results]
    text = json.dumps(_document(protocol, sections), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    sha256 = hashlib.sha256(text.encode()).hexdigest()
    target = results / FOLDER
    with new_folder_for(target) as fresh:
        if (target / SIMULATED).is_file():
            shutil.copyfile(target / SIMULATED, fresh / SIMULATED)
        (fresh / JSON).write_text(text, encoding="utf-8", newline="\n")
        write_tables([result.table() for result in answers], fresh / "tables")
        write_figures(figures_of(sections, width_mm=PAGE_WIDTH_MM), fresh / "figures")
        (fresh / PAGE).write_text(_page(protocol, sections, sha256), encoding="utf-8", newline="\n")
    (target / PAGE).replace(results / PAGE)
    return results / PAGE


def plan_sha256(results: Path) -> str | None:
    """SHA-256 of the plan that a results folder holds, or None."""
    path = results / FOLDER / JSON
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else None


def keep_plan(old: Path, fresh: Path) -> None:
    """Take the plan of an old results folder over into a new one, so that a report does not throw it away."""
    if (old / PAGE).is_file() and (old / FOLDER).is_dir():
        shutil.copyfile(old / PAGE, fresh / PAGE)
        shutil.copytree(old / FOLDER, fresh / FOLDER)


def with_plan(document: dict[str, Any], results: Path) -> dict[str, Any]:
    """A results document whose provenance names the plan of the results folder, where there is one."""
    sha256 = plan_sha256(results)
    if sha256 is None:
        return document
    return {**document, "provenance": {**document["provenance"], "plan_sha256": sha256}}


def _document(protocol: Protocol, sections: Sequence[Section]) -> dict[str, Any]:
    """Every number of the plan; nothing in it depends on the day or on how many workers there were."""
    return {
        "format": FORMAT,
        "title": protocol.study.title,
        "protocol_sha256": protocol_sha256(protocol),
        "answers": {
            result.key: {
                "headline": result.headline,
                "numbers": {name: value if math.isfinite(value) else None for name, value in result.numbers().items()},
                "methods": result.methods,
                "seed": result.provenance.seed,
            }
            for section in sections
            for result in section.results
        },
        "unanswered": {item.key: item.reason for section in sections for item in section.unanswered},
    }


def _page(protocol: Protocol, sections: Sequence[Section], sha256: str) -> str:
    part = protocol.study
    short = "".join(
        f'<li>{escape(section.results[0].headline)} <a href="#{section.key}">{escape(section.title)}</a></li>'
        for section in sections
        if section.results
    )
    care = "".join(f"<li>{escape(sentence)}</li>" for sentence in SAFETY[:3])
    seeds = (result.provenance.seed for section in sections for result in section.results)
    seed = next((seed for seed in seeds if seed is not None), None)
    origin = Provenance("", protocol_sha256(protocol), installed_versions(), seed)
    tables = "".join(table.to_html() for table in (supposed_table(protocol), *plan_tables(protocol)))
    body = "".join(
        [
            f'<header class="top"><p class="kind">Plan of a {DESIGN_WORDS[part.design].lower()}</p>',
            f'<h1>{escape(part.title)}</h1><p class="question">{escape(part.question)}</p>',
            '<p class="notice"><strong>Before anybody is measured.</strong> Every number on this page follows from '
            "what is supposed below. It says what a study could find, and nothing about any treatment.</p></header>",
            f'<main id="main"><h2 id="short">In short</h2><ul class="short">{short}</ul>',
            '<section class="care" aria-labelledby="care"><h2 id="care">Before you act on this</h2>'
            f"<ul>{care}</ul></section>",
            *[_section(section) for section in sections],
            f'<h2 id="supposed">What was supposed?</h2>{tables}',
            '<h2 id="origin">Where do the numbers come from?</h2>',
            f"<p>SHA-256 of the plan, <code>{FOLDER}/{JSON}</code>: <code>{sha256}</code>. The results.json of a later "
            "report names it, so that anybody can see which plan came before the data.</p>",
            provenance_table(origin).to_html(),
            "</main><footer><p>Made with studykit from the protocol. Tables, figures and every number at full "
            f"precision: <code>{FOLDER}/</code>.</p></footer>",
        ]
    )
    return page_shell(f"Plan: {part.title}", body, more_style=STYLE)


def _section(section: Section) -> str:
    results = "".join(_result(result) for result in section.results)
    refused = "".join(f'<p class="unanswered">{escape(item.reason)}</p>' for item in section.unanswered)
    return f'<h2 id="{section.key}">{escape(section.title)}</h2>{results}{refused}'


def _result(result: Result) -> str:
    return f'<section id="{result.key.replace(".", "-")}"><h3>{escape(result.title)}</h3>{result.to_html()}</section>'
