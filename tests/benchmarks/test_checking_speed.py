"""A million readings, one row in a hundred bad: time and memory of a check beside those of the bare schema.

Run by hand: pytest -m benchmark -s tests/benchmarks/test_checking_speed.py. Ratios are printed, not asserted, for
another program on the same machine changes them. What is asserted is that the check found what was spoilt.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from large_trial import clean_trial, gathered, protocol, spoilt
from pandera.errors import SchemaErrors

from studykit.data.checks.checking import check_gathered
from studykit.data.checks.row_errors import row_errors
from studykit.data.checks.rules import CodedColumns
from studykit.data.checks.schemas import schema_of

ROWS = int(os.environ.get("STUDYKIT_BENCHMARK_ROWS", "1000000"))
ROUNDS = 3
SMALL = 24_000


def seconds(run: Callable[[], object]) -> float:
    start = time.process_time()
    run()
    return time.process_time() - start


def tables_with_one_bad_row_in_a_hundred(rows: int) -> dict[str, pd.DataFrame]:
    rng = np.random.default_rng(1)
    tables = clean_trial(rows, rng)
    return {**tables, "measurements": spoilt(tables["measurements"], rng)}


def bare_schema(frame: pd.DataFrame) -> int:
    """The same schema in pandera's own hands: every failing cell collected, lazily; the number of failing cells."""
    schema = schema_of("measurements", protocol())
    for holder in (schema, *schema.columns.values()):
        for check in holder.checks:
            check.n_failure_cases = None
    try:
        schema.validate(frame, lazy=True)
    except SchemaErrors as failed:
        return len(failed.failure_cases)
    return 0


def test_every_spoilt_row_is_set_aside_and_a_clean_trial_raises_nothing() -> None:
    plan = protocol()
    clean = clean_trial(SMALL, np.random.default_rng(1))
    assert check_gathered(gathered(clean), plan).findings.empty
    checked = check_gathered(gathered(tables_with_one_bad_row_in_a_hundred(SMALL)), plan)
    assert checked.rows_set_aside["measurements"] == SMALL // 100
    assert checked.rows_used["measurements"] == SMALL - SMALL // 100


@pytest.mark.slow
def test_large_trials_raise_no_more_false_alarms_than_stated() -> None:
    """Two million normal readings: fewer than 0.05 suspicions per 10,000 rows. Seen: 1 in three million."""
    rows = alarms = 0
    for seed in (100, 101):
        findings = check_gathered(gathered(clean_trial(1_000_000, np.random.default_rng(seed))), protocol()).findings
        alarms += int((findings["severity"] == "suspicion").sum())
        rows += 1_000_000
    assert alarms <= 0.05 * rows / 10_000


@pytest.mark.benchmark
def test_time_beside_the_bare_schema() -> None:
    tables, plan = tables_with_one_bad_row_in_a_hundred(ROWS), protocol()
    whole = gathered(tables)
    runs: dict[str, Callable[[], object]] = {
        "bare schema": lambda: bare_schema(tables["measurements"]),
        "errors": lambda: row_errors(whole, plan, CodedColumns(whole)),
        "whole check": lambda: check_gathered(whole, plan),
    }
    first = {name: seconds(run) for name, run in runs.items()}
    best = {name: min(seconds(run) for _ in range(ROUNDS)) for name, run in runs.items()}
    for name, taken in best.items():
        ratio = taken / best["bare schema"]
        print(
            f"\n{ROWS} rows, {name}: {taken:.2f} s of processor time, {ratio:.1f} x bare (first run {first[name]:.2f})"
        )
    assert bare_schema(tables["measurements"]) > 0


@pytest.mark.benchmark
def test_memory_beside_the_frame() -> None:
    """Peak of resident memory of a fresh process while it checks, less what it held before, over the frame's."""
    script = Path(__file__).with_name("peak_memory.py")
    done = subprocess.run([sys.executable, str(script), str(ROWS)], check=True, capture_output=True, text=True)
    frame_mb, peak_mb = (float(number) for number in done.stdout.split())
    print(
        f"\n{ROWS} rows: frame {frame_mb:.0f} MB, check {peak_mb:.0f} MB on top, {peak_mb / frame_mb:.1f} x the frame"
    )
    assert peak_mb > 0.0
