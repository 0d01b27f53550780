"""How long the kit takes to open, and the notebooks to run; times are printed, not asserted.

Run with: pytest -m benchmark -s tests/benchmarks/test_opening_speed.py
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from studykit.notebook.copies import folder_read_by, shipped_notebooks

pytestmark = pytest.mark.benchmark
ROOT = Path(__file__).parent.parent.parent
HEAVY = ("numpy", "pandas", "scipy", "matplotlib", "statsmodels", "IPython", "pydantic")


def best_of(command: list[str], times: int = 5) -> float:
    """Seconds on the wall, the best of several new processes."""
    found = []
    for _ in range(times):
        start = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True)
        found.append(time.perf_counter() - start)
    return min(found)


@pytest.mark.parametrize("words", [["-c", "import studykit"], ["-m", "studykit", "--help"]], ids=["import", "help"])
def test_opening(words: list[str]) -> None:
    bare = best_of([sys.executable, "-c", "pass"])
    ours = best_of([sys.executable, *words])
    print(f"\npython {' '.join(words)}: {ours - bare:.3f} s over an empty Python of {bare:.3f} s")


def test_nothing_heavy_is_opened_before_it_is_asked_for() -> None:
    """This is asserted: it depends on no clock."""
    code = f"import sys, studykit; print([name for name in {HEAVY!r} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout.strip() == "[]"


def test_all_notebooks_one_after_another_and_two_at_a_time(tmp_path: Path) -> None:
    shutil.copytree(ROOT / "synthetic_data", tmp_path / "one", ignore=shutil.ignore_patterns("results"))
    shutil.copytree(ROOT / "synthetic_data", tmp_path / "two", ignore=shutil.ignore_patterns("results"))

    def processor_s() -> float:
        """Processor time of all programs that were run and have ended; other work on the machine does not count."""
        spent = os.times()
        return spent.children_user + spent.children_system

    def run(path: Path, root: Path) -> float:
        study = root / Path(str(folder_read_by(path.read_text(encoding="utf-8")))).name
        start = time.perf_counter()
        command = [sys.executable, "-m", "studykit", "run", str(path), "--folder", str(study)]
        threads = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        subprocess.run(command, check=True, capture_output=True, env={**os.environ, **threads})
        return time.perf_counter() - start

    print()
    start = time.perf_counter()
    for path in shipped_notebooks():
        before = processor_s()
        wall = run(path, tmp_path / "one")
        print(f"{path.name}: {wall:.1f} s on the wall, {processor_s() - before:.1f} s of processor")
    print(f"one after another: {time.perf_counter() - start:.1f} s")
    start = time.perf_counter()
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(lambda path: run(path, tmp_path / "two"), shipped_notebooks()))
    print(f"two at a time: {time.perf_counter() - start:.1f} s")
