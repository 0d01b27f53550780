"""audit_file.html: everything about an audit in the order in which a file is read, with lines to sign."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

from studykit.answers import Section
from studykit.data import Checked, Study
from studykit.formatting import listed
from studykit.pictures.theme import Drawing
from studykit.report.page import care_part, data_part, origin_part, plan_part, section_part, top_part
from studykit.report.shell import page_shell
from studykit.result import Result
from studykit.table import Column, Table
from studykit.vocabulary import MEASUREMENTS

KIND: Final = "Clinic audit: record for the file"
CHAPTERS: Final[tuple[tuple[str, str, tuple[str, ...]], ...]] = (
    ("part_record", "How well was the record kept?", ("audit.completeness", "audit.timeliness")),
    ("part_people", "Who took part, and what is missing?", ("flow", "sample", "missing")),
    ("part_change", "How much changed?", ("change.",)),
    (
        "part_share",
        "How many changed by more than error?",
        ("responders.", "single_people.", "regression_to_the_mean."),
    ),
    ("part_dose", "What was prescribed, and what was done?", ("adherence", "dose")),
    ("part_agreement", "How well do two readings agree?", ("audit.double_readings", "reliability.")),
    ("part_charts", "Does a therapist read unlike the others?", ("audit.chart.", "rater_drift.", "digits.")),
    ("part_events", "What went wrong?", ("events",)),
)
"""Anchor, question, and the starts of the keys of its answers, in the order of the file."""
FURTHER: Final = ("part_further", "What else was computed?")
TO_FILL_IN: Final = (
    "Period covered",
    "Lead of the audit",
    "Standard it is held against",
    "What was decided",
    "Date of the next audit",
    "Name, date, signature",
)


def audit_file(checked: Checked, study: Study, sections: Sequence[Section], drawings: Mapping[str, Drawing]) -> str:
    """The record as HTML: plan, data, answers in the order of a file, events, provenance.

    Args:
        checked: the outcome of the check.
        study: the checked study, an audit.
        sections: all answers; every one of them stands in the file, and every reason why one could not be given.
        drawings: key of an answer -> its picture.
    """
    body = "".join(
        [
            top_part(study, KIND),
            '<main id="main">',
            _to_sign(study, sections),
            care_part(),
            plan_part(study),
            data_part(checked, study),
            *[section_part(chapter, drawings) for chapter in chapters(sections)],
            origin_part(study),
            "</main>",
            "<footer><p>Made with studykit from the protocol and the data named above. Numbers at full precision: "
            "<code>results.json</code>; the page for the team: <code>team_page.html</code>.</p></footer>",
        ]
    )
    return page_shell(f"{study.protocol.study.title}: record for the file", body, more_style="audit_file.css")


def chapters(sections: Sequence[Section]) -> list[Section]:
    """All answers again, in the order of `CHAPTERS`; what fits nowhere stands at the end, and nothing is lost."""
    left: list[Result] = [result for section in sections for result in section.results]
    found = []
    for key, title, starts in CHAPTERS:
        own = [result for start in starts for result in left if _begins(result.key, start)]
        taken = {result.key for result in own}
        left = [result for result in left if result.key not in taken]
        if own:
            found.append(Section(key, title, tuple(own), ()))
    refused = tuple(
        replace(item, reason=f"{item.title} {item.reason}") for section in sections for item in section.unanswered
    )
    if left or refused:
        found.append(Section(*FURTHER, tuple(left), refused))
    return found


def _begins(key: str, start: str) -> bool:
    return key.startswith(start) if start.endswith(".") else key == start


def _to_sign(study: Study, sections: Sequence[Section]) -> str:
    """What the machine knows of the frame of the audit, and lines for what people add by hand."""
    months = [
        str(row.label)
        for section in sections
        for result in section.results
        if result.key == "audit.completeness"
        for row in result.to_frame().query("by == 'month'").drop_duplicates("group").itertuples()
    ]
    raters = study.table(MEASUREMENTS)["rater_id"].nunique()
    known = {
        "Months in the record": listed(months, most=len(months)) if months else "not known",
        "Therapists with readings": str(raters),
        "Smallest group shown": f"{study.protocol.privacy.smallest_group} people",
    }
    rows = tuple((word, value) for word, value in known.items()) + tuple((word, "") for word in TO_FILL_IN)
    note = "Rows without an entry are filled in by hand."
    table = Table(
        "audit_frame", "The frame of the audit", (Column("What", "left"), Column("Entry", "left")), rows, (note,)
    )
    return f'<h2 id="frame">What is this record of?</h2>{table.to_html()}'
