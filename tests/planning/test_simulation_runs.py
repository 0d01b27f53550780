"""Rounds, workers, checkpoints: the same digits on any number of workers and after any kill."""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
import sys
import time
import tracemalloc
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from studykit.errors import CallError, DesignError
from studykit.planning.running import SimulatedPower, _interval, simulate_power, workers
from studykit.planning.simulating import BATCH, simulate_batch
from tests.planning.planned_studies import planned

SMALL = {"participants": 10, "difference": 5.0, "more": "lost_by = { week_12 = 0.1 }"}
SEED = 20250106


def simulated(**choices: object) -> SimulatedPower:
    return simulate_power(planned(**SMALL), seed=SEED, half_width=0.04, most_trials=300, **choices)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def alone() -> SimulatedPower:
    """One process, no checkpoint."""
    return simulated()


def test_workers_give_the_digits_of_one_process(alone: SimulatedPower):
    with workers(2) as pool:
        assert pool is not None
        assert simulated(executor=pool) == alone
    with workers(1) as pool:
        assert pool is None


def test_any_executor_will_do(alone: SimulatedPower):
    with ThreadPoolExecutor(3) as pool:
        assert simulated(executor=pool) == alone


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")
def test_a_cluster_of_several_processes_gives_the_same_digits(alone: SimulatedPower, tmp_path: Path):
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            processes=True,
            dashboard_address=None,
            local_directory=str(tmp_path),
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        assert simulated(executor=client.get_executor()) == alone


class _LateFirst(Executor):
    """Hands out the results of a round in reverse order, as if the first worker were the slowest."""

    def __init__(self) -> None:
        self.waiting: list[tuple[Future[object], object]] = []

    def submit(self, call, /, *args, **names):  # type: ignore[no-untyped-def]
        future: Future[object] = Future()
        future.set_result(call(*args, **names))
        return future


def test_the_order_of_finishing_does_not_matter(alone: SimulatedPower):
    assert simulated(executor=_LateFirst()) == alone


def test_it_stops_when_the_interval_is_narrow_enough():
    plan = planned(**{**SMALL, "difference": 12.0})
    found = simulate_power(plan, seed=1, half_width=0.05, most_trials=100_000)
    assert found.narrow
    assert (found.high[0] - found.low[0]) / 2 <= 0.05
    # With a power near 1 the first round of a hundred trials is enough.
    assert found.trials == 100
    wide = simulate_power(plan, seed=1, half_width=0.0001, most_trials=150)
    assert not wide.narrow
    assert wide.trials == math.ceil(150 / BATCH) * BATCH


def test_a_second_run_reads_what_the_first_one_kept(alone: SimulatedPower, tmp_path: Path, monkeypatch):
    kept = tmp_path / "plan" / "simulated.jsonl"
    assert simulated(checkpoint=kept) == alone

    def refuse(*_: object) -> None:
        raise AssertionError("nothing is left to compute")

    monkeypatch.setattr("studykit.planning.running.simulate_batch", refuse)
    assert simulated(checkpoint=kept) == alone
    with pytest.raises(AssertionError, match="nothing is left"):
        simulate_power(planned(**SMALL), seed=SEED + 1, most_trials=100, checkpoint=kept)


