"""How guessable an entry is: a published closed form, all lists counted, draws."""

from __future__ import annotations

import itertools
import math
from collections import Counter

import numpy as np
import pytest

from studykit.numerics.planning.allocation import Stream, blocks_in_order, minimised_arm, permuted_blocks
from studykit.numerics.planning.guessing import (
    determined_by_block_ends,
    guess_with_minimisation,
    guesses_with_blocks,
    is_certain,
)


@pytest.mark.parametrize("half", [1, 2, 3, 4])
def test_blocks_of_one_size_give_the_published_number_of_right_guesses(half: int):
    """m - 1/2 + 2^(2 m - 1) / C(2 m, m) right guesses in a block of 2 m (Blackwell & Hodges 1957, from memory)."""
    lists = set(itertools.permutations([0, 1] * half))
    right = np.mean([guesses_with_blocks(one, (1, 1), (2 * half,)).sum() for one in lists])
    assert right == pytest.approx(half - 0.5 + 2 ** (2 * half - 1) / math.comb(2 * half, half), rel=1e-12)


def test_chances_are_those_of_all_lists_counted():
    """Blocks of two and four: every list of five entries with its probability, and what follows each beginning."""
    lists: Counter[tuple[int, ...]] = Counter()

    def grow(begun: tuple[int, ...], weight: float) -> None:
        if len(begun) >= 5:
            lists[begun[:5]] += weight
            return
        for size in (2, 4):
            orders = set(itertools.permutations([0, 1] * (size // 2)))
            for order in orders:
                grow((*begun, *order), weight / 2 / len(orders))

    grow((), 1.0)
    assert sum(lists.values()) == pytest.approx(1.0, rel=1e-12)
    for one in lists:
        found = guesses_with_blocks(one, (1, 1), (2, 4))
        for place in range(5):
            begun = {arms: weight for arms, weight in lists.items() if arms[:place] == one[:place]}
            ones = sum(weight for arms, weight in begun.items() if arms[place] == 1) / sum(begun.values())
            assert found[place] == pytest.approx(max(ones, 1.0 - ones), rel=1e-12)


def test_knowing_the_past_helps_and_random_sizes_leave_doubt():
    chances = [
        guesses_with_blocks(permuted_blocks(30, (1, 2), (3, 6), Stream(seed)), (1, 2), (3, 6)) for seed in range(100)
    ]
    # Whoever always guesses the commoner arm is right in two of three.
    assert 2 / 3 < np.mean(chances) < 0.9
    assert np.mean(is_certain(np.array(chances))) < 0.5


def test_entries_that_follow_from_the_end_of_their_block():
    arms = [0, 1, 1, 0, 1, 1, 0, 0, 0, 1]
    # Blocks 0 1 | 1 0 | 1 1 0 0 | 0 1: the last of a pair; both of the last two of the four.
    found = determined_by_block_ends(arms, [2, 4, 8, 10])
    assert found.tolist() == [False, True, False, True, False, False, True, True, False, True]


@pytest.mark.parametrize("ratios", [(1, 1), (1, 2), (1, 1, 1)])
def test_knowing_the_ends_knows_more_than_knowing_the_sizes(ratios):
    whole = sum(ratios)
    sizes = (2 * whole, 3 * whole)
    for seed in range(40):
        arms, ends = blocks_in_order(6 * whole, ratios, sizes, Stream(seed))
        cut = [end for end in ends if end <= len(arms)]
        known = determined_by_block_ends(arms[: cut[-1]], cut) if cut else np.zeros(0, dtype=bool)
        certain = is_certain(guesses_with_blocks(arms, ratios, sizes))[: len(known)]
        assert not np.any(certain & ~known)
        assert arms == permuted_blocks(6 * whole, ratios, sizes, Stream(seed))


@pytest.mark.parametrize(
    ("before", "ratios", "certainty"), [([[3, 1]], (1, 1), 0.8), ([[2, 2, 1], [1, 0, 1]], (1, 2, 1), 0.7)]
)
def test_the_guess_under_minimisation_is_the_share_of_draws(before, ratios, certainty):
    drawn = Counter(minimised_arm(before, ratios, Stream(1, (n,)), certainty=certainty) for n in range(4000))
    chance = guess_with_minimisation(before, ratios, certainty=certainty)
    # Four standard errors of a share of 4,000.
    assert max(drawn.values()) / 4000 == pytest.approx(chance, abs=4 * math.sqrt(0.25 / 4000))


def test_minimisation_with_nothing_to_balance_is_chance_alone():
    assert guess_with_minimisation([[0, 0]], (1, 1), certainty=0.8) == pytest.approx(0.5)
    assert guess_with_minimisation([[2, 0]], (1, 1), certainty=1.0) == pytest.approx(1.0)
