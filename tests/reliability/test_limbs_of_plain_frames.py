"""Two limbs of one person in a plain frame: clustered by person, never counted as two people."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from studykit.errors import DataError
from studykit.reliability import icc, inter_and_intra, limits_of_agreement, precision

NAMES = {"target": "participant_id", "rater": "rater_id", "value": "value"}


def two_limbs(people: int, copies: bool) -> pd.DataFrame:
    rng = np.random.default_rng(5)
    person = rng.normal(40, 8, (people, 1, 1))
    limb = person + (0.0 if copies else 1.0) * rng.normal(0, 3, (people, 2, 1))
    values = limb + rng.normal(0, 2, (people, 1 if copies else 2, 2))
    return pd.DataFrame(
        {
            "participant_id": np.repeat([f"P{i:02d}" for i in range(people)], 4),
            "side": np.tile(["left", "left", "right", "right"], people),
            "rater_id": np.tile(["A", "B"], people * 2),
            "value": np.broadcast_to(values, (people, 2, 2)).ravel(),
        }
    )


LIMBS = {"target": ["participant_id", "side"], "rater": "rater_id", "value": "value", "cluster": "participant_id"}


@pytest.mark.parametrize("form", ["agreement", "consistency", "one-way"])
def test_limbs_of_a_person_are_never_counted_as_two_people(form: str) -> None:
    """Two limbs that copy each other add nothing: interval, test and SEM must be those of one limb a person.

    Mean squares of copied rows differ from those of the rows by (2n - 2) / (2n - 1), hence the tolerance at n = 30.
    """
    frame = two_limbs(30, copies=True)
    both, single = icc(frame, **LIMBS, form=form), icc(frame[frame["side"] == "left"], **NAMES, form=form)
    assert (both.targets, both.people) == (60, 30)
    assert both.high - both.low == pytest.approx(single.high - single.low, rel=0.05)
    assert both.df1 == single.df1
    assert any("never counted as two people" in text for text in both.cautions)
    apart = icc(frame, target=["participant_id", "side"], rater="rater_id", value="value", form=form)
    if form != "agreement":  # there the raters, not the persons, make the width
        assert apart.high - apart.low < 0.8 * (both.high - both.low)
    size = precision(frame, **LIMBS, form=form)
    assert "persons" in size.interval
    if form != "agreement":  # copied errors look like a rater's own difference, which is not what copies should test
        alone = precision(frame[frame["side"] == "left"], **NAMES, form=form)
        assert size.high / size.sem == pytest.approx(alone.high / alone.sem, rel=0.05)


def test_bootstrap_resamples_persons_whole() -> None:
    frame = two_limbs(30, copies=True)
    both = icc(frame, **LIMBS, interval="bootstrap")
    single = icc(frame[frame["side"] == "left"], **NAMES, interval="bootstrap")
    assert both.high - both.low == pytest.approx(single.high - single.low, rel=0.05)  # Monte Carlo and n - 1
    assert "30 persons" in both.interval
    assert precision(frame, **LIMBS, interval="bootstrap").low > 0.0


def test_limbs_in_the_concurrent_design_count_persons() -> None:
    first = two_limbs(25, copies=True)
    noise = np.repeat(np.random.default_rng(6).normal(0, 1, (25, 2)), 2, axis=0).ravel()
    frame = pd.concat([first, first.assign(value=first["value"] + noise)])
    got, single = inter_and_intra(frame, **LIMBS), inter_and_intra(frame[frame["side"] == "left"], **NAMES)
    assert (got.targets, got.people) == (50, 25)
    assert got.inter.value == pytest.approx(single.inter.value, rel=0.01)  # n - 1 again
    assert got.inter.high - got.inter.low == pytest.approx(single.inter.high - single.inter.low, rel=0.06)
    assert got.intra.sem_high / got.intra.sem == pytest.approx(single.intra.sem_high / single.intra.sem, rel=0.05)
    assert got.inter.low < got.inter.lower < got.inter.value < got.inter.high


def test_a_limb_of_two_persons_is_refused() -> None:
    frame = two_limbs(4, copies=False)
    with pytest.raises(DataError, match="belongs to more than one 'participant_id'"):
        icc(frame, target="side", rater="rater_id", value="value", cluster="participant_id")


def test_two_persons_cannot_be_resampled_and_the_reason_is_given() -> None:
    got = icc(two_limbs(2, copies=False), **LIMBS, interval="bootstrap")
    assert np.isnan(got.low)
    assert "fewer than three persons" in got.reason


def test_limits_of_limbs_count_persons() -> None:
    frame = two_limbs(20, copies=False)
    got = limits_of_agreement(
        frame, target=["participant_id", "side"], rater="rater_id", value="value", cluster="participant_id"
    )
    assert (got.targets, got.people, got.pairs, got.kind) == (40, 20, 40, "limbs within persons")
