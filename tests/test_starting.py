"""A new study folder: valid as it stands, complete, in plain words, and never at the cost of a file that exists."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

import pytest

from studykit.data import check_study
from studykit.entry import ENTRY_NAME, EXAMPLE, HEADING_ROW, PAGES, TABLES, entry_workbook
from studykit.errors import CallError
from studykit.notebook.copies import shipped_notebooks
from studykit.protocol import load_protocol, parse_protocol
from studykit.starting import protocol_template, start_study
from studykit.vocabulary import DESIGNS


@pytest.mark.parametrize("design", DESIGNS)
def test_a_new_study_has_its_protocol_its_tables_and_a_page_to_read(tmp_path, design):
    folder = tmp_path / "deep" / "my study"
    said: list[str] = []
    written = start_study(folder, design=design, progress=said.append)
    assert sorted(path for path in folder.rglob("*") if path.is_file()) == sorted(written)
    assert [path.relative_to(folder).as_posix() for path in written] == [
        "study.toml",
        "data/READ_ME_FIRST.txt",
        "data/entry.xlsx",
        *(f"notebooks/{path.name}" for path in shipped_notebooks()),
    ]
    assert len(said) == len(written)
    protocol = load_protocol(folder / "study.toml")
    assert protocol.study.design == design
    assert (folder / "data" / "entry.xlsx").read_bytes() == entry_workbook(protocol)


@pytest.mark.parametrize("design", DESIGNS)
def test_a_new_study_declares_its_workbook_as_it_is(design):
    intake = parse_protocol(protocol_template(design)).intake
    assert intake.workbook == ENTRY_NAME
    assert intake.workbook_heading_row == HEADING_ROW
    assert intake.ignore_rows_with == (EXAMPLE,)
    assert intake.ignore_sheets == PAGES


@pytest.mark.parametrize("design", DESIGNS)
def test_a_new_study_holds_no_row_and_nothing_unexplained(tmp_path, design):
    """The one thing that the check finds is that nothing was entered yet."""
    start_study(tmp_path / "study", design=design)
    checked = check_study(tmp_path / "study")
    assert set(checked.findings["rule"]) == {"table_missing"}
    assert sum(checked.rows_in.values()) == 0
    assert set(checked.log["before"]) == {EXAMPLE}
    assert len(checked.log) == len(TABLES[design])


def test_the_page_to_read_names_the_dangers(tmp_path):
    start_study(tmp_path, design="audit")
    page = (tmp_path / "data" / "READ_ME_FIRST.txt").read_text(encoding="utf-8")
    assert "licensed\n  clinician" in page
    assert "Write no names" in page
    assert "no diagnosis" in page
    assert max(len(line) for line in page.splitlines()) < 120


@pytest.mark.parametrize("design", DESIGNS)
def test_each_protocol_says_what_it_is_for_and_that_it_is_made_up(design):
    text = protocol_template(design)
    assert "made up" in text
    assert "no diagnosis and no treatment advice" in text
    assert "licensed clinician decides" in text.replace("\n# ", " ")
    assert max(len(line) for line in text.splitlines() if line.startswith("#")) <= 120


def test_every_template_is_packed_with_the_kit():
    root = Path(__file__).parent.parent
    project = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))
    globs = project["tool"]["setuptools"]["package-data"]["studykit"]
    packed = {path for pattern in globs for path in (root / "studykit").glob(pattern)}
    needed = [*(root / "studykit" / "templates").iterdir(), root / "studykit" / "protocol" / "measures.toml"]
    assert [path.name for path in needed if path not in packed] == []


def test_an_empty_folder_may_be_used_and_what_a_desktop_leaves_is_ignored(tmp_path):
    (tmp_path / ".DS_Store").write_bytes(b"\0")
    assert len(start_study(tmp_path, design="audit")) == 3 + len(shipped_notebooks())


def test_a_folder_that_holds_something_is_refused_untouched(tmp_path):
    (tmp_path / "study.toml").write_text("mine", encoding="utf-8")
    (tmp_path / "a_note").write_text("mine", encoding="utf-8")
    with pytest.raises(CallError, match=r"is not empty: it holds 2 things \(first: a_note\)\. Nothing was written"):
        start_study(tmp_path, design="trial")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a_note", "study.toml"]
    assert (tmp_path / "study.toml").read_text(encoding="utf-8") == "mine"


def test_a_second_start_in_the_same_folder_is_refused(tmp_path):
    first = start_study(tmp_path / "study", design="trial")
    before = {path: path.read_bytes() for path in first}
    with pytest.raises(CallError, match="is not empty"):
        start_study(tmp_path / "study", design="audit")
    assert {path: path.read_bytes() for path in first} == before


def test_a_file_an_unknown_design_and_an_impossible_name_are_refused_in_a_sentence(tmp_path):
    path = tmp_path / "file"
    path.write_text("", encoding="utf-8")
    with pytest.raises(CallError, match="is a file"):
        start_study(path, design="trial")
    with pytest.raises(CallError, match=r"cannot be (used|written to)"):
        start_study(path / "inside", design="trial")
    with pytest.raises(CallError, match=r"cannot be (used|written to)"):
        start_study(tmp_path / ("n" * 300), design="trial")
    with pytest.raises(CallError, match=r"cannot be (used|written to)"):
        start_study(tmp_path / "a\0b", design="trial")
    with pytest.raises(CallError, match=r"design is 'trail'; allowed are 'trial', 'audit', 'reliability'"):
        start_study(tmp_path / "new", design="trail")
    with pytest.raises(CallError, match="design is"):
        protocol_template("trail")
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["file"]


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="no symbolic links on this system")
def test_a_link_that_leads_nowhere_is_refused(tmp_path):
    (tmp_path / "link").symlink_to(tmp_path / "gone")
    with pytest.raises(CallError):
        start_study(tmp_path / "link", design="trial")
    assert not (tmp_path / "gone").exists()


def test_nothing_is_left_behind_when_the_disk_refuses_a_file(tmp_path):
    folder = tmp_path / "new" / "study"

    def refuse_the_third(sentence: str) -> None:
        if "entry" in sentence:
            raise OSError(28, "No space left on device")

    with pytest.raises(CallError, match="cannot be written to: no space left on device"):
        start_study(folder, design="trial", progress=refuse_the_third)
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_left_behind_when_a_person_stops_it(tmp_path):
    def stop_at_the_third(sentence: str) -> None:
        if "entry" in sentence:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        start_study(tmp_path / "study", design="trial", progress=stop_at_the_third)
    assert list(tmp_path.iterdir()) == []
