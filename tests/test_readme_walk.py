"""The first quarter of an hour, as README tells it: its commands are run, its tables typed, its outputs compared."""

from __future__ import annotations

import datetime
import os
import re
import subprocess
import sys
from pathlib import Path

import openpyxl
import pytest
from readme_parts import README

from studykit.entry import HEADING_ROW
from studykit.vocabulary import COLUMNS

FIRST_ROW = HEADING_ROW + 2
PART = re.compile(
    r"^```bash\n(?P<command>.*?)^```$|^```text\n(?P<output>.*?)^```$|^(?P<table>(?:\|[^\n]*\|\n)+)",
    re.MULTILINE | re.DOTALL,
)


def section() -> str:
    text = README.read_text(encoding="utf-8")
    return text.partition("## The first quarter of an hour\n")[2].partition("\n## ")[0]


def lines_of(table: str) -> tuple[list[str], list[list[str]]]:
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in table.strip().splitlines()]
    return rows[0], rows[2:]


def as_pasted(text: str) -> object:
    """What a spreadsheet program makes of a pasted word: a date or a number where it is one."""
    try:
        return datetime.datetime.strptime(text, "%Y-%m-%d")
    except ValueError:
        return float(text) if re.fullmatch(r"\d+", text) else text


def write_cells(workbook: Path, headings: list[str], rows: list[list[str]]) -> None:
    """Type a table of README: a mending table says row, column and word; any other is filled in below the example."""
    book = openpyxl.load_workbook(workbook)
    name = "participants" if headings == ["participant_id", "enrolled_on"] else "measurements"
    places = {cell.value: cell.column for cell in book[name][HEADING_ROW]}
    for at, row in enumerate(rows):
        line, pairs = FIRST_ROW + at, list(zip(headings, row, strict=True))
        if headings == ["row", "column", "write"]:
            line, pairs = int(row[0]), [(row[1], row[2])]
        for column, text in pairs:
            if text:
                book[name].cell(line, places[column]).value = as_pasted(text)
    book.save(workbook)


def run(command: str, folder: Path) -> str:
    path = os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])
    environment = {**os.environ, "PATH": path, "PYTHONIOENCODING": "utf-8"}
    done = subprocess.run(
        ["bash", "-uo", "pipefail", "-c", command],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    assert "Traceback" not in done.stderr
    assert done.returncode in (0, 1), done.stderr
    return done.stdout


@pytest.mark.skipif(os.name == "nt", reason="README's commands are for bash")
def test_the_first_quarter_of_an_hour(tmp_path: Path) -> None:
    workbook, said, seen = tmp_path / "my_clinic" / "data" / "entry.xlsx", "", []
    for part in PART.finditer(section()):
        kind = str(part.lastgroup)
        seen.append(kind)
        if kind == "command":
            said = run(part["command"], tmp_path)
            plan = tmp_path / "my_clinic" / "study.toml"
            if "start" in part["command"]:
                assert "write `trials_per_visit = 1` in it, twice" in section().replace("\n", " ")
                text = plan.read_text(encoding="utf-8")
                assert text.count("trials_per_visit = 3") == 2
                plan.write_text(text.replace("trials_per_visit = 3", "trials_per_visit = 1"), encoding="utf-8")
        elif kind == "output":
            assert said == part["output"]
        else:
            write_cells(workbook, *lines_of(part["table"]))
    assert seen == ["command", "table", "table", "command", "output", "table", "command", "output", "command"]
    results = tmp_path / "my_clinic" / "results"
    assert "changed by 9.0°" in section().replace("\n", " ")
    assert "by 9.0° (95%" in (results / "report.html").read_text(encoding="utf-8").replace("\N{NO-BREAK SPACE}", " ")
    page = (results / "notebooks" / "4_change_and_dose.html").read_text(encoding="utf-8")
    assert "In order: every cell down to here was run once" in page


def test_the_table_to_type_holds_ten_readings_and_three_mistakes() -> None:
    tables = [lines_of(part["table"]) for part in PART.finditer(section()) if part.lastgroup == "table"]
    people, readings, mended = tables
    assert len(people[1]) == 5
    assert len(readings[1]) == 10
    assert readings[0] == list(COLUMNS["measurements"])[: len(readings[0])]  # so that it can be pasted in one piece
    assert len(mended[1]) == 3
