"""Allocation by chance: every order equally likely, blocks that hold, minimisation by hand."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from studykit.errors import CallError
from studykit.numerics.planning.allocation import Stream, largest_gap, minimised_arm, permuted_blocks

PINNED = (3, [0, 1, 0, 1, 0, 0, 1, 0, 1, 1, 1, 0])


def test_the_stream_is_pinned():
    """Made with NumPy 2.3; a list made today must come out the same in years."""
    stream = Stream(20250106, (3,))
    raw = np.random.PCG64(np.random.SeedSequence(20250106, spawn_key=(3,))).random_raw(5)
    assert [stream.below(1000) for _ in range(5)] == [int(number) % 1000 for number in raw]
    assert Stream(1).shuffled(range(6)) == Stream(1).shuffled(range(6))
    assert Stream(7).below(10) == PINNED[0]
    assert permuted_blocks(12, (1, 1), (4, 6), Stream(7, (0,))) == PINNED[1]


def test_every_order_of_a_block_is_equally_likely():
    stream, orders = Stream(5), list(itertools.permutations(range(4)))
    drawn = [orders.index(tuple(stream.shuffled(range(4)))) for _ in range(24_000)]
    counts = np.bincount(drawn, minlength=24)
    # Chi-square over 24 orders: fails by chance once in ten thousand seeds, and the seed is fixed.
    assert stats.chisquare(counts).pvalue > 1e-4


def test_whole_numbers_and_events_have_their_probabilities():
    stream = Stream(9)
    counts = np.bincount([stream.below(7) for _ in range(14_000)], minlength=7)
    assert stats.chisquare(counts).pvalue > 1e-4
    share = np.mean([stream.happens(0.3) for _ in range(10_000)])
    assert share == pytest.approx(0.3, abs=4 * math.sqrt(0.21 / 10_000))


@given(
    st.integers(1, 200),
    st.lists(st.integers(1, 3), min_size=2, max_size=4),
    st.lists(st.integers(1, 3), min_size=1, max_size=3, unique=True),
    st.integers(0, 2**32),
)
def test_blocks_keep_the_arms_together(entries, ratios, factors, seed):
    sizes = [factor * sum(ratios) for factor in factors]
    arms = permuted_blocks(entries, ratios, sizes, Stream(seed))
    assert len(arms) == entries
    # At worst one arm leads by all of its places in the largest block.
    assert largest_gap(arms, ratios) <= max(factors)
    counts = np.bincount(arms, minlength=len(ratios))
    for arm, ratio in enumerate(ratios):
        assert abs(counts[arm] - entries * ratio / sum(ratios)) <= ratio * max(factors)


def test_one_block_size_gives_whole_blocks():
    arms = permuted_blocks(30, (2, 1), (6,), Stream(3))
    for first in range(0, 30, 6):
        assert sorted(arms[first : first + 6]) == [0, 0, 0, 0, 1, 1]


def test_block_sizes_are_drawn_evenly():
    """With sizes 2 and 4 the second and third entries are of one arm only when the first block has four places.

    Then with probability 1/3 (of the six orders AABB, BBAA, ABBA, BAAB have equal inner or outer pairs; two have equal
    second and third); when the first block has two places, with probability 1/2.
    """
    same = np.mean([a[1] == a[2] for a in (permuted_blocks(3, (1, 1), (2, 4), Stream(s)) for s in range(8000))])
    assert same == pytest.approx(0.5 * 0.5 + 0.5 / 3.0, abs=4 * math.sqrt(0.25 / 8000))


def test_minimisation_by_hand():
    # Factor 1: 3, 2; factor 2: 1, 3. Arm 0 would leave 4-2 and 2-3: 2 + 1; arm 1 would leave 3-3 and 1-4: 0 + 3.
    chosen = [minimised_arm([(3, 2), (1, 3)], (1, 1), Stream(seed), certainty=0.8) for seed in range(4000)]
    assert np.mean(chosen) == pytest.approx(0.5, abs=4 * math.sqrt(0.25 / 4000))
    # A third factor decides for arm 0: 0, 5 gives 4 against 6.
    decided = [minimised_arm([(3, 2), (1, 3), (0, 5)], (1, 1), Stream(seed), certainty=0.8) for seed in range(4000)]
    assert np.mean(decided) == pytest.approx(0.2, abs=4 * math.sqrt(0.16 / 4000))
    assert {minimised_arm([(0, 5)], (1, 1), Stream(seed), certainty=1.0) for seed in range(50)} == {0}


def test_minimisation_keeps_unequal_ratios():
    counts = [0, 0]
    for person in range(300):
        counts[minimised_arm([tuple(counts)], (2, 1), Stream(1, (person,)), certainty=0.9)] += 1
    assert abs(counts[0] - 200) <= 4


def test_minimisation_balances_every_factor_better_than_chance():
    rng = np.random.default_rng(2)
    people = rng.integers(0, 2, (120, 3))
    seen = np.zeros((3, 2, 2), dtype=int)
    for number, levels in enumerate(people):
        before = [tuple(seen[factor, level]) for factor, level in enumerate(levels)]
        arm = minimised_arm(before, (1, 1), Stream(4, (number,)), certainty=0.8)
        for factor, level in enumerate(levels):
            seen[factor, level, arm] += 1
    # By chance alone the two arms of a level with 60 people differ by 6 on average.
    assert np.abs(seen[:, :, 0] - seen[:, :, 1]).max() <= 6


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        (lambda: permuted_blocks(0, (1, 1), (4,), Stream(1)), "0 entries were asked for"),
        (lambda: permuted_blocks(8, (1, 1), (3,), Stream(1)), "must be a multiple of 2"),
        (lambda: permuted_blocks(8, (2, 1), (), Stream(1)), "must be a multiple of 3"),
        (lambda: minimised_arm([(0, 0)], (1, 1), Stream(1), certainty=0.0), "certainty is 0"),
    ],
)
def test_an_impossible_wish_gets_a_sentence(wish, words):
    with pytest.raises(CallError, match=words):
        wish()
