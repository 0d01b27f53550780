"""`studykit entry`: the workbook again, its dictionary, and what to do where study.toml reads another file."""

from __future__ import annotations

import shutil
from pathlib import Path

import openpyxl
import pytest

from studykit.cli import main
from studykit.commands.speaking import CALLED_WRONGLY, CLEAN, PROBLEMS
from studykit.data import check_study
from studykit.protocol import parse_protocol

KNEE = Path(__file__).parent.parent.parent / "synthetic_data" / "knee_goniometer"


@pytest.fixture
def started(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    folder = tmp_path / "study"
    assert main(["start", str(folder), "--design", "audit"]) == CLEAN
    capsys.readouterr()
    return folder


def test_an_empty_workbook_is_written_again_with_its_dictionary(
    started: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["entry", str(started)]) == CLEAN
    told = capsys.readouterr().out
    assert f"Written: {started / 'data' / 'entry.xlsx'}" in told
    assert (started / "results" / "data_dictionary.docx").is_file()
    assert (started / "results" / "data_dictionary.md").is_file()
    assert "does not read this workbook" not in told


def test_a_filled_workbook_stays(started: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = started / "data" / "entry.xlsx"
    book = openpyxl.load_workbook(path)
    book["participants"]["A4"] = "P001"
    book.save(path)
    before = path.read_bytes()
    assert main(["entry", str(started)]) == CLEAN
    told = capsys.readouterr().out
    assert path.read_bytes() == before
    assert "holds 1 row and was left as it is." in told
    assert (started / "entry_new.xlsx").is_file()


def test_a_study_with_files_of_its_own_is_told_which_lines_it_needs(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "knee"
    shutil.copytree(KNEE, folder, ignore=shutil.ignore_patterns("results"))
    assert main(["entry", str(folder)]) == CLEAN
    _, _, lines = capsys.readouterr().out.partition("Put these lines under [intake]:\n")
    text = (folder / "study.toml").read_text(encoding="utf-8") + "\n[intake]\n" + lines
    assert parse_protocol(text).intake.workbook == "entry.xlsx"
    (folder / "study.toml").write_text(text, encoding="utf-8")
    assert check_study(folder).findings.empty  # its tables still come from their own files


def test_mistakes_are_sentences(tmp_path: Path, started: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["entry", str(tmp_path / "nowhere")]) == CALLED_WRONGLY
    assert "There is no folder" in capsys.readouterr().err
    text = (started / "study.toml").read_text(encoding="utf-8")
    (started / "study.toml").write_text(text.replace('"audit"', '"odit"'), encoding="utf-8")
    assert main(["entry", str(started)]) == PROBLEMS
    assert "study.toml has" in capsys.readouterr().err
