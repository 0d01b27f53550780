"""How many targets the reliability part of a study needs, as an answer."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import pandas as pd

from studykit.errors import DesignError
from studykit.formatting import counted, number, percent
from studykit.numerics.planning import error_sizes, icc_sizes, kappa_sizes
from studykit.numerics.planning.agreement_sizes import MOST_TARGETS
from studykit.numerics.planning.wishes import MOST, with_loss
from studykit.planning.words import amount
from studykit.protocol import Protocol
from studykit.protocol.planning_model import ReliabilityWishes
from studykit.result import Result
from studykit.table import Column, Table

ALPHA_OF_TESTS = 0.05
"""One-sided, the custom of reliability studies."""


@dataclass(frozen=True, slots=True)
class Wish:
    """One thing that the study should be able to say, and the targets it takes.

    Attributes:
        key: short name; words: the wish for a table.
        approximate: by the usual approximation, before rounding up; nan where there is none.
        exact: the smallest number that is enough; None where no exact answer was computed, or no number is enough.
        to_measure: the exact number (else the approximate one) with the allowance for loss; None where none is enough.
    """

    key: str
    words: str
    approximate: float
    exact: int | None
    to_measure: int | None


@dataclass(frozen=True, kw_only=True)
class ReliabilitySizes(Result):
    """Targets needed for each wish.

    Attributes:
        wishes: one for each thing wished for.
        asked: what the protocol says.
    """

    wishes: tuple[Wish, ...] = field(repr=False)
    asked: ReliabilityWishes = field(repr=False)

    def to_frame(self) -> pd.DataFrame:
        """One row a wish."""
        return pd.DataFrame(
            {
                "wish": [wish.key for wish in self.wishes],
                "targets_approximate": [wish.approximate for wish in self.wishes],
                "targets_exact": [_or_nan(wish.exact) for wish in self.wishes],
                "targets_to_measure": [_or_nan(wish.to_measure) for wish in self.wishes],
            }
        )

    def numbers(self) -> dict[str, float]:
        """`<wish>.approximate`, `.exact` and `.to_measure`."""
        named = {f"{wish.key}.approximate": wish.approximate for wish in self.wishes}
        named |= {f"{wish.key}.exact": _or_nan(wish.exact) for wish in self.wishes}
        return named | {f"{wish.key}.to_measure": _or_nan(wish.to_measure) for wish in self.wishes}

    def table(self) -> Table:
        """One row a wish."""
        rows = tuple(
            (
                wish.words,
                "" if math.isnan(wish.approximate) else number(wish.approximate, 1),
                _shown(wish),
                "" if wish.to_measure is None else str(wish.to_measure),
            )
            for wish in self.wishes
        )
        return Table(
            "planning_reliability",
            f"Targets needed with {self.asked.readings} readings of each",
            (
                Column("Wish", "left"),
                Column("Usual approximation"),
                Column("Exact"),
                Column("To measure"),
            ),
            rows,
            (
                f"To measure: with an allowance for {percent(self.asked.lost)} lost. Tests are one-sided at "
                f"{number(ALPHA_OF_TESTS, 2)}. Two limbs of one person are one target here: limbs are alike.",
            ),
        )


def reliability_wishes(protocol: Protocol, asked: ReliabilityWishes, power: float) -> tuple[Wish, ...]:
    """Every wish of the protocol with its numbers.

    Raises:
        DesignError: nothing was wished for, or a wish takes more than a million targets.
    """
    level, unit = protocol.study.confidence, protocol.primary.unit
    found: list[Wish] = []

    def add(key: str, words: str, approximate: float, exact: Callable[[], int], *, may_fail: bool = False) -> None:
        try:
            number_exact: int | None = exact()
        except DesignError as refusal:
            if not may_fail:
                told = str(refusal)
                raise DesignError(f"{words[0].upper()}{words[1:]}: {told[0].lower()}{told[1:]}") from None
            number_exact = None
        needed = math.ceil(approximate) if number_exact is None else number_exact
        if needed > MOST:
            raise DesignError(f"{words[0].upper()}{words[1:]}: more than {MOST} targets would be needed; ask for less.")
        found.append(Wish(key, words, approximate, number_exact, with_loss(needed, asked.lost)))

    n, share = asked.readings, asked.share_positive
    if asked.icc is not None and asked.icc_to_beat is not None:
        icc, beat = asked.icc, asked.icc_to_beat
        add(
            "icc_test",
            f"ICC of {icc:g} shown to be above {beat:g}, power {percent(power)}",
            icc_sizes.icc_test_size_approximate(beat, icc, n, power=power, alpha=ALPHA_OF_TESTS),
            lambda: icc_sizes.icc_test_size(beat, icc, n, power=power, alpha=ALPHA_OF_TESTS),
        )
    if asked.icc is not None and asked.icc_width is not None:
        icc, width = asked.icc, asked.icc_width
        add(
            "icc_width",
            f"interval of an ICC of {icc:g}, {width:g} wide",
            icc_sizes.icc_width_size_approximate(icc, width, n, confidence=level),
            lambda: icc_sizes.icc_width_size(icc, width, n, confidence=level),
        )
    if asked.error_width is not None:
        error = asked.error_width
        add(
            "error_width",
            f"interval of SEM and MDC, {percent(error)} of them wide",
            error_sizes.sem_size_approximate(error, n, confidence=level),
            lambda: error_sizes.sem_size(error, n, confidence=level),
        )
    if asked.limit_width is not None and asked.difference_sd is not None:
        limit, sd = asked.limit_width, asked.difference_sd
        add(
            "limit_width",
            f"interval of a limit of agreement, {amount(limit, unit)} wide (differences' SD {amount(sd, unit)})",
            error_sizes.limit_size_approximate(limit, sd, confidence=level),
            lambda: error_sizes.limit_size(limit, sd, confidence=level),
        )
    shares = (share, 1.0 - share)
    if asked.kappa is not None and asked.kappa_to_beat is not None:
        value, null = asked.kappa, asked.kappa_to_beat
        add(
            "kappa_test",
            f"kappa of {value:g} shown to be above {null:g}, power {percent(power)}",
            kappa_sizes.kappa_test_size_approximate(null, value, shares, power=power, alpha=ALPHA_OF_TESTS),
            lambda: kappa_sizes.kappa_test_size(null, value, share, power=power, alpha=ALPHA_OF_TESTS),
            may_fail=True,
        )
    if asked.kappa is not None and asked.kappa_width is not None:
        value, across = asked.kappa, asked.kappa_width
        add(
            "kappa_width",
            f"interval of a kappa of {value:g}, {across:g} wide",
            kappa_sizes.kappa_width_size_approximate(value, shares, across, confidence=level),
            lambda: kappa_sizes.kappa_width_size(value, share, across, confidence=level),
            may_fail=True,
        )
    if not found:
        raise DesignError(
            "[planning.reliability] wishes for nothing; write icc with icc_to_beat or icc_width, error_width, "
            "difference_sd with limit_width, or kappa with kappa_to_beat or kappa_width."
        )
    return tuple(found)


def reliability_headline(wishes: tuple[Wish, ...], asked: ReliabilityWishes) -> str:
    """The answer in a sentence: the wish that takes most."""
    possible = [(wish.to_measure, wish) for wish in wishes if wish.to_measure is not None]
    needed, most = max(possible, key=lambda one: one[0])
    every = "this wish" if len(wishes) == 1 else "all wishes" if len(possible) == len(wishes) else "every other wish"
    planned = beyond = ""
    if asked.targets is not None:
        enough = "enough" if asked.targets >= needed else "too few"
        planned = f"; {asked.targets} are planned, which is {enough}"
    if len(possible) < len(wishes):
        beyond = (
            f" With {asked.readings} raters not even {counted(MOST_TARGETS, 'target')} make the interval of absolute "
            "agreement that narrow."
        )
    return f"Measure {needed} targets to have {every} granted (most are needed for the {most.words}){planned}.{beyond}"


def _or_nan(count: int | None) -> float:
    return math.nan if count is None else float(count)


def _shown(wish: Wish) -> str:
    if wish.exact is not None:
        return str(wish.exact)
    return "none is enough" if wish.to_measure is None else "not computed"


RELIABILITY_METHODS = (
    "ICC test: exact power of the F test of the one-way analysis of variance (Donner & Eliasziw 1987), approximation "
    "of Walter, Eliasziw & Donner (1998), recomputed from the formula; their printed table was not seen. ICC interval: "
    "exact mean width, approximation of Bonett (2002). SEM and MDC: "
    "exact mean width of the chi-square interval; approximation: large-sample standard error of a standard deviation. "
    "Limit of agreement: exact mean width of the noncentral t interval (Carkeet 2015); approximation: standard error "
    "1.71 s/√n (Bland & Altman 1999). Kappa of two raters with equal shares: large-sample standard error (Fleiss, "
    "Cohen & Everitt 1969); exact: every table weighed by its multinomial probability, the test being the one-sided "
    "lower limit of the analysis."
)
