"""What a plan may ask for, and the search for the smallest number that grants it."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

from studykit.errors import CallError, DesignError

MOST: Final = 1_000_000
"""Beyond so many the search gives up: no mobility study will measure them."""


def check_power(power: float, alpha: float) -> None:
    """Refuse a power that no study can have, and one that needs no study.

    Raises:
        CallError: alpha outside 0 to 1, a power of 1 or more, or a power no larger than alpha.
    """
    if not 0.0 < alpha < 1.0:
        raise CallError(f"alpha is {alpha:g}; give a number between 0 and 1, such as 0.05.")
    if power >= 1.0:
        raise CallError(f"A power of {power:g} cannot be had with any number of participants; ask for 0.8 or 0.9.")
    if not power > alpha:
        raise CallError(
            f"A power of {power:g} is no more than alpha ({alpha:g}), which chance alone gives; ask for 0.8."
        )


def check_effect(effect: float, name: str) -> None:
    """Refuse an effect of zero, for which no number is enough.

    Raises:
        CallError: the effect is zero or no number.
    """
    if not math.isfinite(effect) or effect == 0.0:
        raise CallError(
            f"{name} is {effect:g}; no study can find an effect of zero, so give the smallest that matters."
        )


def check_positive(value: float, name: str) -> None:
    """Refuse a width or a spread that is not above zero.

    Raises:
        CallError: the value is not above zero.
    """
    if not (math.isfinite(value) and value > 0.0):
        raise CallError(f"{name} is {value:g}; give a number above 0.")


def smallest(
    reaches: Callable[[int], bool], *, low: int, what: str, most: int = MOST, run: int = 1, guess: int | None = None
) -> int:
    """Smallest whole number from `low` on that grants a wish, when granting is lasting once it begins.

    Args:
        reaches: whether a number is enough.
        low: smallest number that makes sense.
        what: what is counted, for the refusal.
        most: where the search gives up.
        run: how many numbers in a row must be enough; above 1 where power climbs in a saw-tooth.
        guess: a number thought to be near the answer; it saves looking and changes nothing else.

    Raises:
        DesignError: even `most` is not enough.
    """
    if guess is None or not low < guess <= most:
        if reaches(low) and run == 1:
            return low
        below, above = low, 2 * low
        while not reaches(above):
            below, above = above, 2 * above
            if above > most:
                raise DesignError(f"More than {most} {what} would be needed; ask for less, or measure more exactly.")
    else:
        below, above = _around(reaches, guess, low, most)
        if below >= most:
            raise DesignError(f"More than {most} {what} would be needed; ask for less, or measure more exactly.")
        if above == low and run == 1:
            return low
    while above - below > 1:
        middle = (below + above) // 2
        below, above = (below, middle) if reaches(middle) else (middle, above)
    while run > 1 and not all(reaches(above + step) for step in range(run)):
        above += 1
    return above


def _around(reaches: Callable[[int], bool], guess: int, low: int, most: int) -> tuple[int, int]:
    """A number that is not enough and one that is, found in growing steps from a guess.

    (low - 1, low) when `low` is enough already; (most, most) when `most` is not.
    """
    step = 1
    if reaches(guess):
        above = guess
        while above > low:
            below = max(low, above - step)
            if not reaches(below):
                return below, above
            above, step = below, 2 * step
        return low - 1, low
    below = guess
    while below < most:
        above = min(most, below + step)
        if reaches(above):
            return below, above
        below, step = above, 2 * step
    return most, most


def with_loss(needed: int, loss: float) -> int:
    """How many to begin with so that `needed` remain when the share `loss` is lost: needed / (1 - loss), rounded up.

    Raises:
        CallError: a share below 0, or of 1 and more.
    """
    if not 0.0 <= loss < 1.0:
        raise CallError(f"The share lost is {loss:g}; give 0 or more and less than 1, such as 0.15.")
    return math.ceil(needed / (1.0 - loss) - 1e-9)
