"""Mean width of the interval of an absolute-agreement ICC: integrated, drawn as mean squares, measured as readings.

No published table of these widths was seen; the second and third route are simulations of other kinds.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import studykit
from studykit.errors import CallError
from studykit.numerics.icc import icc
from studykit.numerics.planning.agreement_sizes import (
    MOST_TARGETS,
    _expected_width,
    agreement_expected_width,
    agreement_width_size,
    planned_mean_squares,
    raters_for_width,
)
from studykit.numerics.planning.icc_sizes import icc_expected_width

DESIGNS = [(10, 0.9, 0.3, 2), (30, 0.9, 0.3, 3), (50, 0.8, 0.5, 2), (12, 0.5, 0.1, 4), (30, 0.9, 0.0, 3)]


@pytest.mark.parametrize(("targets", "rho", "share", "raters"), DESIGNS)
def test_integral_is_the_mean_over_drawn_mean_squares(targets, rho, share, raters):
    """Second route: 40,000 draws of the three mean squares."""
    rng = np.random.default_rng(7)
    dfs = (targets - 1, raters - 1, (targets - 1) * (raters - 1))
    drawn = tuple(rng.chisquare(df, 40_000) for df in dfs)
    found = icc(planned_mean_squares(drawn, targets, rho, share, raters), form="agreement")
    widths = found.high - found.low
    error = widths.std() / np.sqrt(widths.size)
    # Four Monte Carlo errors, 1 % of the width or less.
    assert agreement_expected_width(targets, rho, share, raters) == pytest.approx(widths.mean(), abs=4 * error)
    assert 4 * error < 0.015 * widths.mean()


@pytest.mark.parametrize(("targets", "rho", "share", "raters"), [DESIGNS[1], DESIGNS[3]])
def test_integral_is_the_mean_over_measured_readings(targets, rho, share, raters):
    """Third route: readings of a two-way random model, analysed through the front door."""
    rng = np.random.default_rng(5)
    person, rater = np.repeat(np.arange(targets), raters), np.tile(np.arange(raters), targets)
    widths = []
    for _ in range(150):
        value = np.sqrt(rho) * rng.normal(size=targets)[person]
        value += np.sqrt(share * (1 - rho)) * rng.normal(size=raters)[rater]
        value += np.sqrt((1 - share) * (1 - rho)) * rng.normal(size=person.size)
        frame = pd.DataFrame({"person": person, "rater": rater, "value": value})
        found = studykit.icc(frame, target="person", rater="rater", value="value", form="agreement")
        widths.append(found.high - found.low)
    error = np.std(widths) / np.sqrt(len(widths))
    assert agreement_expected_width(targets, rho, share, raters) == pytest.approx(np.mean(widths), abs=4 * error)


def test_finer_steps_change_nothing_that_is_printed():
    for targets, rho, share, raters in (*DESIGNS, (30, 0.99, 0.9, 2), (5, 0.3, 0.2, 2)):
        finer = _expected_width(targets, rho, share, raters, 0.95, (0.5, 0.125, 0.5))
        # The largest difference, 4e-4 of a width of 1.35, is that of five targets and two raters.
        assert agreement_expected_width(targets, rho, share, raters) == pytest.approx(finer, abs=5e-4)


def test_raters_who_hardly_differ_ask_for_about_as_much_as_consistency_does():
    alike = agreement_expected_width(60, 0.8, 0.0, 4)
    assert alike == pytest.approx(icc_expected_width(60, 0.8, 4, form="consistency"), rel=0.05)


def test_more_targets_stop_helping_two_raters_and_more_raters_do_not():
    two = [agreement_expected_width(n, 0.9, 0.5, 2) for n in (50, 200, 2000)]
    assert two[0] > two[1] > two[2]
    # Forty times as many targets take less than a fifth off; six raters in place of two take off more than half.
    assert two[2] > 0.8 * two[0]
    assert agreement_expected_width(50, 0.9, 0.5, 6) < 0.5 * two[0]


def test_the_number_found_is_the_smallest():
    n = agreement_width_size(0.9, 0.15, 0.3, 4)
    assert n is not None
    assert agreement_expected_width(n, 0.9, 0.3, 4) <= 0.15 < agreement_expected_width(n - 1, 0.9, 0.3, 4)
    k = raters_for_width(0.9, 0.15, 0.3, 27)
    assert k is not None
    assert agreement_expected_width(27, 0.9, 0.3, k) <= 0.15 < agreement_expected_width(27, 0.9, 0.3, k - 1)


def test_what_no_number_gives_is_said():
    assert agreement_width_size(0.9, 0.1, 0.3, 3) is None
    assert agreement_expected_width(MOST_TARGETS, 0.9, 0.3, 3) > 0.1
    assert raters_for_width(0.5, 0.01, 0.3, 10) is None


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: agreement_expected_width(1, 0.9, 0.3, 2), "1 target says nothing"),
        (lambda: agreement_expected_width(10, 0.9, 0.3, 1), "1 rater says nothing"),
        (lambda: agreement_expected_width(10, 1.0, 0.3, 2), "The expected ICC is 1"),
        (lambda: agreement_expected_width(10, 0.9, 1.0, 2), "share of raters' differences in the error is 1"),
        (lambda: agreement_width_size(0.9, -0.1, 0.3, 2), "width of the interval is -0.1"),
    ],
)
def test_impossible_wishes_get_a_sentence(call, words):
    with pytest.raises(CallError, match=words):
        call()
