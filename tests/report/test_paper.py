"""A whole results folder: every file is there, two runs give the same bytes, no person is in any part of it."""

from __future__ import annotations

import io
import json
import re
import zipfile
from pathlib import Path

import pytest
from paper_cases import small_trial
from PIL import Image

from studykit.report import write_report
from studykit.report.print_style import print_style
from studykit.report.writers import FORMATS

CANARIES = ("Canary", "1961-04-17", "MRN-778124", "778124")
"""A name, a birth date and a record number that are written into free words and a note of the data."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("paper") / "trial"
    small_trial(made)
    path = made / "data" / "measurements.csv"
    head, *lines = path.read_text(encoding="utf-8").splitlines()
    lines[0] += ",born 1961-04-17 MRN-778124"
    path.write_text("\n".join([f"{head},note", lines[0], *[f"{line}," for line in lines[1:]]]) + "\n", encoding="utf-8")
    write_report(made)
    return made


def contents(results: Path) -> dict[str, bytes]:
    return {path.relative_to(results).as_posix(): path.read_bytes() for path in results.rglob("*") if path.is_file()}


def test_every_part_is_written(folder: Path) -> None:
    found = contents(folder / "results")
    assert {"report.html", "results.json", "report.docx", "figures/captions.md", "text/methods.md"} <= set(found)
    for key in ("sample", "missing", "events", "dose", "participant_flow", "guideline_consort"):
        assert {f"tables/{ending}/{key}.{ending}" for ending in FORMATS} <= set(found)
    assert {f"figures/flow.{ending}" for ending in ("svg", "pdf", "png")} <= set(found)


def test_links_of_the_page_lead_to_files_that_are_there(folder: Path) -> None:
    page = (folder / "results" / "report.html").read_text(encoding="utf-8")
    links = [link for link in re.findall(r'href="([^"#]+)"', page) if not link.startswith("data:")]
    assert len(links) >= 5
    assert all((folder / "results" / link).exists() for link in links)


def test_a_second_run_gives_the_same_bytes(folder: Path) -> None:
    before = contents(folder / "results")
    write_report(folder)
    after = contents(folder / "results")
    assert set(before) == set(after)
    assert [name for name in before if before[name] != after[name]] == []


def parts_of(name: str, content: bytes) -> bytes:
    """What a file holds, archives unpacked, words of pictures added."""
    if name.endswith((".docx", ".xlsx")):
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            return b" ".join(archive.read(part) for part in archive.namelist())
    if name.endswith(".png"):
        with Image.open(io.BytesIO(content)) as image:
            return content + json.dumps({key: str(value) for key, value in image.info.items()}).encode()
    return content


def test_no_canary_is_in_any_file_for_a_paper(folder: Path) -> None:
    assert "Canary" in (folder / "data" / "events.csv").read_text(encoding="utf-8")
    found = contents(folder / "results")
    for_paper = {name: content for name, content in found.items() if "/" in name or name.startswith("report")}
    for_paper = {name: content for name, content in for_paper.items() if not name.startswith("set_aside/")}
    for name, content in for_paper.items():
        held = parts_of(name, content)
        assert not [canary for canary in CANARIES if canary.encode() in held], name


def test_no_picture_or_office_file_names_a_day_or_a_program(folder: Path) -> None:
    for name, content in contents(folder / "results").items():
        if name.startswith("figures/") and not name.endswith(".md"):
            assert not re.search(rb"Matplotlib v|CreationDate|<dc:date>|python-docx", parts_of(name, content)), name


def test_width_of_figures_and_decimal_mark_are_settings_of_a_run(folder: Path) -> None:
    write_report(folder, style=print_style(decimal_mark=",", language="de"), figure_width_mm=85.0)
    svg = (folder / "results" / "figures" / "flow.svg").read_text(encoding="utf-8")
    assert 'width="85mm"' in svg
    table = (folder / "results" / "tables" / "md" / "sample.md").read_text(encoding="utf-8")
    assert "35,5 (3,6)" in table
    assert "Alter (Jahre)" in table