@pytest.mark.parametrize("cut", [0, 1, 37, -1])
def test_a_cut_or_spoilt_line_is_computed_again(alone: SimulatedPower, tmp_path: Path, cut: int):
    kept = tmp_path / "simulated.jsonl"
    simulated(checkpoint=kept)
    lines = kept.read_text().splitlines()
    kept.write_text("\n".join([*lines[:4], "not JSON", "[1, 2]", lines[5][:cut]]))
    assert simulated(checkpoint=kept) == alone
    again = [json.loads(line) for line in kept.read_text().splitlines() if line.startswith("{")]
    assert sorted(line["batch"] for line in again) == list(range(alone.trials // BATCH))


_RUN = """
import sys
from pathlib import Path
from studykit.planning.running import simulate_power, workers
from tests.planning.planned_studies import planned
from tests.planning.test_simulation_runs import SEED, SMALL
if __name__ == "__main__":
    with workers(int(sys.argv[2])) as pool:
        plan = planned(**SMALL)
        print(simulate_power(
            plan, seed=SEED, half_width=0.04, most_trials=300, executor=pool, checkpoint=Path(sys.argv[1])))
"""


@pytest.mark.parametrize("count", [1, 2])
def test_a_killed_run_that_is_started_again_ends_with_the_same_digits(
    alone: SimulatedPower, tmp_path: Path, count: int
):
    script, kept = tmp_path / "run.py", tmp_path / "simulated.jsonl"
    script.write_text(_RUN, encoding="utf-8")
    root = Path(__file__).parent.parent.parent
    command = [sys.executable, str(script), str(kept), str(count)]
    started = subprocess.Popen(
        command, cwd=root, env={**os.environ, "PYTHONPATH": str(root)}, start_new_session=True, stdout=subprocess.PIPE
    )
    deadline = time.monotonic() + 120
    while time.monotonic() < deadline and not (kept.is_file() and kept.read_bytes().count(b"\n") >= 3):
        time.sleep(0.01)
    os.killpg(started.pid, signal.SIGKILL)
    assert started.wait() == -signal.SIGKILL
    assert started.stdout is not None
    started.stdout.close()
    before = kept.read_bytes().count(b"\n")
    assert 3 <= before < alone.trials / BATCH
    assert simulated(checkpoint=kept) == alone


def test_memory_does_not_grow_with_the_number_of_trials():
    plan = planned(**SMALL)

    def peak(trials: int) -> int:
        tracemalloc.start()
        simulate_power(plan, seed=2, half_width=0.0001, most_trials=trials)
        size = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return size

    peak(100)
    few, many = peak(100), peak(400)
    # Fifteen further batches of counts and sums, less than 4 kB each; one batch with its design and fits takes more
    # than 100 kB.
    assert few > 100_000
    assert many - few < 15 * 4_000


def test_alike_trials_widen_the_interval_and_never_narrow_it():
    chance = np.random.default_rng(3).binomial(BATCH, 0.8, 60).astype(float)
    alike = np.where(np.arange(60) % 2, 20.0, 12.0)
    plain = _interval(np.full(60, 16.0), 1200)
    assert _interval(alike, 1200)[0] < plain[0] < plain[1] < _interval(alike, 1200)[1]
    low, high = _interval(chance, 1200)
    assert high - low < 1.5 * (plain[1] - plain[0])


@pytest.mark.parametrize(
    ("choices", "words"),
    [({"half_width": -0.1}, "half_width is -0.1"), ({"most_trials": 0}, "most_trials is 0")],
)
def test_an_impossible_wish_gets_a_sentence(choices, words):
    with pytest.raises(CallError, match=words):
        simulate_power(planned(**SMALL), seed=1, **choices)


def test_a_plan_that_cannot_be_analysed_is_refused_in_a_sentence():
    with pytest.raises(DesignError, match="0 in No stretching would come to Week 12; at least 2 are needed"):
        simulate_power(planned(participants=4, more="lost_by = { week_12 = 0.9 }"), seed=1, most_trials=100)


def test_a_batch_in_which_too_many_leave_finds_nothing():
    plan = planned(participants=6, more="lost_by = { week_12 = 0.6 }")
    batches = [simulate_batch(plan, batch, 1) for batch in range(20)]
    empty = [one for one in batches if one.fitted == 0]
    # An arm of three loses everybody in 22 % of draws, and one or two people cannot carry the model either.
    assert empty
    assert all(one.trials == BATCH and one.significant == (0,) for one in empty)


@pytest.mark.parametrize("count", [0, -3])
def test_no_workers_are_refused(count):
    with pytest.raises(CallError, match=f"{count} workers were asked for"), workers(count):
        pass
