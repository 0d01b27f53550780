"""The list by which participants come to their arms: made from a seed, and made again to check it."""

from __future__ import annotations

import io
import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import pandas as pd

from studykit.errors import CallError, DesignError
from studykit.numerics.planning.allocation import Stream, minimised_arm, permuted_blocks
from studykit.protocol import Protocol

LETTERS: Final = "ABCDEFGHJKLMNPQRSTUVWXYZ"
"""Of stratum codes; I and O are left out, which are read as numbers."""
_MOST_STRATA: Final = len(LETTERS)


@dataclass(frozen=True, slots=True)
class AllocationRules:
    """How a list is made; everything but the seed.

    Attributes:
        method: "blocks" or "minimisation".
        arms: keys in the order of the protocol; ratios: of each.
        strata: column -> words, in order.
        entries: in each stratum (blocks).
        block_sizes: of blocks; certainty: of minimisation.
    """

    method: str
    arms: tuple[str, ...]
    ratios: tuple[int, ...]
    strata: Mapping[str, tuple[str, ...]]
    entries: int
    block_sizes: tuple[int, ...]
    certainty: float

    @property
    def cells(self) -> list[tuple[str, ...]]:
        """Every combination of words of the strata, in order; one empty one without strata."""
        return list(itertools.product(*self.strata.values()))


def allocation_rules(protocol: Protocol) -> AllocationRules:
    """The rules of the protocol's own trial.

    Raises:
        DesignError: the study has no arms to choose between, or the protocol does not say how many entries are needed.
    """
    part = protocol.planning
    if len(protocol.arms) < 2:
        raise DesignError("Allocation needs two arms or more; the protocol has fewer.")
    if part is None or (part.allocation.entries is None and part.participants is None):
        raise DesignError(
            "The protocol does not say how many are to be allocated; write participants under [planning], or entries "
            "under [planning.allocation], in study.toml."
        )
    plan = part.allocation
    ratios = tuple(part.ratio.get(arm, 1) for arm in protocol.arms)
    rules = AllocationRules(
        method=plan.method,
        arms=tuple(protocol.arms),
        ratios=ratios,
        strata=dict(plan.strata),
        entries=plan.entries or part.participants or 0,
        block_sizes=plan.block_sizes or (2 * sum(ratios), 3 * sum(ratios)),
        certainty=plan.certainty,
    )
    if rules.method == "blocks" and len(rules.cells) > _MOST_STRATA:
        raise DesignError(
            f"The strata make {len(rules.cells)} lists, more than the {_MOST_STRATA} that can be kept apart; use fewer "
            "strata or minimisation."
        )
    if rules.method == "minimisation" and not rules.strata:
        raise DesignError(
            "Minimisation balances columns; name at least one under [planning.allocation.strata], or use blocks."
        )
    return rules


def allocation_list(rules: AllocationRules, seed: int) -> pd.DataFrame:
    """The list of permuted blocks: one row an entry, stratum after stratum.

    Returns:
        `code` (letter of the stratum and number within it), one column a stratum, `arm`.
    """
    width = max(3, len(str(rules.entries)))
    lines = []
    for place, words in enumerate(rules.cells):
        arms = permuted_blocks(rules.entries, rules.ratios, rules.block_sizes, Stream(seed, (place,)))
        for at, arm in enumerate(arms, start=1):
            code = f"{LETTERS[place]}{at:0{width}d}"
            lines.append({"code": code, **dict(zip(rules.strata, words, strict=True)), "arm": rules.arms[arm]})
    return pd.DataFrame(lines, columns=["code", *rules.strata, "arm"])


def minimised_next(rules: AllocationRules, seed: int, before: pd.DataFrame, levels: Mapping[str, str]) -> str:
    """The arm of the next participant by minimisation.

    Args:
        rules: with method "minimisation".
        seed: of the whole trial; the stream of a participant depends on it and on how many came before.
        before: everybody allocated so far, in order: one column a stratum, and `arm`.
        levels: column -> word of this participant.

    Raises:
        CallError: a column is missing, or holds a word that is not planned.
    """
    for column, words in rules.strata.items():
        if levels.get(column) not in words:
            given = f"{levels[column]!r}" if column in levels else "missing"
            raise CallError(f"{column} of this participant is {given}; planned are {', '.join(words)}.")
    counts = []
    for column in rules.strata:
        alike = before[before[column] == levels[column]]
        counts.append([int((alike["arm"] == arm).sum()) for arm in rules.arms])
    drawn = minimised_arm(counts, rules.ratios, Stream(seed, (len(before),)), certainty=rules.certainty)
    return rules.arms[drawn]


def minimised_again(rules: AllocationRules, seed: int, allocated: pd.DataFrame) -> pd.Series:
    """The arm that each participant of a finished list should have, from the seed and those before."""
    arms = [
        minimised_next(rules, seed, allocated.iloc[:place], {column: str(row[column]) for column in rules.strata})
        for place, (_, row) in enumerate(allocated.iterrows())
    ]
    return pd.Series(arms, index=allocated.index, dtype="str")


def as_csv(frame: pd.DataFrame) -> bytes:
    """A list as the bytes whose hash is published: UTF-8, one line an entry, LF."""
    text: str = frame.to_csv(index=False, lineterminator="\n")
    return text.encode("utf-8")


def from_csv(content: bytes, columns: Sequence[str]) -> pd.DataFrame:
    """A list from its bytes.

    Raises:
        CallError: the columns are not those of a list.
    """
    try:
        frame = pd.read_csv(io.BytesIO(content), dtype="str", keep_default_na=False)
    except (ValueError, UnicodeDecodeError):
        frame = pd.DataFrame()
    if list(frame.columns) != list(columns):
        raise CallError(f"The list has other columns than {', '.join(columns)}; it is not the one that was made.")
    return frame
