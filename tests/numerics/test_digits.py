"""Last digits: counts by hand, the exact probability by enumeration and by chance, and what spread they need."""

from __future__ import annotations

from itertools import product
from math import factorial, prod

import numpy as np
import pytest
from scipy import stats

from studykit.errors import CallError
from studykit.numerics.digits import (
    DIGITS,
    LEAST_SD_FOR_DIGITS,
    LEAST_SD_FOR_FIVES,
    digit_test,
    last_digits,
)


def enumerated_tail(counts: list[int]) -> float:
    """P(sum of squares >= the one seen), every way to put the readings on ten digits added up."""
    total, seen = sum(counts), sum(count**2 for count in counts)
    found = 0.0
    for ways in product(range(total + 1), repeat=DIGITS - 1):
        rest = total - sum(ways)
        if rest >= 0 and sum(way**2 for way in ways) + rest**2 >= seen:
            found += factorial(total) / (prod(map(factorial, ways)) * factorial(rest)) / DIGITS**total
    return found


def marks_of(counts: list[int]) -> np.ndarray:
    return np.repeat(np.arange(DIGITS) + 20, counts)


@pytest.mark.parametrize("counts", [[2, 1, 0, 0, 0, 0, 0, 0, 0, 0], [1, 1, 1, 0, 0, 0, 0, 0, 0, 0], [3] + [0] * 9])
def test_exact_probability_by_enumeration(counts: list[int]) -> None:
    found = digit_test(marks_of(counts))
    assert found.exact
    assert found.p == pytest.approx(enumerated_tail(counts), rel=1e-12)


def test_exact_probability_by_hand() -> None:
    """Two readings: alike with probability 1/10."""
    assert digit_test(np.array([25, 35])).p == pytest.approx(0.1, rel=1e-12)
    assert digit_test(np.array([25, 36])).p == pytest.approx(1.0, rel=1e-12)


def test_exact_probability_by_chance() -> None:
    """Third route: 20,000 drawn samples of 30 readings; three standard errors of a share near 0.2 are 0.0085."""
    counts = [7, 2, 3, 2, 1, 6, 3, 2, 2, 2]
    drawn = np.random.default_rng(3).multinomial(30, [0.1] * 10, size=20_000)
    share = np.mean(np.sum(drawn**2, axis=1) >= sum(c**2 for c in counts))
    assert digit_test(marks_of(counts)).p == pytest.approx(share, abs=0.0085)


def test_many_readings_use_chi_square_as_another_library_does() -> None:
    counts = [30, 8, 9, 11, 10, 25, 9, 10, 12, 6]
    found = digit_test(marks_of(counts))
    theirs = stats.chisquare(counts)
    assert not found.exact
    assert (found.statistic, found.p) == pytest.approx((theirs.statistic, theirs.pvalue), rel=1e-12)
    assert (found.total, found.fives) == (130, 55)


def test_chi_square_takes_over_where_it_is_close_to_the_exact_probability() -> None:
    """Up to 49 readings are exact, from 50 on chi-square; near 5 % they differ by less than 0.005."""
    counts = [12, 2, 4, 3, 5, 9, 4, 3, 4, 3]
    exact = digit_test(marks_of(counts))
    assert exact.exact
    assert exact.p == pytest.approx(stats.chi2.sf(exact.statistic, 9), abs=0.005)


def test_sign_is_left_aside() -> None:
    assert last_digits(np.array([-47.0, 47.0, 0.0, -10.0])).tolist() == [7, 7, 0, 0]


@pytest.mark.parametrize("mean", [0.0, 3.0, 36.4])
def test_digits_of_normal_readings_are_equal_from_the_stated_spread_on(mean: float) -> None:
    """Exact probabilities of rounded normal readings, summed over all whole numbers; 1 % as the docstring says."""
    whole = np.arange(-400, 401)

    def chance(sd: float) -> np.ndarray:
        at = stats.norm.cdf(whole + 0.5, mean, sd) - stats.norm.cdf(whole - 0.5, mean, sd)
        return np.bincount(np.mod(whole, 10), weights=at, minlength=10)

    assert np.max(np.abs(chance(LEAST_SD_FOR_DIGITS) * 10.0 - 1.0)) < 0.0101
    assert np.max(np.abs(chance(0.6 * LEAST_SD_FOR_DIGITS) * 10.0 - 1.0)) > 0.05
    fives = chance(LEAST_SD_FOR_FIVES)
    assert abs((fives[0] + fives[5]) * 5.0 - 1.0) < 0.0101


def test_what_has_no_last_digit_is_refused() -> None:
    with pytest.raises(CallError, match="not whole"):
        last_digits(np.array([12.5]))
    with pytest.raises(CallError, match="no reading"):
        digit_test(np.array([]))
