"""Do readings end in some digits more often than chance would let them?

Readings in whole marks that spread over several tens end in each digit with probability 1/10, whatever their mean: of
normal readings with a standard deviation of s marks, the probability of no digit is further from 1/10 than
0.2 exp(-2 pi^2 s^2 / 100) (first term of the Fourier series of a wrapped normal), a hundredth of a tenth or less from
s = 5.2 on. For a multiple of five the period is 5 and s = 2.6 is enough.

The test is Pearson's chi-square against equal probabilities. From fifty readings on (five expected of each digit, the
usual rule of Cochran 1954, Biometrics 10, 417-451, from memory) its chi-square distribution is used; with fewer the
exact multinomial probability of a statistic at least as large.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from studykit.errors import CallError

DIGITS = 10
LEAST_EXPECTED = 5.0
"""Readings expected of each digit from which the chi-square distribution stands for the exact one."""
LEAST_SD_FOR_DIGITS = 5.2
"""Standard deviation in marks from which equal probabilities of all last digits hold within 1 %."""
LEAST_SD_FOR_FIVES = 2.6
"""Standard deviation in marks from which a multiple of five has probability 1/5 within 1 %."""


@dataclass(frozen=True, slots=True)
class DigitTest:
    """Counts of the last digits and how far they are from equal.

    Attributes:
        counts: (10,) readings that end in 0, 1, ... 9.
        statistic: Pearson's chi-square against equal counts.
        p: probability of a statistic at least as large when all digits are equally likely.
        exact: whether p is the exact multinomial one.
        fives: how many end in 0 or 5.
    """

    counts: np.ndarray
    statistic: float
    p: float
    exact: bool
    fives: int

    @property
    def total(self) -> int:
        """Readings counted."""
        return int(self.counts.sum())


def last_digits(marks: np.ndarray) -> np.ndarray:
    """(n,) last digit of whole numbers, the sign aside: 47 and -47 both end in 7.

    Raises:
        CallError: a number that is not whole.
    """
    whole = np.rint(marks)
    if np.any(np.abs(np.asarray(marks, dtype=float) - whole) > 1e-6):
        raise CallError("Last digits are those of whole numbers of marks; some numbers are not whole.")
    return np.asarray(np.abs(whole).astype(np.int64) % DIGITS)


def digit_test(marks: np.ndarray) -> DigitTest:
    """Count last digits and test them against equal probabilities.

    Args:
        marks: (n,) readings in whole marks, independent of each other.

    Raises:
        CallError: no reading, or one that is not whole.
    """
    counts = np.bincount(last_digits(marks), minlength=DIGITS)
    total = int(counts.sum())
    if total == 0:
        raise CallError("There is no reading to count digits of.")
    statistic = float(np.sum(counts.astype(float) ** 2)) * DIGITS / total - total
    exact = total < LEAST_EXPECTED * DIGITS
    p = _exact_tail(counts) if exact else float(special.gammaincc((DIGITS - 1) / 2.0, statistic / 2.0))
    return DigitTest(counts, statistic, p, exact, int(counts[0] + counts[5]))


def _exact_tail(counts: np.ndarray) -> float:
    """P(sum of squared counts >= the one seen) of a multinomial with ten equal probabilities.

    Built digit by digit: weight[m, s] sums 1 / (n_1! ... n_k!) over all ways to give k digits m readings with a sum of
    squares s; the probability is n! / 10^n times the weights of all ten digits.
    """
    total, seen = int(counts.sum()), int(np.sum(counts.astype(np.int64) ** 2))
    weight = np.zeros((total + 1, total**2 + 1))
    weight[0, 0] = 1.0
    each = 1.0 / special.factorial(np.arange(total + 1))
    for _ in range(DIGITS):
        more = np.zeros_like(weight)
        for own in range(total + 1):
            square = own * own
            more[own:, square:] += each[own] * weight[: total + 1 - own, : total**2 + 1 - square]
        weight = more
    return float(weight[total, seen:].sum() * np.exp(special.gammaln(total + 1) - total * np.log(DIGITS)))
