"""Speed and memory of simulated trials, as ratios in one run; times are printed only.

Run with: pytest -m benchmark -s tests/benchmarks/test_planning_speed.py
"""

from __future__ import annotations

import os
import resource
import time
import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from studykit.change.model import fit_change
from studykit.numerics.mixed.fit import fit_variance_components
from studykit.numerics.mixed.many import fit_many
from studykit.numerics.mixed.small_sample import kenward_roger, kenward_roger_df
from studykit.planning.design import PlannedDesign, expected_last_visits, planned_design
from studykit.planning.plan import TrialPlan, trial_plan
from studykit.planning.running import simulate_power, workers
from studykit.planning.simulating import draw_readings
from studykit.protocol import load_protocol

pytestmark = pytest.mark.benchmark
FERRY = Path(__file__).parent.parent.parent / "synthetic_data" / "ferry_trial" / "study.toml"
TRIALS = int(os.environ.get("STUDYKIT_BENCHMARK_TRIALS", "1000"))


def _ferry() -> TrialPlan:
    return trial_plan(load_protocol(FERRY))


def _design() -> tuple[TrialPlan, PlannedDesign]:
    plan = _ferry()
    return plan, planned_design(plan, expected_last_visits(plan))


def test_batched_against_one_by_one():
    """Twenty trials of the ferry plan: the design once, the design for each, and the whole analysis of each."""
    plan, design = _design()
    y = np.column_stack([draw_readings(plan, design, np.random.default_rng(seed)) for seed in range(20)])
    terms = design.products.terms
    start = time.process_time()
    many = fit_many(design.products, y)
    together = [many.contrast(contrast).p for contrast in design.contrasts]
    batched = time.process_time() - start
    start = time.process_time()
    alone = []
    for column in y.T:
        made = fit_variance_components(column, design.x, terms).ingredients()
        kenward_roger(made)
        alone.append(kenward_roger_df(made, design.contrasts.T))
    single = time.process_time() - start
    start = time.process_time()
    readings = design.readings
    for column in y.T[:5]:
        object.__setattr__(readings, "rows", readings.rows.assign(value=column))
        fit_change(readings, confidence=0.95, shared_baseline=True)
    analysed = 4.0 * (time.process_time() - start)
    print(f"\n20 trials of the ferry plan, {len(y)} rows, {len(terms)} random terms, REML and Kenward–Roger")
    print(f"  batched {1e3 * batched / 20:.1f} ms a trial")
    print(f"  one by one {1e3 * single / 20:.0f} ms, ratio {single / batched:.1f}")
    print(f"  the whole analysis of the study, one by one {1e3 * analysed / 20:.0f} ms, ratio {analysed / batched:.1f}")
    assert np.isfinite(together).all()
    assert len(alone) == 20


def test_simulated_trials_of_the_ferry_plan_on_two_workers():
    """Set STUDYKIT_BENCHMARK_TRIALS=10000 for the whole measurement; the workers' time holds their start."""
    before = sum(resource.getrusage(resource.RUSAGE_CHILDREN)[:2])
    with workers(2) as pool:
        simulate_power(_ferry(), seed=1, half_width=0.0001, most_trials=40, executor=pool)  # the workers start
        start = time.perf_counter()
        found = simulate_power(_ferry(), seed=1, half_width=0.0001, most_trials=TRIALS, executor=pool)
        seconds = time.perf_counter() - start
    busy = sum(resource.getrusage(resource.RUSAGE_CHILDREN)[:2]) - before
    print(f"\n{found.trials} simulated trials of the ferry plan on two workers: {seconds:.0f} s of wall time")
    print(f"  that is {seconds * 10_000 / found.trials:.0f} s for 10,000; fitted {found.fitted}; power {found.power}")
    print(f"  processor time of the workers {busy:.0f} s, {1e3 * busy / found.trials:.1f} ms a trial")
    assert found.fitted >= 0.999 * found.trials


def test_memory_by_number_of_trials():
    plan = _ferry()
    peaks = []
    for trials in (40, 40, 160):
        tracemalloc.start()
        simulate_power(plan, seed=1, half_width=0.0001, most_trials=trials)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    print(f"\npeak with 40 trials {peaks[1] / 1e6:.1f} MB, with 160 trials {peaks[2] / 1e6:.1f} MB")
    assert peaks[2] < 1.2 * peaks[1]
