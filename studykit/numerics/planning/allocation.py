"""Allocation to arms by chance: permuted blocks of random size, and minimisation.

Random whole numbers come from the raw 64-bit output of PCG64, which NumPy keeps the same from version to version, by
rejection; so a list can be made again from its seed years later, whatever NumPy's other methods have become.

Sources: permuted blocks: Matts & Lachin (1988), Control. Clin. Trials 9, 327-344; minimisation: Pocock & Simon (1975),
Biometrics 31, 103-115, with ranges as the measure of imbalance (both from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from studykit.errors import CallError

GENERATOR: Final = "PCG64 (NumPy), raw 64-bit numbers, rejection, one stream a stratum by SeedSequence"
_RAW: Final = 2**64


class Stream:
    """Random whole numbers from one seed and key, the same on every machine and with every version of NumPy."""

    __slots__ = ("_bits",)

    def __init__(self, seed: int, key: Sequence[int] = ()) -> None:
        self._bits = np.random.PCG64(np.random.SeedSequence(seed, spawn_key=tuple(key)))

    def below(self, count: int) -> int:
        """A whole number from 0 to count - 1, each as likely as any other."""
        kept = _RAW - _RAW % count
        while True:
            drawn = int(self._bits.random_raw())
            if drawn < kept:
                return drawn % count

    def shuffled(self, items: Sequence[int]) -> list[int]:
        """The items in random order, every order as likely as any other (Fisher & Yates)."""
        mixed = list(items)
        for last in range(len(mixed) - 1, 0, -1):
            other = self.below(last + 1)
            mixed[last], mixed[other] = mixed[other], mixed[last]
        return mixed

    def happens(self, probability: float) -> bool:
        """True with this probability, to 53 bits."""
        return (int(self._bits.random_raw()) >> 11) * 2.0**-53 < probability


def permuted_blocks(entries: int, ratios: Sequence[int], sizes: Sequence[int], stream: Stream) -> list[int]:
    """Arms of the entries of one stratum, in order.

    Each block has a size drawn from `sizes`, holds every arm in its ratio, and is in random order; the last block is
    cut where the entries end.

    Args:
        entries: how many.
        ratios: (arms,) whole numbers, 1 or more.
        sizes: block sizes, multiples of the sum of the ratios.
        stream: random numbers.

    Raises:
        CallError: no entry, no size, or a size that does not hold the ratios whole.
    """
    arms, _ = blocks_in_order(entries, ratios, sizes, stream)
    return arms


def blocks_in_order(
    entries: int, ratios: Sequence[int], sizes: Sequence[int], stream: Stream
) -> tuple[list[int], list[int]]:
    """As `permuted_blocks`, and where each block ends: the number of entries up to its last one (CallError alike).

    The last block may be cut: its end then lies beyond the entries.
    """
    whole = sum(ratios)
    if entries < 1:
        raise CallError(f"{entries} entries were asked for; a list needs at least one.")
    if not sizes or any(size < whole or size % whole for size in sizes):
        raise CallError(
            f"Block sizes are {list(sizes)}; each must be a multiple of {whole}, the sum of the arms' ratios."
        )
    arms: list[int] = []
    ends: list[int] = []
    while len(arms) < entries:
        times = sizes[stream.below(len(sizes))] // whole
        arms += stream.shuffled([arm for arm, ratio in enumerate(ratios) for _ in range(ratio * times)])
        ends.append(len(arms))
    return arms[:entries], ends


def minimised_arm(
    before: Sequence[Sequence[int]], ratios: Sequence[int], stream: Stream, *, certainty: float = 0.8
) -> int:
    """The arm of the next person by minimisation.

    For every arm the imbalance that it would leave is summed over the factors: the range over the arms of
    (people so far with this person's level, one more in the arm) / ratio. The arm with the smallest sum is taken with
    probability `certainty`, any of the others by their ratios otherwise; of equals each by its ratio.

    Args:
        before: for each factor, (arms,) people so far who share this person's level.
        ratios: (arms,) whole numbers.
        stream: random numbers of this person.
        certainty: probability of the best arm, above the share that it would have by chance.

    Raises:
        CallError: a certainty that is not above 0 and at most 1.
    """
    if not 0.0 < certainty <= 1.0:
        raise CallError(f"certainty is {certainty:g}; give a number above 0 and up to 1, such as 0.8.")
    best = least_imbalanced(before, ratios)
    others = [arm for arm in range(len(ratios)) if arm not in best]
    chosen = best if not others or stream.happens(certainty) else others
    drawn = stream.below(sum(ratios[arm] for arm in chosen))
    for arm in chosen:
        drawn -= ratios[arm]
        if drawn < 0:
            return arm
    raise AssertionError("a number below the sum of the ratios belongs to one arm")


def least_imbalanced(before: Sequence[Sequence[int]], ratios: Sequence[int]) -> list[int]:
    """The arms that leave the smallest imbalance behind (`minimised_arm`)."""
    left = []
    for arm in range(len(ratios)):
        total = 0.0
        for counts in before:
            shares = [(count + (place == arm)) / ratios[place] for place, count in enumerate(counts)]
            total += max(shares) - min(shares)
        left.append(total)
    return [arm for arm, total in enumerate(left) if total <= min(left) + 1e-9]


def gap_of(arms: Sequence[int], ratios: Sequence[int]) -> float:
    """Difference between the two arms that are furthest apart at the end, in people of an arm of ratio 1."""
    counts = np.bincount(np.asarray(arms, dtype=int), minlength=len(ratios))
    return float(np.ptp(counts / np.asarray(ratios, dtype=float)))


def largest_gap(arms: Sequence[int], ratios: Sequence[int]) -> float:
    """Largest difference between two arms at any time, in people of an arm of ratio 1."""
    counts, gap = np.zeros(len(ratios)), 0.0
    for arm in arms:
        counts[arm] += 1.0
        shares = counts / np.asarray(ratios, dtype=float)
        gap = max(gap, float(np.ptp(shares)))
    return gap
