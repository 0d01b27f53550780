"""The true spread of responses: by half a million people, and by hand where everybody does everything."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.simulate import TrialTruth, true_response_variances
from studykit.simulate.people import change_at_visits_deg, draw_days_done, draw_people
from studykit.simulate.truth import Adherence, Change, gain_deg_per_week


def test_true_spread_is_that_of_a_large_sample() -> None:
    truth = TrialTruth(participants=500_000, sitting_participants=0)
    rng = np.random.default_rng(5)
    people = draw_people(truth, rng=rng)
    change = change_at_visits_deg(truth, people, draw_days_done(truth, people, rng=rng))[:, -1]
    variance = [float(change[people.arm == place].var()) for place in range(len(truth.arms))]
    for place, (_, expected) in enumerate(true_response_variances(truth).items(), start=1):
        # A variance of 100,000 people has a standard error of 0.45 % of it; of a difference of 1.2 to 6.1, below 0.03.
        assert variance[place] - variance[0] == pytest.approx(expected, abs=0.09)


def test_by_hand_when_everybody_does_everything() -> None:
    """All planned days done: S is the same for all, so that the spread is that of the multiplier alone."""
    truth = TrialTruth(
        adherence=Adherence(start_logit=40.0, trait_logit=0.0, week_logit=0.0, day_beyond_three_logit=0.0),
        change=Change(response_sd=0.3),
    )
    for arm in truth.arms[1:]:
        whole = truth.weeks * float(gain_deg_per_week(truth, np.array([arm.days_per_week * arm.minutes_per_day]))[0])
        assert true_response_variances(truth)[arm.key] == pytest.approx((0.3 * whole) ** 2, rel=1e-9)


def test_nobody_differs_where_nothing_does() -> None:
    truth = TrialTruth(adherence=Adherence(start_logit=40.0, trait_logit=0.0), change=Change(response_sd=0.0))
    assert list(true_response_variances(truth).values()) == pytest.approx([0.0] * 4, abs=1e-9)
