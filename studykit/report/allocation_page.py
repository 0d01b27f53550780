"""allocation_balance.html: how balanced an allocation list is, without an entry of it."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path
from typing import Final

from studykit.errors import CallError
from studykit.protocol import Protocol
from studykit.report.plan_page import STYLE
from studykit.report.shell import page_shell
from studykit.report.tables import provenance_table
from studykit.result import Result
from studykit.table import Table

PAGE: Final = "allocation_balance.html"


def refuse_to_overwrite(folder: Path) -> None:
    """Refuse a folder that is none, or that holds such a page already.

    Raises:
        CallError: it is no folder, or the page is there.
    """
    if folder.exists() and not folder.is_dir():
        raise CallError(f"{folder} is no folder; name one for {PAGE}.")
    if (folder / PAGE).exists():
        raise CallError(f"{folder / PAGE} is there already; nothing was written.")


def write_allocation_balance(
    folder: Path, protocol: Protocol, answer: Result, more: Sequence[Table], sha256: str
) -> Path:
    """Write the page into a folder, which is made when it is not there.

    Args:
        folder: where to.
        protocol: whose list it is.
        answer: the balance; more: tables that stand below it.
        sha256: the hash that was committed to.

    Raises:
        CallError: such a page is there already.
    """
    refuse_to_overwrite(folder)
    folder.mkdir(parents=True, exist_ok=True)
    part = protocol.study
    body = "".join(
        [
            '<header class="top"><p class="kind">Balance of an allocation list</p>',
            f'<h1>{escape(part.title)}</h1><p class="question">{escape(part.question)}</p>',
            '<p class="notice"><strong>For those who may know the numbers of each arm.</strong> This page holds no '
            "entry of the list and no seed: it tells nobody who is in which arm.</p></header>",
            '<main id="main"><h2 id="balance">How balanced is it?</h2>',
            answer.to_html(heading="h3"),
            *[f'<section id="{table.key.replace("_", "-")}">{table.to_html()}</section>' for table in more],
            '<h2 id="origin">Which list?</h2>',
            "<p>The list was checked against its commitment, and follows from its seed. SHA-256 that was committed to: "
            f"<code>{escape(sha256)}</code>.</p>",
            provenance_table(answer.provenance).to_html(),
            "</main><footer><p>Made with studykit from the protocol and the sealed list.</p></footer>",
        ]
    )
    page = page_shell(f"Balance: {part.title}", body, more_style=STYLE)
    (folder / PAGE).write_text(page, encoding="utf-8", newline="\n")
    return folder / PAGE
