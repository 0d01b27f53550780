"""`studykit plan`: the page and its files, the same bytes on every run, and a report that keeps them."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import pytest

from studykit.cli import main
from studykit.commands.speaking import CALLED_WRONGLY, CLEAN, PROBLEMS
from studykit.starting import start_study
from tests.planning.test_answers import WISHES

KNEE = Path(__file__).parent.parent.parent / "synthetic_data" / "knee_goniometer"
TRIAL = """
[planning]
participants = 24
smallest_difference = 8.0
spread = { participant = 9.0, participant_visit = 2.0, trial = 2.5 }
[planning.compare]
participants = [16]
[planning.simulation]
half_width = 0.2
most_trials = 100
"""


@pytest.fixture
def trial(tmp_path: Path) -> Path:
    """A new trial with a small plan."""
    folder = tmp_path / "trial"
    start_study(folder, design="trial")
    protocol = folder / "study.toml"
    protocol.write_text(protocol.read_text(encoding="utf-8") + TRIAL, encoding="utf-8")
    return folder


@pytest.fixture
def knee(tmp_path: Path) -> Path:
    """The published readings, with wishes for another reliability study."""
    folder = Path(shutil.copytree(KNEE, tmp_path / "knee", ignore=shutil.ignore_patterns("results")))
    protocol = folder / "study.toml"
    protocol.write_text(protocol.read_text(encoding="utf-8") + WISHES, encoding="utf-8")
    return folder


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_the_plan_of_a_trial_is_written_whole_and_again_with_the_same_bytes(trial: Path, capsys) -> None:
    assert main(["plan", str(trial), "--workers", "1"]) == CLEAN
    said = capsys.readouterr().out
    assert "By calculation" in said
    assert "Monte Carlo interval" in said
    first = contents(trial / "results")
    tables = {f"plan/tables/csv/planning_{key}.csv" for key in ("sizes", "power", "other_plans", "measuring")}
    page = first["plan.html"].decode()
    assert hashlib.sha256(first["plan/plan.json"]).hexdigest() in page
    assert "no treatment advice" in page
    assert str(trial) not in page
    assert {"plan.html", "plan/plan.json", "plan/simulated.jsonl", "plan/figures/planning_power.svg"} | tables <= set(
        first
    )
    shutil.rmtree(trial / "results")
    assert main(["plan", str(trial), "--workers", "2"]) == CLEAN
    second = contents(trial / "results")
    kept = "plan/simulated.jsonl"  # its lines stand in the order of finishing
    assert sorted(first.pop(kept).splitlines()) == sorted(second.pop(kept).splitlines())
    assert first == second


def test_a_report_keeps_the_plan_and_names_it_among_its_origins(knee: Path) -> None:
    assert main(["report", str(knee)]) == CLEAN
    before = json.loads((knee / "results/results.json").read_text(encoding="utf-8"))
    assert "plan_sha256" not in before["provenance"]
    assert main(["plan", str(knee)]) == CLEAN
    plan = contents(knee / "results/plan")
    assert main(["report", str(knee)]) == CLEAN
    after = json.loads((knee / "results/results.json").read_text(encoding="utf-8"))
    assert contents(knee / "results/plan") == plan
    assert after["provenance"].pop("plan_sha256") == hashlib.sha256(plan["plan.json"]).hexdigest()
    assert after == before


def test_a_protocol_without_a_plan_gets_a_sentence(tmp_path: Path, capsys) -> None:
    start_study(tmp_path / "study", design="audit")
    assert main(["plan", str(tmp_path / "study")]) == PROBLEMS
    assert "has no [planning] table" in capsys.readouterr().err
    assert not (tmp_path / "study" / "results" / "plan").exists()


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("power = 1.0", "it must be less than 1"),
        ("smallest_difference = 0", "no study can find a difference of nothing"),
    ],
)
def test_an_impossible_wish_in_the_protocol_gets_a_sentence(trial: Path, capsys, line: str, words: str) -> None:
    protocol = trial / "study.toml"
    key = line.split(" = ")[0]
    text = protocol.read_text(encoding="utf-8")
    lines = [kept for kept in text.split("\n") if not kept.startswith(f"{key} =")]
    place = lines.index("[planning]")
    protocol.write_text("\n".join([*lines[: place + 1], line, *lines[place + 1 :]]), encoding="utf-8")
    assert main(["plan", str(trial)]) == PROBLEMS
    assert words in capsys.readouterr().err


def test_called_wrongly(tmp_path: Path, trial: Path, capsys) -> None:
    assert main(["plan", str(tmp_path / "nowhere")]) == CALLED_WRONGLY
    assert main(["plan", str(trial), "--workers", "-2"]) == CALLED_WRONGLY
    assert "-2 workers were asked for" in capsys.readouterr().err
