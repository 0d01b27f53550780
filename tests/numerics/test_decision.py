"""Decision study: by hand, against the ICC of the same table, and the cheapest design."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.errors import CallError, DesignError
from studykit.numerics.anova import two_way_mean_squares
from studykit.numerics.components import two_way_components
from studykit.numerics.decision import cheapest, decide
from studykit.numerics.icc import icc_value

VARIANCES = {("target",): 51.4, ("rater",): 0.9, ("target", "rater"): 1.2, ("target", "rater", "trial"): 0.86}


def test_two_raters_three_trials_by_hand() -> None:
    got = decide(VARIANCES, {"rater": 2, "trial": 3})
    absolute = 0.9 / 2 + 1.2 / 2 + 0.86 / 6
    relative = 1.2 / 2 + 0.86 / 6
    assert float(got.sem_agreement) == pytest.approx(np.sqrt(absolute), rel=1e-12)
    assert float(got.sem_consistency) == pytest.approx(np.sqrt(relative), rel=1e-12)
    assert float(got.icc_agreement) == pytest.approx(51.4 / (51.4 + absolute), rel=1e-12)
    assert float(got.icc_consistency) == pytest.approx(51.4 / (51.4 + relative), rel=1e-12)


def test_one_and_all_raters_are_the_single_and_averaged_correlations() -> None:
    """Second route: McGraw & Wong's formulas from mean squares."""
    rng = np.random.default_rng(3)
    ms = two_way_mean_squares(rng.normal(50, 9, (15, 1)) + rng.normal(0, 2, (1, 4)) + rng.normal(0, 3, (15, 4)))
    variances = {c.facets: c.variance for c in two_way_components(ms)}
    for count, averaged in ((1, False), (4, True)):
        got = decide(variances, {"rater": count, "trial": 1})
        for form in ("agreement", "consistency"):
            mine = float(getattr(got, f"icc_{form}"))
            assert mine == pytest.approx(float(icc_value(ms, form=form, averaged=averaged)), rel=1e-11)


def test_grids_broadcast_and_more_of_anything_never_hurts() -> None:
    raters, trials = np.meshgrid([1, 2, 3], [1, 2, 3, 4], indexing="ij")
    sem = decide(VARIANCES, {"rater": raters, "trial": trials}).sem_agreement
    assert sem.shape == (3, 4)
    assert (np.diff(sem, axis=0) < 0).all()
    assert (np.diff(sem, axis=1) < 0).all()


def test_limb_belongs_to_the_object_of_measurement() -> None:
    variances = {("participant",): 30.0, ("participant", "limb"): 8.0, ("participant", "limb", "trial"): 4.0}
    got = decide(variances, {"trial": 2}, objects=("participant", "limb"))
    assert float(got.icc_agreement) == pytest.approx(38 / 40, rel=1e-12)


def test_cheapest_design_reaches_the_wanted_error() -> None:
    error, cost = [5.0, 3.9, 3.0, 2.9], [1, 2, 3, 3]
    assert cheapest(error, cost, 4.0) == 1
    assert cheapest(error, cost, 3.2) == 3
    assert cheapest(error, cost, 1.0) is None


def test_refusals() -> None:
    with pytest.raises(DesignError, match="No number of trials"):
        decide(VARIANCES, {"rater": 2})
    with pytest.raises(CallError, match="at least 1"):
        decide(VARIANCES, {"rater": 0, "trial": 1})
    with pytest.raises(CallError, match="give 0 for a negative"):
        decide({("target",): -1.0}, {"rater": 1})
