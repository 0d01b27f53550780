"""The commands as a person calls them: exit codes, sentences, never a traceback."""

from __future__ import annotations

import fcntl
import json
import os
import pty
import re
import shutil
import struct
import subprocess
import sys
import termios
from pathlib import Path

import pytest

from studykit.cli import main
from studykit.commands.speaking import CALLED_WRONGLY, CLEAN, PROBLEMS

ROOT = Path(__file__).parent.parent
KNEE = ROOT / "synthetic_data" / "knee_goniometer"
AUDIT = ROOT / "synthetic_data" / "clinic_audit"


@pytest.fixture
def knee(tmp_path: Path) -> Path:
    return Path(shutil.copytree(KNEE, tmp_path / "knee", ignore=shutil.ignore_patterns("results")))


def test_report_on_the_published_readings_is_clean_and_whole(knee: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", str(knee)]) == CLEAN
    said = capsys.readouterr().out
    assert "minimal detectable change" in said
    assert "No problems found." in said
    assert str(knee / "results" / "report.html") in said
    written = {path.name for path in (knee / "results").iterdir()}
    assert {"report.html", "results.json", "findings.csv", "findings_shareable.csv", "import_log.csv"} <= written


def test_two_runs_write_the_same_bytes(knee: Path) -> None:
    def contents() -> dict[str, bytes]:
        results = knee / "results"
        return {str(p.relative_to(results)): p.read_bytes() for p in sorted(results.rglob("*")) if p.is_file()}

    assert main(["report", str(knee)]) == CLEAN
    first = contents()
    assert main(["report", str(knee)]) == CLEAN
    assert contents() == first


def test_check_of_a_messy_workbook_ends_with_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    study = shutil.copytree(AUDIT, tmp_path / "audit", ignore=shutil.ignore_patterns("results"))
    assert main(["check", str(study)]) == PROBLEMS
    said = capsys.readouterr().out
    assert "error: clinic.xlsx › Patients, row 40, column Age" in said
    assert "430 lies outside 0 to 120." in said
    assert "All of them:" in said


def test_check_says_when_the_report_is_older_than_the_data(knee: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["report", str(knee)])
    readings = knee / "data" / "measurements.csv"
    lines = readings.read_text(encoding="utf-8").splitlines()
    readings.write_text("\n".join(lines[:-1]) + "\n", encoding="utf-8")
    capsys.readouterr()
    main(["check", str(knee)])
    assert "was made from other data" in capsys.readouterr().out


def test_check_does_not_call_a_fresh_report_stale(knee: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["report", str(knee)])
    capsys.readouterr()
    main(["check", str(knee)])
    assert "was made from other data" not in capsys.readouterr().out


@pytest.mark.parametrize("design", ["trial", "audit", "reliability"])
def test_a_started_study_is_checked_and_reported_in_sentences(
    design: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "new"
    assert main(["start", str(folder), "--design", design]) == CLEAN
    assert main(["check", str(folder)]) == PROBLEMS
    assert main(["report", str(folder)]) == PROBLEMS
    captured = capsys.readouterr()
    assert "measurements" in captured.out
    assert "run 'studykit check'" in captured.err


def test_a_broken_protocol_is_told_with_its_lines(knee: Path, capsys: pytest.CaptureFixture[str]) -> None:
    protocol = knee / "study.toml"
    protocol.write_text(protocol.read_text(encoding="utf-8").replace("confidence", "confidance"), encoding="utf-8")
    assert main(["check", str(knee)]) == PROBLEMS
    complaint = capsys.readouterr().err
    assert "confidance" in complaint
    assert "did you mean" in complaint
    assert "line " in complaint


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["check", "no_such_folder"], "There is no folder"),
        (["report", "."], "holds no study.toml"),
    ],
)
def test_a_wrong_folder_is_a_wrong_call(
    arguments: list[str], word: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == CALLED_WRONGLY
    assert word in capsys.readouterr().err


def test_start_refuses_a_folder_in_use(knee: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = (knee / "study.toml").read_bytes()
    assert main(["start", str(knee), "--design", "trial"]) == CALLED_WRONGLY
    assert (knee / "study.toml").read_bytes() == before
    assert capsys.readouterr().err.startswith("studykit: ")


@pytest.mark.parametrize("arguments", [["start"], ["walk", "x"], ["start", "x", "--design", "survey"]])
def test_unknown_words_end_with_two(arguments: list[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == CALLED_WRONGLY


def test_a_bare_call_shows_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == CALLED_WRONGLY
    assert "exit codes" in capsys.readouterr().out


def test_help_opens_no_heavy_room() -> None:
    """What makes --help fast is what it does not import; a time would fail on a busy machine."""
    code = "import sys\nfrom studykit.cli import main\ntry:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
    code += "print([n for n in ('numpy', 'pandas', 'scipy', 'matplotlib', 'pydantic') if n in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.splitlines()[-1] == "[]"


def test_a_terminal_sees_progress_and_a_pipe_does_not(knee: Path) -> None:
    command = [sys.executable, "-m", "studykit", "check", str(knee)]
    piped = subprocess.run(command, capture_output=True, check=True)
    assert piped.stderr == b""
    owner, terminal = pty.openpty()
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))  # a terminal has a size
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=terminal)
    process.communicate()
    shown = os.read(owner, 100_000).decode()
    os.close(terminal)
    os.close(owner)
    assert "Checking" in shown


def test_results_name_what_they_were_made_of(knee: Path) -> None:
    main(["report", str(knee)])
    document = json.loads((knee / "results" / "results.json").read_text(encoding="utf-8"))
    assert document["rows"]["measurements"] == {"in": 174, "used": 174, "set_aside": 0}
    assert len(document["provenance"]["data_sha256"]) == 64
    assert document["provenance"]["versions"]["studykit"]
    assert any(key.startswith("reliability.") for key in document["answers"])
    assert not any(key.startswith("reliability") for key in document["unanswered"])


def test_report_prints_in_another_style_and_says_where_the_time_goes(
    knee: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["--decimal-mark", ",", "--language", "de", "--figure-width-mm", "150", "--timings"]
    assert main(["report", str(knee), *words]) == CLEAN
    said = capsys.readouterr().out
    steps = [line for line in said.splitlines() if re.match(r" *\d+\.\d\d s  ", line)]
    assert steps[-1].endswith("All")
    seconds = [float(line.split(" s ")[0]) for line in steps]
    assert len(seconds) > 3
    assert sum(seconds[:-1]) == pytest.approx(seconds[-1], abs=0.005 * len(seconds))
    table = (knee / "results" / "tables" / "md" / "reliability.md").read_text(encoding="utf-8")
    assert "Reliabilität und Messfehler" in table
    assert re.search(r"\d,\d", table)
    assert "150" in (knee / "results" / "figures" / "captions.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("option", "value", "word"),
    [("--language", "xx", "language"), ("--figure-width-mm", "5", "width of figures"), ("--legend", "", "inside")],
)
def test_a_style_that_cannot_be_is_one_sentence(
    knee: Path, option: str, value: str, word: str, capsys: pytest.CaptureFixture[str]
) -> None:
    value = value or str(knee / "legend.csv")
    assert main(["report", str(knee), option, value]) == CALLED_WRONGLY
    complaint = capsys.readouterr().err
    assert word in complaint
    assert complaint.count("\n") == 1


def test_report_writes_a_legend_outside_the_study(knee: Path, tmp_path: Path) -> None:
    readings = knee / "data" / "measurements.csv"
    people = knee / "data" / "participants.csv"
    for file in (readings, people):
        text = file.read_text(encoding="utf-8")
        code = text.splitlines()[1].split(",")[0]
        file.write_text(re.sub(rf"^{code}(?=,|$)", "Zebedee Quillfeather", text, flags=re.MULTILINE), encoding="utf-8")
    legend = tmp_path / "legend.csv"
    assert main(["report", str(knee), "--legend", str(legend)]) == CLEAN
    assert "participant_id,Zebedee Quillfeather,participant 1" in legend.read_text(encoding="utf-8")
    assert "Zebedee" not in (knee / "results" / "report.html").read_text(encoding="utf-8")


def test_truth_of_another_trial_or_of_none_is_one_sentence(
    knee: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ferry = AUDIT.parent / "ferry_trial" / "truth.toml"
    assert main(["report", str(knee), "--truth", str(ferry)]) == PROBLEMS
    assert "Only made-up data have a known truth" in capsys.readouterr().err
    nonsense = tmp_path / "truth.toml"
    nonsense.write_text("participants = -3\n", encoding="utf-8")
    assert main(["report", str(knee), "--truth", str(nonsense)]) == CALLED_WRONGLY
    assert "cannot be read as the truth" in capsys.readouterr().err
