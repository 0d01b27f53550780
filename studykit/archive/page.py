"""reproduction.html: each sealed number beside the one that was computed again."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np
import pandas as pd

from studykit.archive.comparing import WHY_THIS_TOLERANCE
from studykit.archive.verdict import Verdict
from studykit.data import Study
from studykit.formatting import MINUS, counted
from studykit.report.page import SAFETY
from studykit.report.shell import page_shell
from studykit.report.tables import provenance_table
from studykit.table import Column, Table

MOST_ROWS = 2000
"""Lines shown on the page; reproduction.csv holds them all."""


def reproduction_page(verdict: Verdict, study: Study) -> str:
    """The whole page as HTML."""
    title = f"Do the numbers come out again? {study.protocol.study.title}"
    body = "".join(
        [
            _top(study),
            '<main id="main">',
            f'<p class="headline">{escape(verdict.headline)}</p>',
            _versions(verdict),
            _problems(verdict),
            _moved(verdict),
            _every_number(verdict),
            _how(),
            _origin(study),
            _safety(),
            "</main>",
            f"<footer><p>Recomputed by studykit {escape(verdict.installed)} from the protocol and the tables in "
            f"{escape(verdict.name)}. Nothing in the file was executed. All lines: <code>reproduction.csv</code>; "
            "the study as a folder: <code>study/</code>.</p></footer>",
        ]
    )
    return page_shell(title, body)


def _top(study: Study) -> str:
    part = study.protocol.study
    invented = '<p class="notice"><strong>Made-up data.</strong> These people do not exist.</p>' if part.made_up else ""
    return (
        f'<header class="top"><p class="kind">A sealed study, computed again</p><h1>Do the numbers come out again?</h1>'
        f'<p class="question">{escape(part.title)}</p>{invented}</header>'
    )


def _versions(verdict: Verdict) -> str:
    return f'<p class="notice">{escape(verdict.about_versions)}</p>' if verdict.about_versions else ""


def _problems(verdict: Verdict) -> str:
    if not verdict.problems:
        return ""
    return _care("problems", "What is wrong with the seal", verdict.problems)


def _moved(verdict: Verdict) -> str:
    if verdict.moved.empty:
        return ""
    table = _table("moved", "Numbers that do not agree", verdict.moved).to_html()
    return f'<h2 id="moved">Which numbers moved?</h2>{table}'


def _every_number(verdict: Verdict) -> str:
    counts = verdict.frame["verdict"].value_counts()
    words = ", ".join(f"{count} {escape(str(word))}" for word, count in counts.items())
    table = _table("every_number", "Every number", verdict.frame).to_html()
    return f'<h2 id="numbers">Every number</h2><p>{counted(len(verdict.frame), "number")}: {words}.</p>{table}'


def _table(key: str, title: str, frame: pd.DataFrame) -> Table:
    explained = bool((frame["explanation"] != "").any())
    columns = [Column("Number", "left"), Column("Sealed"), Column("Recomputed"), Column("Digits in common")]
    columns += [Column("Verdict", "left"), *([Column("Release note", "left")] if explained else [])]
    shown = frame.head(MOST_ROWS)
    rows = tuple(
        (
            str(line.key),
            _full(line.sealed),
            _full(line.recomputed),
            "" if pd.isna(line.digits_in_common) else str(line.digits_in_common),
            str(line.verdict),
            *([str(line.explanation)] if explained else []),
        )
        for line in shown.itertuples()
    )
    notes = ["Full precision; a number that could not be estimated is shown as none."]
    if len(frame) > len(shown):
        notes.append(f"{len(frame) - len(shown)} more lines are in reproduction.csv.")
    return Table(key, title, tuple(columns), rows, tuple(notes))


def _full(value: float) -> str:
    """All digits of a number: this page compares digits, so nothing is rounded."""
    return "none" if np.isnan(value) else repr(float(value)).removesuffix(".0").replace("-", MINUS)


def _how() -> str:
    return f'<h2 id="how">When do two numbers agree?</h2><p>{escape(WHY_THIS_TOLERANCE)}</p>'


def _origin(study: Study) -> str:
    return f'<h2 id="origin">What was it computed with?</h2>{provenance_table(study.provenance()).to_html()}'


def _safety() -> str:
    return _care("care", "Before you act on this", SAFETY)


def _care(anchor: str, title: str, sentences: Sequence[str]) -> str:
    lines = "".join(f"<li>{escape(sentence)}</li>" for sentence in sentences)
    heading = f'<h2 id="{anchor}">{escape(title)}</h2>'
    return f'<section class="care" aria-labelledby="{anchor}">{heading}<ul>{lines}</ul></section>'
