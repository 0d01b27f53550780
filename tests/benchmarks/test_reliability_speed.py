"""Speed of the reliability room beside pingouin, both in one run; times are printed only.

Run with: pytest -m benchmark -s tests/benchmarks/test_reliability_speed.py
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from studykit.numerics.anova import two_way_mean_squares
from studykit.numerics.icc import FORMS, icc, icc_value
from studykit.numerics.intervals import FloatArray
from studykit.numerics.precision import mdc, sem, sem_value
from studykit.numerics.resampling import bootstrap, mean_squares_of_sums, two_way_features
from studykit.reliability import icc_forms

pytestmark = pytest.mark.benchmark


def fastest(call: Callable[[], object], repeats: int) -> float:
    """Shortest of several runs, in seconds of this processor: other work on the machine does not count."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        call()
        times.append(time.process_time() - start)
    return min(times)


def ratings(targets: int) -> np.ndarray:
    rng = np.random.default_rng(1)
    return rng.normal(50, 8, (targets, 1)) + rng.normal(0, 1, (1, 3)) + rng.normal(0, 3, (targets, 3))


def every_form(table: np.ndarray) -> list[float]:
    """All forms with F tests and intervals, SEM and MDC with intervals."""
    ms = two_way_mean_squares(table)
    found = []
    for form in FORMS:
        for averaged in (False, True):
            got = icc(ms, form=form, averaged=averaged)
            found += [float(getattr(got, name)) for name in ("value", "low", "high", "f", "df1", "df2", "p")]
        size = sem(ms, form=form)
        found += [float(value) for value in mdc([size.sem, size.low, size.high])]
    return found


def test_every_form_for_50_000_targets_beside_pingouin() -> None:
    table = ratings(50_000)
    frame = pd.DataFrame(
        {"target": np.repeat(np.arange(50_000), 3), "rater": np.tile(["a", "b", "c"], 50_000), "value": table.ravel()}
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its import and pandas 3.1 warn about each other
        import pingouin as pg

        before = pg.options["round.column.CI95"]
        pg.options["round.column.CI95"] = None
        try:
            other = pg.intraclass_corr(frame, targets="target", raters="rater", ratings="value")
            theirs = fastest(
                lambda: pg.intraclass_corr(frame, targets="target", raters="rater", ratings="value"), repeats=5
            )
        finally:
            pg.options["round.column.CI95"] = before
    mine = fastest(lambda: every_form(table), repeats=9)
    through_labels = fastest(lambda: icc_forms(frame, target="target", rater="rater", value="value"), repeats=5)
    print(f"\n50,000 x 3, all forms with intervals: pingouin {theirs * 1e3:.0f} ms")
    print(f"from arrays {mine * 1e3:.1f} ms, ratio {theirs / mine:.0f}")
    print(f"from a labelled frame {through_labels * 1e3:.1f} ms, ratio {theirs / through_labels:.1f}")
    named = frame.assign(target=[f"P{code:05d}" for code in frame["target"]]).sample(frac=1.0, random_state=1)
    by_name = fastest(lambda: icc_forms(named, target="target", rater="rater", value="value"), repeats=5)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs_by_name = fastest(
            lambda: pg.intraclass_corr(named, targets="target", raters="rater", ratings="value"), repeats=3
        )
    print(
        f"the same with names for targets, rows shuffled: {theirs_by_name * 1e3:.0f} and {by_name * 1e3:.1f} ms, ",
        end="",
    )
    print(f"ratio {theirs_by_name / by_name:.1f}")
    ms = two_way_mean_squares(table)
    values = [float(icc_value(ms, form=form)) for form in ("one-way", "agreement", "consistency")]
    assert values == pytest.approx(list(other["ICC"][:3]), rel=1e-10)  # the same work was done


def test_10_000_resamples_of_60_targets() -> None:
    features = two_way_features(ratings(60))

    def statistic(sums: FloatArray) -> FloatArray:
        ms = mean_squares_of_sums(sums)
        values = [icc_value(ms, form=form) for form in FORMS] + [sem_value(ms, form=form) for form in FORMS]
        return np.stack(values, axis=-1)

    taken = fastest(lambda: bootstrap(features, statistic, rng=np.random.default_rng(2)), repeats=3)
    print(f"\n10,000 resamples of 60 targets, BCa, three ICCs and three SEMs: {taken:.3f} s")
    found = bootstrap(features, statistic, rng=np.random.default_rng(2))
    assert (found.low < found.value).all()
    assert (found.value < found.high).all()
