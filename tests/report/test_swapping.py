"""A killed run leaves the old results or the new."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from studykit.report import swapping
from studykit.report.swapping import mend, new_folder_for


def fill(folder: Path, word: str, count: int = 3) -> None:
    for number in range(count):
        (folder / f"file_{number}.txt").write_text(word, encoding="utf-8")


def words_in(folder: Path) -> set[str]:
    return {path.read_text(encoding="utf-8") for path in folder.iterdir()}


def leave_half_way(target: Path) -> None:
    with new_folder_for(target) as fresh:
        fill(fresh, "half", count=1)
        raise RuntimeError("on the way")


def test_new_folder_takes_the_place_of_the_old_one_whole(tmp_path: Path) -> None:
    target = tmp_path / "results"
    with new_folder_for(target) as fresh:
        fill(fresh, "first", count=5)
    with new_folder_for(target) as fresh:
        fill(fresh, "second")
    assert words_in(target) == {"second"}
    assert len(list(target.iterdir())) == 3  # nothing of the five older files is left
    assert [path.name for path in tmp_path.iterdir()] == ["results"]


def test_an_error_on_the_way_leaves_the_old_results_and_no_rubbish(tmp_path: Path) -> None:
    target = tmp_path / "results"
    with new_folder_for(target) as fresh:
        fill(fresh, "old")
    with pytest.raises(RuntimeError, match="on the way"):
        leave_half_way(target)
    assert words_in(target) == {"old"}
    assert [path.name for path in tmp_path.iterdir()] == ["results"]


def test_two_renames_serve_where_names_cannot_be_exchanged(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(swapping, "_exchanged", lambda *_names: False)
    target = tmp_path / "results"
    for word in ("old", "new"):
        with new_folder_for(target) as fresh:
            fill(fresh, word)
    assert words_in(target) == {"new"}
    assert [path.name for path in tmp_path.iterdir()] == ["results"]


def test_results_stranded_between_two_renames_are_put_back(tmp_path: Path) -> None:
    stranded = tmp_path / "results.old"
    stranded.mkdir()
    fill(stranded, "old")
    mend(tmp_path / "results")
    assert words_in(tmp_path / "results") == {"old"}
    assert not stranded.exists()


LOOP = """
import importlib.util, sys
from pathlib import Path
spec = importlib.util.spec_from_file_location("swapping", sys.argv[2])  # alone: the kit takes long to import
swapping = importlib.util.module_from_spec(spec)
spec.loader.exec_module(swapping)
target, turn = Path(sys.argv[1]), 0
while True:
    turn += 1
    with swapping.new_folder_for(target) as fresh:
        for number in range(40):
            (fresh / f"file_{number}.txt").write_text(str(turn), encoding="utf-8")
"""


@pytest.mark.skipif(sys.platform not in {"linux", "darwin"}, reason="needs a system that exchanges names in one step")
def test_a_kill_at_any_moment_leaves_one_whole_set_of_results(tmp_path: Path) -> None:
    target = tmp_path / "results"
    for attempt in range(8):
        process = subprocess.Popen([sys.executable, "-c", LOOP, str(target), swapping.__file__])
        end = time.monotonic() + 20
        while not target.exists() and time.monotonic() < end:
            time.sleep(0.01)
        time.sleep(0.03 + 0.011 * attempt)  # another moment of the loop each time
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        contents = words_in(target)
        assert len(contents) == 1
        assert len(list(target.iterdir())) == 40
