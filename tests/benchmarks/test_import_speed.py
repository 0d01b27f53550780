"""Speed and memory of the import beside a bare read of the same file, in one run; times are printed only.

Run with: pytest -m benchmark -s tests/benchmarks/test_import_speed.py
"""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studykit.data.intake.gathering import gather
from studykit.protocol import Protocol, parse_protocol

pytestmark = pytest.mark.benchmark

PROTOCOL = """
[study]
title = "A large study"
question = "How fast is an import?"
design = "reliability"
primary_measure = "ankle_dorsiflexion_lunge_deg"
[reliability]
rated_by = "every rater"
[measures.ankle_dorsiflexion_lunge_deg]
"""


def protocol() -> Protocol:
    return parse_protocol(PROTOCOL)


def readings(rows: int, *, bad: int, quoted: bool) -> pd.DataFrame:
    """Readings as text, `bad` of them with a unit behind the number and one with an impossible date."""
    rng = np.random.default_rng(1)
    values = np.round(rng.normal(45, 8, rows), 1).astype(str).astype(object)
    values[rng.choice(rows, bad, replace=False)] = "47°"
    days = rng.choice([f"2024-03-{day:02d}" for day in range(1, 29)], rows).astype(object)
    days[rows // 2] = "2024-02-31"
    return pd.DataFrame(
        {
            "participant_id": [f"P{number:04d}" for number in rng.integers(0, 2000, rows)],
            "visit": rng.choice(["start", "end"], rows),
            "measured_on": days,
            "side": rng.choice(["left", "right"], rows),
            "measure": "ankle_dorsiflexion_lunge_deg",
            "rater_id": rng.choice(["R1", "R2"], rows),
            "trial": rng.integers(1, 4, rows),
            "value": values,
            "warmed_up": "yes",
            "note": "said, it pulls" if quoted else "",
        }
    )


def measured(work: Callable[[], object]) -> tuple[float, float]:
    """Seconds of processor time, and the peak of Python's own memory in megabytes (in a second, traced run)."""
    start = time.process_time()
    work()
    seconds = time.process_time() - start
    tracemalloc.start()
    work()
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    return seconds, peak


@pytest.mark.parametrize(("rows", "quoted"), [(100_000, False), (1_000_000, False), (1_000_000, True)])
def test_a_large_text_file(tmp_path: Path, rows: int, quoted: bool) -> None:
    path = tmp_path / "data" / "measurements.csv"
    path.parent.mkdir()
    readings(rows, bad=rows // 100, quoted=quoted).to_csv(path, index=False)
    bare_s, _ = measured(lambda: pd.read_csv(path, dtype=str, keep_default_na=False))
    ours_s, peak_mb = measured(lambda: gather(tmp_path, protocol()))
    result = gather(tmp_path, protocol())
    frame_mb = result.tables["measurements"].memory_usage(deep=True).sum() / 1e6
    print(
        f"\n{rows} rows, quoted {quoted}: bare read {bare_s:.2f} s, import {ours_s:.2f} s, "
        f"ratio {ours_s / bare_s:.1f}; frame {frame_mb:.0f} MB, peak of Python objects {peak_mb:.0f} MB"
    )
    assert len(result.tables["measurements"]) == rows
    assert (result.findings["rule"] == "not_a_number").sum() == rows // 100
    assert (result.findings["rule"] == "impossible_date").sum() == 1
