"""The two further pages of an audit: one for the meeting of the team, one for the file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from studykit.answers import Section
from studykit.data import Checked, Study
from studykit.pictures.theme import Drawing
from studykit.report.audit_file import audit_file
from studykit.report.team_page import team_page

TEAM_PAGE, AUDIT_FILE = "team_page.html", "audit_file.html"


def write_audit_pages(
    folder: Path, checked: Checked, study: Study, sections: Sequence[Section], drawings: Mapping[str, Drawing]
) -> None:
    """Write both pages into a results folder, which exists; `drawings`: key of an answer -> its picture."""
    for name, make in ((TEAM_PAGE, team_page), (AUDIT_FILE, audit_file)):
        (folder / name).write_text(make(checked, study, sections, drawings), encoding="utf-8")
