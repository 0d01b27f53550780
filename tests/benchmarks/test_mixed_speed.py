"""Speed and memory of the mixed-model engine beside statsmodels and R, all in one run; times are printed only.

Run with: pytest -m benchmark -s tests/benchmarks/test_mixed_speed.py
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import time
import tracemalloc
import warnings
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from studykit.numerics.mixed.fit import VarianceComponentsFit, fit_variance_components, prepare_design
from studykit.numerics.mixed.many import fit_many
from studykit.numerics.mixed.small_sample import kenward_roger, kenward_roger_df
from studykit.numerics.mixed.terms import RandomTerm, intercept_by

pytestmark = pytest.mark.benchmark

# pbkrtest holds n x n matrices: 40 s at 1,440 rows on a free machine, so it is asked for only with this set.
WITH_PBKRTEST = os.environ.get("STUDYKIT_BENCHMARK_PBKRTEST") == "1"

_R = """
suppressPackageStartupMessages({library(lme4); library(jsonlite)})
a <- commandArgs(TRUE); d <- read.csv(a[1]); d$visit <- factor(d$visit)
f <- y ~ visit * arm + (1|person) + (1|limb) + (1|session) + (1|rater)
used <- function(t) t[["user.self"]] + t[["sys.self"]]
t1 <- used(system.time(m <- suppressWarnings(suppressMessages(lmer(f, d)))))
out <- list(seconds = t1, deviance = -2 * as.numeric(logLik(m)))
if (a[2] == "1") {
  t2 <- used(system.time(v <- pbkrtest::vcovAdj(m)))
  out$pbkrtest <- t2; out$se <- sqrt(diag(as.matrix(v)))
}
cat(toJSON(out, auto_unbox = TRUE, digits = NA))
"""


def _trial(people: int, missing: float, seed: int) -> pd.DataFrame:
    """People x two limbs x four visits x two raters x three trials, some missing: nested, repeated and crossed."""
    rng = np.random.default_rng(seed)
    axes = np.meshgrid(range(people), range(2), range(4), range(2), range(3), indexing="ij")
    person, side, visit, rater, _ = (axis.ravel() for axis in axes)
    kept = rng.random(person.size) >= missing
    person, side, visit, rater = (axis[kept] for axis in (person, side, visit, rater))
    limb = 2 * person + side
    session = 4 * limb + visit
    y = 40.0 + 5.6 * rng.normal(size=people)[person] + 2.5 * rng.normal(size=2 * people)[limb]
    y = y + rng.normal(size=2)[rater] + 1.1 * rng.normal(size=8 * people)[session] + 1.4 * rng.normal(size=person.size)
    return pd.DataFrame(
        {"y": y, "person": person, "limb": limb, "session": session, "rater": rater, "visit": visit, "arm": person % 2}
    )


def _arrays(d: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, list[RandomTerm]]:
    visits = np.column_stack([(d.visit == v).to_numpy(float) for v in (1, 2, 3)])
    arm = d.arm.to_numpy(float)[:, None]
    x = np.column_stack([np.ones(len(d)), visits, arm, visits * arm])
    return (
        d.y.to_numpy(),
        x,
        [intercept_by(name, d[name].to_numpy()) for name in ("person", "limb", "session", "rater")],
    )


def _best(work: Callable[[], object], times: int = 3) -> float:
    """Seconds of processor time, which a busy machine does not stretch as much as the clock; R tells the same."""
    seconds = []
    for _ in range(times):
        start = time.process_time()
        work()
        seconds.append(time.process_time() - start)
    return min(seconds)


def _inference(fit: VarianceComponentsFit) -> tuple[np.ndarray, np.ndarray]:
    made = fit.ingredients()
    return np.sqrt(np.diag(kenward_roger(made))), kenward_roger_df(made)


def _by_r(d: pd.DataFrame, folder: Path, *, pbkrtest: bool) -> dict[str, object] | None:
    if shutil.which("Rscript") is None:
        return None
    d.to_csv(folder / "trial.csv", index=False)
    (folder / "fit.R").write_text(_R)
    done = subprocess.run(
        ["Rscript", str(folder / "fit.R"), str(folder / "trial.csv"), "1" if pbkrtest else "0"],
        capture_output=True,
        text=True,
        check=False,
    )
    found: dict[str, object] | None = json.loads(done.stdout) if done.returncode == 0 else None
    return found


def _by_statsmodels(d: pd.DataFrame) -> float:
    """Seconds of the nested part (participant, limb, session): crossed raters would be one group of all rows."""
    start = time.process_time()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sm.MixedLM.from_formula(
            "y ~ visit",
            d,
            groups="person",
            vc_formula={"limb": "0 + C(limb)", "session": "0 + C(session)"},
        ).fit(method="powell")
    return time.process_time() - start


@pytest.mark.parametrize(("people", "missing"), [(30, 0.0), (60, 0.0917), (1000, 0.0627)])
def test_one_fit(people, missing, tmp_path):
    d = _trial(people, missing, people)
    y, x, terms = _arrays(d)
    fit = fit_variance_components(y, x, terms)
    seconds = _best(lambda: fit_variance_components(y, x, terms))
    inference = _best(lambda: _inference(fit))
    tracemalloc.start()
    _inference(fit_variance_components(y, x, terms))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    print(f"\n{len(d)} rows, {people} participants, crossed raters")
    print(f"  engine: REML {seconds:.3f} s, Kenward–Roger {inference:.4f} s, gradient {fit.gradient_norm:.1e}")
    print(f"  engine: peak {peak / 1e6:.1f} MB; an n x n array would be {8 * len(d) ** 2 / 1e6:.0f} MB")
    assert fit.gradient_norm < 1e-6
    # Not a time: no n x n array was made (the largest trial would need 16 GB).
    assert peak < max(4e6, 8.0 * len(d) ** 2 / 10)
    by_r = _by_r(d, tmp_path, pbkrtest=WITH_PBKRTEST and people == 30)
    if by_r is not None:
        print(f"  lme4: {by_r['seconds']:.3f} s, ratio {float(str(by_r['seconds'])) / seconds:.1f}")
        # The deviance cannot be worse than lme4's by more than its own stopping rule.
        assert -2.0 * fit.log_likelihood <= float(str(by_r["deviance"])) + 1e-6
        if "pbkrtest" in by_r:
            print(f"  pbkrtest: {by_r['pbkrtest']:.1f} s, ratio {float(str(by_r['pbkrtest'])) / inference:.0f}")
            np.testing.assert_allclose(_inference(fit)[0], by_r["se"], rtol=1e-4)
    if people == 30:
        other = _by_statsmodels(d)
        print(f"  statsmodels, nested part only: {other:.1f} s, ratio {other / seconds:.0f}")


def _power_share(seed: int) -> tuple[int, float]:
    """5,000 simulated trials of one design: fits, and rejections of the last effect."""
    y, x, terms = _arrays(_trial(60, 0.0917, 60))
    rng = np.random.default_rng(seed)
    design = prepare_design(x, terms)
    fitted, rejected = 0, 0.0
    for _ in range(10):
        outcomes = 1.4 * rng.normal(size=(y.size, 500))
        for term, sd in zip(terms, (5.6, 2.5, 1.1, 1.0), strict=True):
            outcomes = outcomes + sd * rng.normal(size=(int(term.codes.max()) + 1, 500))[term.codes]
        many = fit_many(design, outcomes)
        fitted += int(many.fitted.sum())
        rejected += float(np.nansum(many.contrast(np.eye(x.shape[1])[-1]).p < 0.05))
    return fitted, rejected


def test_ten_thousand_simulated_trials_on_two_cores():
    start = time.perf_counter()
    with ProcessPoolExecutor(2) as pool:
        shares = list(pool.map(_power_share, [1, 2]))
    seconds = time.perf_counter() - start
    fitted = sum(share[0] for share in shares)
    print(
        f"\n10,000 trials of {len(_trial(60, 0.0917, 60))} rows, REML and Kenward–Roger: {seconds:.1f} s on two cores"
    )
    print(f"  fitted {fitted}; rejected under the null {sum(share[1] for share in shares) / fitted:.4f}")
    assert fitted >= 9_990
