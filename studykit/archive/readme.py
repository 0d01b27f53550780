"""README.txt inside a seal: for somebody who has the file and nothing else."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import Any

from studykit.archive.crate import ABOUT, TERMS
from studykit.archive.names import CRATE, TABLES
from studykit.data.sharing.shareable import STUDY_DAYS
from studykit.data.study import Study
from studykit.formatting import counted
from studykit.report.page import SAFETY

_WIDTH = 92


def readme_of(
    study: Study, sealing: Mapping[str, Any], environment: Mapping[str, Any], tables: Mapping[str, bytes]
) -> str:
    """The page as plain text."""
    part = study.protocol.study
    blocks = [
        part.title,
        part.question,
        "Made-up data: the people in these tables do not exist." if part.made_up else "",
        f"Source of the data: {part.source}" if part.source else "",
        "WHAT THIS IS\n",
        "One study, sealed: its protocol, its checked tables and every number that was computed from them. "
        f"The numbers were made with studykit {environment['studykit']} under Python {environment['python']}. "
        "There is no program inside, and none is needed to read it: all parts are plain text.",
        "TO GET THE NUMBERS YOURSELF\n",
        "Install studykit, keep the .zip as it came, and run:   studykit reproduce FILE.zip",
        "It checks that no part was changed, computes every number again from the protocol and the tables, and shows "
        "each beside the sealed one. It also unpacks the study into a folder that you can work with.",
        "THE PARTS\n",
        _parts(tables, study),
        "The tables are described column by column in datapackage.json. Every table is UTF-8 text with commas; an "
        "empty cell means: not recorded.",
        "WHAT WAS DONE TO THE DATA BEFORE SEALING\n",
        _done(sealing),
        "CARE\n",
        "\n".join(f"- {sentence}" for sentence in SAFETY),
        "WHAT A SEAL SHOWS AND WHAT IT DOES NOT\n",
        "The sums of all parts (manifest-sha256.txt, one folder up) show a change made by accident or carelessness, "
        "and the numbers can be computed again by anybody. It bears no signature: somebody who sets out to deceive can "
        "make a new seal. Compare its SHA-256 with the one that the authors publish.",
        TERMS,
    ]
    return "\n\n".join(_wrapped(block) for block in blocks if block) + "\n"


def _parts(tables: Mapping[str, bytes], study: Study) -> str:
    named = {name: about for name, (about, _) in ABOUT.items()} | {CRATE: "The same parts described for machines"}
    rows = {path: counted(len(study.tables[TABLES[path]]), "row") for path in tables}
    lines = {**{path: f"Table of {count}" for path, count in rows.items()}, **named}
    return "\n".join(f"- {name}: {about}" for name, about in sorted(lines.items()))


def _done(sealing: Mapping[str, Any]) -> str:
    before = sealing["before_sealing"]["rows_set_aside"]
    aside = sum(before.values())
    lines = [
        f"- Rows that broke a rule of the check were left out: {aside}.",
        "- Dates are study days, counted from the enrolment of each person (columns that end in _day)."
        if sealing["dates"] == STUDY_DAYS
        else "- Dates are days of the calendar.",
        "- Codes of participants and raters are keyed pseudonyms; the key is not in here. Rows stand in their order."
        if sealing["pseudonyms"]
        else "- Codes of participants and raters are those of the study.",
    ]
    if sealing["left_out"]:
        lines.append(f"- Left out: {', '.join(sealing['left_out'])}.")
    lines += [f"- {column} is the middle of a band {width:g} wide." for column, width in sealing["bands"].items()]
    if sealing["looked_at"]:
        lines.append(f"- Read by a person and found free of identifiers: {', '.join(sealing['looked_at'])}.")
    lines.append(
        f"- No group of fewer than {sealing['smallest_group']} participants stands out by what is known of people."
    )
    return "\n".join(lines)


def _wrapped(block: str) -> str:
    lines = [
        textwrap.fill(line, _WIDTH, subsequent_indent="  " if line.startswith("- ") else "", break_long_words=False)
        for line in block.rstrip("\n").split("\n")
    ]
    return "\n".join(lines)
