"""How balanced an allocation list is and how guessable it was, without a single entry of it.

Whoever reads this must not learn who is in which arm. So counts by arm stand only for groups of `FEWEST_SHOWN` entries
or more in which every arm occurs, of a column either all words or none (the others would follow from the total), and
along the list only the distance between the arms is told, not which of them is ahead.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd

from studykit.errors import DesignError
from studykit.formatting import counted, listed, number, percent
from studykit.numerics.planning.allocation import Stream, blocks_in_order, gap_of, largest_gap
from studykit.numerics.planning.guessing import (
    determined_by_block_ends,
    guess_with_minimisation,
    guesses_with_blocks,
    is_certain,
)
from studykit.planning.allocation import AllocationRules
from studykit.planning.words import planned_provenance
from studykit.protocol import Protocol
from studykit.result import Result
from studykit.table import Column, Table

FEWEST_SHOWN: Final = 10
"""Entries of the smallest group whose counts by arm are shown, and of the smallest step along the list."""
STEPS: Final = 10
NOT_SHOWN: Final = "not shown"


@dataclass(frozen=True, slots=True)
class Guessing:
    """How well the entries of a list can be guessed by somebody who knows the rules and everybody before.

    Attributes:
        right: mean probability that the likeliest arm is the one; by_chance: of always guessing the commonest arm.
        certain: share of entries that can be known for sure.
        by_block_ends: the same for somebody who also knows where each block ends; nan without blocks.
        whole_blocks: whole blocks after which the arms of the stratum stand exactly at their ratio; nan without blocks.
    """

    right: float
    by_chance: float
    certain: float
    by_block_ends: float
    whole_blocks: float


@dataclass(frozen=True, kw_only=True)
class AllocationBalance(Result):
    """Balance of a list.

    Attributes:
        rules: how the list was made; labels: arm -> label.
        groups: `group`, `entries`, `largest_gap`, and one column an arm, `count_<arm>`, nan where not shown.
        along: `share`, `entries`, `gap_overall`, `gap_in_a_stratum`: how far arms are apart at steps of the list.
        guessing: how guessable the entries were.
    """

    rules: AllocationRules
    labels: Mapping[str, str]
    groups: pd.DataFrame = field(repr=False)
    along: pd.DataFrame = field(repr=False)
    guessing: Guessing

    def to_frame(self) -> pd.DataFrame:
        """One row a group."""
        return self.groups.copy()

    def numbers(self) -> dict[str, float]:
        """Counts by group and arm, gaps, and how guessable; nan where not shown."""
        named = {
            f"{row['group']}.{name}": float(row[name])
            for _, row in self.groups.iterrows()
            for name in self.groups.columns
            if name != "group"
        }
        for row in self.along.itertuples():
            named[f"at_{row.entries}.gap_overall"] = float(row.gap_overall)
            named[f"at_{row.entries}.gap_in_a_stratum"] = float(row.gap_in_a_stratum)
        guessing = {name: float(getattr(self.guessing, name)) for name in Guessing.__slots__}
        return {**named, **guessing}

    def table(self) -> Table:
        """Counts by arm with what the ratio asks for, overall and by stratum."""
        ratios, whole = self.rules.ratios, sum(self.rules.ratios)
        rows = []
        for _, row in self.groups.iterrows():
            cells = [
                NOT_SHOWN
                if np.isnan(row[f"count_{arm}"])
                else f"{int(row[f'count_{arm}'])} ({number(row['entries'] * ratio / whole, 1)})"
                for arm, ratio in zip(self.rules.arms, ratios, strict=True)
            ]
            gap = NOT_SHOWN if np.isnan(row["largest_gap"]) else _people(float(row["largest_gap"]))
            rows.append((row["group"], str(int(row["entries"])), *cells, gap))
        asked = listed([f"{self.labels[arm]} {ratio}" for arm, ratio in zip(self.rules.arms, ratios, strict=True)], 50)
        return Table(
            "allocation_balance",
            "Entries by arm, and by the ratio",
            (
                Column("Group", "left"),
                Column("Entries"),
                *(Column(self.labels[arm]) for arm in self.rules.arms),
                Column("Largest gap"),
            ),
            tuple(rows),
            (
                f"In brackets: what the ratio asks for ({asked}). Largest gap: the furthest that two arms were ever "
                f"apart, in people of an arm of ratio 1{self._lists_in_turn()}.",
                f"Counts are shown of groups of {FEWEST_SHOWN} entries or more in which every arm occurs; where one "
                "word of a column is too few, no word of that column is shown.",
            ),
        )

    def along_table(self) -> Table:
        """How far the arms are apart at steps of the list."""
        rows = tuple(
            (percent(row.share), str(row.entries), _people(row.gap_overall), _people(row.gap_in_a_stratum))
            for row in self.along.itertuples()
        )
        return Table(
            "allocation_along",
            "How far the arms are apart along the list",
            (Column("Of the list", "left"), Column("Entries"), Column("All together"), Column("In one stratum")),
            rows,
            (
                "The furthest apart of any two arms at that point, in people of an arm of ratio 1; of strata the "
                "largest. Which arm is ahead is not told.",
            ),
        )

    def guessing_table(self) -> Table:
        """How guessable the entries were."""
        g = self.guessing
        rows = [
            ("Right guesses of somebody who always says the commonest arm", percent(g.by_chance, 1)),
            ("Right guesses of somebody who knows the rules and everybody before", percent(g.right, 1)),
            ("Entries that such a person can know for sure", percent(g.certain, 1)),
        ]
        if not np.isnan(g.by_block_ends):
            rows.append(
                ("Entries that follow from the end of their block, if it is known", percent(g.by_block_ends, 1))
            )
        return Table(
            "allocation_guessing",
            "How guessable was the next entry?",
            (Column("What", "left"), Column("Share")),
            tuple(rows),
            (
                "Somebody who knows everybody before knows the arms of all earlier participants; where arms are "
                "hidden, nobody does.",
                *self._whole_blocks(),
            ),
        )

    def _lists_in_turn(self) -> str:
        several = self.rules.method == "blocks" and len(self.rules.cells) > 1
        return ", the lists of the strata taken one after the other" if several else ""

    def _whole_blocks(self) -> tuple[str, ...]:
        """That the arms stood at their ratio after each whole block."""
        if np.isnan(self.guessing.whole_blocks):
            return ()
        return (
            f"After each of {counted(int(self.guessing.whole_blocks), 'whole block')} the arms of its stratum stood "
            "exactly at the ratio; where blocks end is not told.",
        )


def allocation_balance(
    protocol: Protocol, rules: AllocationRules, seed: int, allocated: pd.DataFrame
) -> AllocationBalance:
    """The balance of a checked list; the seed tells where its blocks end and goes into no result.

    Raises:
        DesignError: nobody has been allocated yet.
    """
    if allocated.empty:
        raise DesignError("Nobody has been allocated yet, so there is nothing to balance.")
    groups, guessing = balance_groups(rules, allocated), guessing_of(rules, seed, allocated)
    return AllocationBalance(
        key="planning.allocation",
        title="Balance of the allocation",
        headline=balance_headline(groups, guessing),
        cautions=BALANCE_CAUTIONS,
        methods=BALANCE_METHODS,
        provenance=planned_provenance(protocol),
        rules=rules,
        labels={key: arm.label for key, arm in protocol.arms.items()},
        groups=groups,
        along=balance_along(rules, allocated),
        guessing=guessing,
    )


def guessing_of(rules: AllocationRules, seed: int, allocated: pd.DataFrame) -> Guessing:
    """How guessable the entries of a checked list were.

    Args:
        rules: of the list; seed: of it, for where the blocks end.
        allocated: the list, in order.
    """
    places = {arm: place for place, arm in enumerate(rules.arms)}
    commonest = max(rules.ratios) / sum(rules.ratios)
    if rules.method == "blocks":
        chances, known, whole_blocks = [], [], 0
        for place in range(len(rules.cells)):
            stream = Stream(seed, (place,))
            arms, ends = blocks_in_order(rules.entries, rules.ratios, rules.block_sizes, stream)
            chances.append(guesses_with_blocks(arms, rules.ratios, rules.block_sizes))
            whole = [end for end in ends if end <= len(arms)]
            whole_blocks += sum(gap_of(arms[:end], rules.ratios) == 0.0 for end in whole)
            # What is left of a block that was cut is not seen to its end, so nothing in it is counted as known.
            seen = determined_by_block_ends(arms[: whole[-1]], whole) if whole else np.zeros(0, dtype=bool)
            known.append(np.append(seen, np.zeros(len(arms) - len(seen), dtype=bool)))
        chance = np.concatenate(chances)
        return Guessing(
            right=float(chance.mean()),
            by_chance=commonest,
            certain=float(is_certain(chance).mean()),
            by_block_ends=float(np.concatenate(known).mean()),
            whole_blocks=float(whole_blocks),
        )
    met = {(name, word): [0] * len(rules.arms) for name, words in rules.strata.items() for word in words}
    found = []
    for _, row in allocated.iterrows():
        counts = [met[name, str(row[name])] for name in rules.strata]
        found.append(guess_with_minimisation(counts, rules.ratios, certainty=rules.certainty))
        for count in counts:
            count[places[row["arm"]]] += 1
    chance = np.array(found)
    return Guessing(
        right=float(chance.mean()),
        by_chance=commonest,
        certain=float(is_certain(chance).mean()),
        by_block_ends=float("nan"),
        whole_blocks=float("nan"),
    )


def balance_groups(rules: AllocationRules, allocated: pd.DataFrame) -> pd.DataFrame:
    """`group`, `entries`, `largest_gap`, `count_<arm>`: overall, and by the words of each column."""
    rows = [_group(rules, "All", allocated, shown=len(allocated) >= FEWEST_SHOWN)]
    for column, words in rules.strata.items():
        groups = [(word, allocated[allocated[column] == word]) for word in words]
        shown = all(_may_be_shown(rules, group) for _, group in groups)
        rows += [_group(rules, f"{column}: {word}", group, shown=shown) for word, group in groups]
    return pd.DataFrame(rows)


def balance_along(rules: AllocationRules, allocated: pd.DataFrame) -> pd.DataFrame:
    """`share`, `entries`, `gap_overall`, `gap_in_a_stratum` at steps of at least `FEWEST_SHOWN` entries.

    With blocks every list is followed to the same share of it; with minimisation people are followed in order.
    """
    if rules.method == "blocks":
        lists = [allocated.iloc[at : at + rules.entries] for at in range(0, len(allocated), rules.entries)]
        length = rules.entries
    else:
        lists, length = [allocated], len(allocated)
    steps = min(STEPS, max(1, length // FEWEST_SHOWN))
    rows = []
    for step in range(1, steps + 1):
        until = round(length * step / steps)
        begun = [one.iloc[:until] for one in lists]
        together = pd.concat(begun)
        if rules.method == "blocks":
            groups = begun
        else:
            groups = [together[together[name] == word] for name, words in rules.strata.items() for word in words]
        apart = max(_gap_now(rules, group) for group in groups)
        rows.append((step / steps, len(together), _gap_now(rules, together), apart))
    return pd.DataFrame(rows, columns=["share", "entries", "gap_overall", "gap_in_a_stratum"])


def balance_headline(groups: pd.DataFrame, guessing: Guessing) -> str:
    """How far the arms were ever apart, and how guessable the list was."""
    all_of_it = groups.iloc[0]
    gap = all_of_it["largest_gap"]
    apart = (
        "how far arms were apart is not shown for so few"
        if np.isnan(gap)
        else f"two arms were never more than {_people(float(gap))} apart"
    )
    return (
        f"Of {counted(int(all_of_it['entries']), 'entry', 'entries')}, {apart}. Somebody who knew the rules and all "
        f"arms before would have guessed {percent(guessing.right)} of the next ones ({percent(guessing.by_chance)} by "
        "always saying the commonest arm)."
    )


BALANCE_METHODS: Final = (
    "The guess is the likeliest arm (Blackwell & Hodges 1957): every block that agrees with the entries before it is "
    "weighed by its probability; under minimisation the rule itself says it."
)
BALANCE_CAUTIONS: Final = (
    "Balance of numbers is not balance of people: arms of equal size may differ in everything that is no stratum.",
    "Two such pages with few people between them tell who came in between. Make one at the end of recruitment or at "
    "planned looks.",
)


def _may_be_shown(rules: AllocationRules, group: pd.DataFrame) -> bool:
    return len(group) >= FEWEST_SHOWN and set(group["arm"]) == set(rules.arms)


def _group(rules: AllocationRules, name: str, group: pd.DataFrame, *, shown: bool) -> dict[str, object]:
    places = {arm: place for place, arm in enumerate(rules.arms)}
    seen = shown and _may_be_shown(rules, group)
    gap = largest_gap([places[arm] for arm in group["arm"]], rules.ratios) if seen else np.nan
    counts = {f"count_{arm}": float((group["arm"] == arm).sum()) if seen else np.nan for arm in rules.arms}
    return {"group": name, "entries": float(len(group)), "largest_gap": gap, **counts}


def _gap_now(rules: AllocationRules, group: pd.DataFrame) -> float:
    places = {arm: place for place, arm in enumerate(rules.arms)}
    return gap_of([places[arm] for arm in group["arm"]], rules.ratios)


def _people(gap: float) -> str:
    return number(gap, 0 if float(gap).is_integer() else 1)
