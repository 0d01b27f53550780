"""How well could somebody guess the next entry of an allocation list who knows the rules and everybody before?

The guess is the likeliest arm. With blocks the sizes are known and where a block ends is not: every block that agrees
with what came before is weighed by its probability (Bayes' rule). Convention of the guess: Blackwell & Hodges (1957),
Ann. Math. Stat. 28, 449-460 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from studykit.numerics.planning.allocation import least_imbalanced

_CERTAIN = 1.0 - 1e-9


def determined_by_block_ends(arms: Sequence[int], ends: Sequence[int]) -> np.ndarray:
    """(entries,) whether an entry follows from those before to somebody who knows where its block ends.

    From the first entry on of which all that is left in the block is of one arm. A block that was cut counts as it was
    drawn only up to its last entry: nothing is left to see behind it.

    Args:
        arms: of the whole blocks in order, as drawn; ends: of the blocks, the last no larger than their number.
    """
    found = np.zeros(len(arms), dtype=bool)
    begin = 0
    for end in ends:
        last = end - 1
        while last > begin and arms[last - 1] == arms[end - 1]:
            last -= 1
        found[last:end] = True
        begin = end
    return found


def guesses_with_blocks(arms: Sequence[int], ratios: Sequence[int], sizes: Sequence[int]) -> np.ndarray:
    """(entries,) probability of the likeliest arm of each entry, given the sizes and all entries before.

    Args:
        arms: of one list in order.
        ratios: of the arms; sizes: of blocks, each as likely as any other.
    """
    whole, count = sum(ratios), len(ratios)
    fresh = [(tuple(ratio * (size // whole) for ratio in ratios), 1.0 / len(sizes)) for size in sizes]
    left: dict[tuple[int, ...], float] = {}
    for content, weight in fresh:
        left[content] = left.get(content, 0.0) + weight
    best = np.empty(len(arms))
    for place, arm in enumerate(arms):
        chances = np.zeros(count)
        after: dict[tuple[int, ...], float] = {}
        for content, weight in left.items():
            total = sum(content)
            chances += weight * np.array(content) / total
            if content[arm]:
                rest = tuple(n - (one == arm) for one, n in enumerate(content))
                after[rest] = after.get(rest, 0.0) + weight * content[arm] / total
        best[place] = chances.max()
        ended = after.pop((0,) * count, 0.0)
        for content, weight in fresh:
            if ended:
                after[content] = after.get(content, 0.0) + ended * weight
        seen = sum(after.values())
        left = {content: weight / seen for content, weight in after.items()}
    return best


def guess_with_minimisation(before: Sequence[Sequence[int]], ratios: Sequence[int], *, certainty: float) -> float:
    """Probability of the likeliest arm of the next person under minimisation, given everybody before.

    Args:
        before: for each factor, (arms,) people so far who share this person's level.
        ratios: of the arms; certainty: with which the best arm is taken.
    """
    best = least_imbalanced(before, ratios)
    others = [arm for arm in range(len(ratios)) if arm not in best]
    chances = []
    for group, chance in ((best, certainty if others else 1.0), (others, 1.0 - certainty)):
        chances += [chance * ratios[arm] / sum(ratios[one] for one in group) for arm in group]
    return max(chances)


def is_certain(chance: np.ndarray) -> np.ndarray:
    """Whether a probability is one, but for the rounding of sums."""
    return np.asarray(chance >= _CERTAIN)
