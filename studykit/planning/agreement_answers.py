"""How well the ICC of absolute agreement would be known, by targets and raters, as an answer."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import pandas as pd

from studykit.formatting import counted, level, number
from studykit.numerics.planning.agreement_sizes import (
    MOST_RATERS,
    MOST_TARGETS,
    agreement_expected_width,
    agreement_width_size,
    raters_for_width,
)
from studykit.numerics.planning.icc_sizes import icc_width_size, icc_width_size_approximate
from studykit.numerics.planning.wishes import with_loss
from studykit.planning.reliability_answers import Wish
from studykit.protocol.planning_model import ReliabilityWishes
from studykit.result import Result
from studykit.table import Column, Table

RATERS: Final = (2, 3, 4, 6, 10)
TARGETS: Final = (10, 20, 30, 50, 100, 500)


@dataclass(frozen=True, slots=True)
class AgreementNeeds:
    """What the wished width takes; None where no number that was looked at is enough.

    Attributes:
        planned: targets that stay of those planned, or as many as the one-way formula asks for.
        width: mean width with them and the planned raters.
        targets: needed with the planned raters.
        raters: needed with `raters_targets`: the planned targets, or two, four or eight times as many where that is not
            enough for any number of raters up to `MOST_RATERS`.
        widest_reach: mean width with `MOST_TARGETS` and the planned raters.
        one_way, one_way_approximate: targets by the one-way ICC, exact and by Bonett's formula.
    """

    planned: int
    width: float
    targets: int | None
    raters: int | None
    raters_targets: int
    widest_reach: float
    one_way: int
    one_way_approximate: float


@dataclass(frozen=True, kw_only=True)
class AgreementWidths(Result):
    """Mean width of the interval of an absolute-agreement ICC by targets and raters.

    Attributes:
        asked: what the protocol says; confidence: level of the interval.
        needs: what the wished width takes.
        widths: one row a number of targets and raters: `targets`, `raters`, `width`.
    """

    asked: ReliabilityWishes = field(repr=False)
    confidence: float
    needs: AgreementNeeds
    widths: pd.DataFrame = field(repr=False)

    def to_frame(self) -> pd.DataFrame:
        """One row a number of targets and raters."""
        return self.widths.copy()

    def numbers(self) -> dict[str, float]:
        """`targets_<n>.raters_<k>.width`, and what the wish takes (nan where nothing is enough)."""
        named = {
            f"targets_{row.targets}.raters_{row.raters}.width": float(row.width) for row in self.widths.itertuples()
        }
        needs = self.needs
        return {
            **named,
            "targets_needed": math.nan if needs.targets is None else float(needs.targets),
            "raters_needed": math.nan if needs.raters is None else float(needs.raters),
            "width_as_planned": needs.width,
            "one_way.exact": float(needs.one_way),
            "one_way.approximate": needs.one_way_approximate,
        }

    def table(self) -> Table:
        """Targets in rows, raters in columns."""
        wide = self.widths.pivot(index="targets", columns="raters", values="width")
        rows = tuple((str(targets), *(number(float(width), 2) for width in row)) for targets, row in wide.iterrows())
        icc, share = f"{self.asked.icc:g}", f"{self.asked.rater_share:g}"
        return Table(
            "planning_agreement",
            f"Mean width of the {level(self.confidence)} of an absolute-agreement ICC of {icc}",
            (Column("Targets", "left"), *(Column(counted(int(raters), "rater")) for raters in wide.columns)),
            rows,
            (
                f"Raters are a sample of raters, and {share} of the error variance is how much their levels differ. "
                "Down a column: more targets; along a row: more raters. Where raters differ much, the width with two "
                "or three of them soon stops falling: how much raters differ is known from these few alone.",
                f"The one-way and the consistency formulas leave raters out and ask for {self.needs.one_way} targets "
                f"(Bonett: {number(self.needs.one_way_approximate, 1)}); they do not hold for absolute agreement.",
            ),
        )


def agreement_needs(asked: ReliabilityWishes, confidence: float) -> AgreementNeeds:
    """What the wished width of the agreement ICC takes.

    Args:
        asked: with `icc`, `icc_width` and `rater_share`.
        confidence: level of the interval.
    """
    icc, width, share = _asked(asked)
    one_way = icc_width_size(icc, width, asked.readings, confidence=confidence)
    stay = one_way if asked.targets is None else max(2, math.floor(asked.targets * (1.0 - asked.lost) + 1e-9))
    planned = min(stay, MOST_TARGETS)
    raters, raters_targets = None, planned
    for times in (1, 2, 4, 8):
        raters_targets = min(times * planned, MOST_TARGETS)
        raters = raters_for_width(icc, width, share, raters_targets, confidence=confidence)
        if raters is not None:
            break
    return AgreementNeeds(
        planned=planned,
        width=agreement_expected_width(planned, icc, share, asked.readings, confidence=confidence),
        targets=agreement_width_size(icc, width, share, asked.readings, confidence=confidence),
        raters=raters,
        raters_targets=raters_targets,
        widest_reach=agreement_expected_width(MOST_TARGETS, icc, share, asked.readings, confidence=confidence),
        one_way=one_way,
        one_way_approximate=icc_width_size_approximate(icc, width, asked.readings, confidence=confidence),
    )


def agreement_widths(asked: ReliabilityWishes, confidence: float, planned: int) -> pd.DataFrame:
    """Mean widths: `targets`, `raters`, `width`; the planned numbers are among them."""
    icc, _, share = _asked(asked)
    rows = [
        (targets, raters, agreement_expected_width(targets, icc, share, raters, confidence=confidence))
        for targets in sorted({*TARGETS, planned})
        for raters in sorted({*RATERS, asked.readings})
    ]
    return pd.DataFrame(rows, columns=["targets", "raters", "width"])


def agreement_headline(asked: ReliabilityWishes, needs: AgreementNeeds, confidence: float) -> str:
    """The answer in a sentence or two: the width as planned, and whether more targets or more raters give the wish."""
    icc, width, _ = _asked(asked)
    raters = counted(asked.readings, "rater")
    first = (
        f"With {raters} and {counted(needs.planned, 'target')} the {level(confidence)} of an absolute-agreement ICC of "
        f"{icc:g} is {number(needs.width, 2)} wide on average; {width:g} was wished for"
    )
    if needs.targets is not None and needs.targets <= needs.planned:
        return f"{first}, for which {counted(needs.targets, 'target')} are enough."
    if needs.targets is not None:
        fewer = needs.raters is not None and needs.raters_targets < needs.targets and needs.raters > asked.readings
        instead = f" (or {counted(needs.raters_targets, 'target')} and {needs.raters} raters)" if fewer else ""
        return f"{first}, which takes {counted(needs.targets, 'target')}{instead}."
    more = (
        f"with {counted(needs.raters, 'rater')} {counted(needs.raters_targets, 'target')} are enough"
        if needs.raters is not None
        else f"but {MOST_RATERS} raters with {counted(needs.raters_targets, 'target')} are too few too, so wish for a "
        "wider interval"
    )
    return (
        f"{first}. With {raters} not even {counted(MOST_TARGETS, 'target')} give that (they make it "
        f"{number(needs.widest_reach, 2)} wide): plan more raters; {more}."
    )


def agreement_wish(asked: ReliabilityWishes, needs: AgreementNeeds) -> Wish:
    """The wish as a line among the others."""
    icc, width, _ = _asked(asked)
    return Wish(
        key="agreement_width",
        words=f"interval of an absolute-agreement ICC of {icc:g}, {width:g} wide",
        approximate=math.nan,
        exact=needs.targets,
        to_measure=None if needs.targets is None else with_loss(needs.targets, asked.lost),
    )


AGREEMENT_METHODS: Final = (
    "Absolute agreement of single readings, raters as a sample: mean width of the F interval with estimated degrees of "
    "freedom (McGraw & Wong 1996), integrated numerically over the independent chi-square distributions of the mean "
    "squares of targets, raters and error."
)
AGREEMENT_CAUTIONS: Final = (
    "This is the mean width over many studies. With two or three raters widths of single studies lie far apart, and "
    "the interval holds a little less than its level where raters differ much.",
    "The share of the error that lies between raters is supposed; two raters of a pilot study say little about it.",
)


def _asked(asked: ReliabilityWishes) -> tuple[float, float, float]:
    assert asked.icc is not None  # noqa: S101 - the protocol checks that they are given together
    assert asked.icc_width is not None  # noqa: S101
    assert asked.rater_share is not None  # noqa: S101
    return asked.icc, asked.icc_width, asked.rater_share
