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
    return f'<h2 id="moved">Which numbers moved?</h2>{_tables("moved", verdict, verdict.moved)}'


def _every_number(verdict: Verdict) -> str:
    counts = verdict.frame["verdict"].value_counts()
    words = ", ".join(f"{count} {escape(str(word))}" for word, count in counts.items())
    said = f"<p>{counted(len(verdict.frame), 'number')}: {words}.</p>"
    return f'<h2 id="numbers">Every number</h2>{said}{_tables("all", verdict, verdict.frame)}'


def _tables(key: str, verdict: Verdict, frame: pd.DataFrame) -> str:
    """One table for each answer, so that the name of a number is short enough to stand beside its digits."""
    shown = frame.head(MOST_ROWS)
    belongs = [_part(name, verdict.parts) for name in shown["key"]]
    tables = "".join(
        _table(f"{key}_{number}", part, shown[[each == part for each in belongs]]).to_html()
        for number, part in enumerate(dict.fromkeys(belongs), start=1)
    )
    left = len(frame) - len(shown)
    return tables + (f'<p class="note">{left} more lines are in reproduction.csv.</p>' if left else "")


def _part(name: str, parts: tuple[str, ...]) -> str:
    """The longest part that a key begins with."""
    return max((part for part in parts if name.startswith(f"{part}.")), key=len, default="")


def _table(key: str, part: str, frame: pd.DataFrame) -> Table:
    explained = bool((frame["explanation"] != "").any())
    columns = [Column("Number", "left"), Column("Verdict", "left"), Column("Digits in common")]
    columns += [Column("Sealed"), Column("Recomputed"), *([Column("Release note", "left")] if explained else [])]
    rows = tuple(
        (
            str(line.key).removeprefix(f"{part}."),
            str(line.verdict),
            "" if pd.isna(line.digits_in_common) else str(line.digits_in_common),
            _full(line.sealed),
            _full(line.recomputed),
            *([str(line.explanation)] if explained else []),
        )
        for line in frame.itertuples()
    )
    none = ("none: the number could not be estimated, or is not there.",)
    notes = none if frame[["sealed", "recomputed"]].isna().to_numpy().any() else ()
    return Table(key, part, tuple(columns), rows, notes)


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
