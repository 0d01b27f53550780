"""Many simulated trials on many workers: as many as the interval takes, resumable, the same digits on any number.

Work goes out in rounds of whole batches. How large a round is follows from the outcomes of the rounds before it alone,
and every batch of a round counts; nothing depends on which worker was faster. Finished batches are written to a file
one by one; a run that was killed reads them and computes only the others.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Final

import numpy as np

from studykit.errors import CallError, FitError
from studykit.numerics.intervals import wilson_interval
from studykit.planning.design import expected_last_visits, planned_design
from studykit.planning.plan import TrialPlan
from studykit.planning.simulating import BATCH, BatchOutcome, simulate_batch
from studykit.provenance import installed_versions

MONTE_CARLO_CONFIDENCE: Final = 0.95
SMALLEST_ROUND: Final = 5
"""Batches of the first round, and of every later one at least."""
LARGEST_ROUND: Final = 200
BATCHES_FOR_A_SPREAD: Final = 10
"""Batches from which on their spread widens the interval where trials of one batch are alike."""
Progress = Callable[[str, int], None]
"""Called with the name of a plan and the number of trials that were finished."""


@dataclass(frozen=True, slots=True)
class SimulatedPower:
    """Simulated power of one plan; tuples hold one entry a treated arm.

    Attributes:
        plan: what was simulated.
        seed: of all random numbers.
        trials, fitted: simulated, and fitted with an answer that may be trusted.
        power, low, high: share of trials that found the arm with its 95 % Monte Carlo interval (Wilson); with several
            arms two entries more, any and all of those that are supposed to differ (`verdicts.arms_found`).
        estimate, estimate_sd: mean and SD of the estimated differences, fitted trials.
        std_error, df: mean standard error and degrees of freedom of the analysis.
        narrow: whether the interval became as narrow as was wished.
    """

    plan: TrialPlan
    seed: int
    trials: int
    fitted: int
    power: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    estimate: tuple[float, ...]
    estimate_sd: tuple[float, ...]
    std_error: tuple[float, ...]
    df: tuple[float, ...]
    narrow: bool


def simulate_power(
    plan: TrialPlan,
    *,
    seed: int,
    half_width: float = 0.025,
    most_trials: int = 2000,
    executor: Executor | None = None,
    checkpoint: Path | None = None,
    name: str = "",
    progress: Progress | None = None,
) -> SimulatedPower:
    """Simulate trials of a plan until the power of every arm is known closely enough.

    Args:
        plan: what to simulate.
        seed: start of all random numbers.
        half_width: half of the Monte Carlo interval at which to stop.
        most_trials: where to stop at last, rounded up to whole batches.
        executor: any executor of `concurrent.futures`; this process alone when left out (`workers` makes one).
        checkpoint: a file that keeps finished batches and gives them back to a later run.
        name: of the plan, for `progress`.

    Raises:
        CallError: a half width that is not above 0, or no trials.
        DesignError: the rows cannot carry the model of the analysis.
        FitError: a worker ended, or no trial could be fitted.
    """
    if not half_width > 0.0:
        raise CallError(f"half_width is {half_width:g}; give a number above 0, such as 0.025.")
    if most_trials < 1:
        raise CallError(f"most_trials is {most_trials}; simulate at least one trial.")
    planned_design(plan, expected_last_visits(plan))  # a plan that cannot be analysed is refused before any work
    tell = progress or (lambda _name, _trials: None)
    most = math.ceil(most_trials / BATCH)
    kept = _Kept(checkpoint, plan, seed)
    done: list[BatchOutcome] = []
    more = min(SMALLEST_ROUND, most)
    while more:
        numbers = range(len(done), len(done) + more)
        for outcome in _round(plan, seed, numbers, executor, kept):
            tell(name, outcome.trials)
        done = [kept.outcomes[number] for number in range(numbers.stop)]
        found = _joined(plan, seed, done, half_width)
        more = min(_next_round(found, half_width), most - len(done))
    if found.fitted == 0:
        raise FitError(f"None of {found.trials} simulated trials could be fitted; plan more participants or visits.")
    return found


@contextmanager
def workers(count: int | None = None) -> Iterator[Executor | None]:
    """Processes on this machine, one a core when no count is given; none at all for one, which is this process.

    New processes start from nothing ("spawn"), so that they work on every system, and use one thread each.
    """
    number = _cores() if count is None else count
    if number < 1:
        raise CallError(f"{number} workers were asked for; at least 1 is needed.")
    if number == 1:
        yield None
        return
    with _one_thread_each():
        pool = ProcessPoolExecutor(number, mp_context=get_context("spawn"))
        try:
            yield pool
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def _cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Tell processes that are started meanwhile to compute in one thread, so that no worker waits for another."""
    names = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(dict.fromkeys(names, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _round(
    plan: TrialPlan, seed: int, numbers: range, executor: Executor | None, kept: _Kept
) -> Iterator[BatchOutcome]:
    """Compute the batches of a round that are not kept already; each is kept as soon as it is finished."""
    for number in numbers:
        if number in kept.outcomes:
            yield kept.outcomes[number]
    missing = [number for number in numbers if number not in kept.outcomes]
    if executor is None:
        for number in missing:
            yield kept.keep(simulate_batch(plan, number, seed))
        return
    futures: list[Future[BatchOutcome]] = [executor.submit(simulate_batch, plan, number, seed) for number in missing]
    try:
        for future in as_completed(futures):
            yield kept.keep(future.result())
    except BrokenProcessPool as error:
        raise FitError(
            "A worker process ended before it had finished. Run again: what was finished is kept. With too little "
            "memory, use fewer workers."
        ) from error
    finally:
        for future in futures:
            future.cancel()


def _next_round(found: SimulatedPower, half_width: float) -> int:
    """Batches still needed by the interval so far, a little fewer than it takes, so that the last rounds are small."""
    widest = max((high - low) / 2.0 for low, high in zip(found.low, found.high, strict=True))
    if widest <= half_width:
        return 0
    batches = found.trials / BATCH
    needed = batches * ((widest / half_width) ** 2 - 1.0)
    return int(min(LARGEST_ROUND, max(SMALLEST_ROUND, math.ceil(0.9 * needed))))


def _joined(plan: TrialPlan, seed: int, done: list[BatchOutcome], half_width: float) -> SimulatedPower:
    trials, fitted = sum(one.trials for one in done), sum(one.fitted for one in done)
    significant = np.array([one.significant for one in done], dtype=float)
    power = significant.sum(axis=0) / trials
    limits = [_interval(column, trials) for column in significant.T]
    totals = {
        name: np.array([getattr(one, name) for one in done]).sum(axis=0) / max(fitted, 1)
        for name in ("estimates", "squares", "errors", "dfs")
    }
    spread = np.sqrt(np.maximum(totals["squares"] - totals["estimates"] ** 2, 0.0))
    low, high = (tuple(float(limit[side]) for limit in limits) for side in (0, 1))
    return SimulatedPower(
        plan=plan,
        seed=seed,
        trials=trials,
        fitted=fitted,
        power=tuple(float(share) for share in power),
        low=low,
        high=high,
        estimate=tuple(float(mean) for mean in totals["estimates"]),
        estimate_sd=tuple(float(sd) for sd in spread),
        std_error=tuple(float(error) for error in totals["errors"]),
        df=tuple(float(df) for df in totals["dfs"]),
        narrow=all((b - a) / 2.0 <= half_width for a, b in zip(low, high, strict=True)),
    )


def _interval(significant: np.ndarray, trials: int) -> tuple[float, float]:
    """Wilson's interval of a share; wider where the batches differ by more than chance.

    Trials of one batch share who leaves, so they are a little alike: the variance of the batches' shares over the
    binomial one says how many trials they are worth. It never makes the interval narrower.
    """
    total = float(significant.sum())
    share, worth = total / trials, float(trials)
    if significant.size >= BATCHES_FOR_A_SPREAD and 0.0 < share < 1.0:
        between = float(np.var(significant / BATCH, ddof=1)) * BATCH / (share * (1.0 - share))
        worth = trials / max(1.0, between)
    return wilson_interval(share * worth, worth, MONTE_CARLO_CONFIDENCE)


class _Kept:
    """Finished batches of one plan and seed, in memory and, when there is a file, also there."""

    def __init__(self, path: Path | None, plan: TrialPlan, seed: int) -> None:
        self.path = path
        self.plan_sha256 = _sha256(plan, seed)
        self.outcomes: dict[int, BatchOutcome] = {}
        if path is not None:
            path.parent.mkdir(parents=True, exist_ok=True)
            for line in _whole_lines(path):
                if line.get("plan_sha256") == self.plan_sha256:
                    outcome = _outcome(line)
                    self.outcomes[outcome.batch] = outcome

    def keep(self, outcome: BatchOutcome) -> BatchOutcome:
        self.outcomes[outcome.batch] = outcome
        if self.path is not None:
            line = json.dumps({"plan_sha256": self.plan_sha256, **asdict(outcome)})
            with self.path.open("a", encoding="utf-8") as file:
                file.write(f"{line}\n")
        return outcome


def _whole_lines(path: Path) -> list[dict[str, Any]]:
    """The lines of a checkpoint; a last line that was cut when the run was killed is taken off the file."""
    if not path.is_file():
        return []
    raw = path.read_bytes()
    whole = raw[: raw.rfind(b"\n") + 1]
    if len(whole) < len(raw):
        path.write_bytes(whole)
    found = []
    for line in whole.decode("utf-8", errors="replace").splitlines():
        try:
            entry = json.loads(line)
        except ValueError:
            continue
        if isinstance(entry, dict):
            found.append(entry)
    return found


def _outcome(line: dict[str, Any]) -> BatchOutcome:
    values: dict[str, Any] = {key: tuple(value) if isinstance(value, list) else value for key, value in line.items()}
    values.pop("plan_sha256")
    return BatchOutcome(**values)


def _sha256(plan: TrialPlan, seed: int) -> str:
    """Hash of everything that decides the digits of a batch."""
    visits = [(visit.key, visit.week) for visit in plan.visits]
    content = {
        "plan": {**_plain(plan), "visits": visits},
        "seed": seed,
        "batch": BATCH,
        "versions": installed_versions(),
    }
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


def _plain(plan: TrialPlan) -> dict[str, Any]:
    """Every field of a plan as plain values, but the visits, which are models of the protocol."""
    plain = {name: getattr(plan, name) for name in plan.__dataclass_fields__ if name != "visits"}
    return {**plain, "spreads": asdict(plan.spreads)}
