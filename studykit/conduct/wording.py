"""The sentences around how a study was measured; raters are codes, in the order of the protocol, and never ranked."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd

from studykit.change import MdcBeside
from studykit.formatting import counted, estimate, listed, number, p_value, percent, share_estimate
from studykit.protocol import Measure

DIGITS_CAUTIONS: Final = (
    "A habit of rounding makes readings coarser, not wrong on average; it widens the error of a single reading, and "
    "the MDC found from the same readings holds that already.",
    "Raters are shown in the order of the protocol. Who reads coarsely may have had the instrument with the coarser "
    "scale: ask before you conclude.",
    "Several raters are looked at, each at its own level: with many, one may stand out by chance.",
)
DIGITS_METHODS: Final = (
    "Of the first trial of every participant, visit and side, the share of multiples of five marks of the instrument, "
    "one fifth by chance, has Wilson's interval. Last digits of each participant's first reading by a rater were "
    "tested against equal probabilities with Pearson's chi-square (exact multinomial below 50 participants). Study "
    "months are thirty days, from the first reading on."
)
DRIFT_METHODS: Final = (
    "To the mixed model of change, raters and a slope over calendar days for each rater were added as fixed effects. A "
    "rater's drift is that slope less the mean of all raters' slopes, with Kenward–Roger intervals; that all slopes "
    "are alike was tested with the F test of Kenward and Roger (1997)."
)


def digits_headline(name: str, raters: pd.DataFrame, words: str, confidence: float) -> str:
    """Share of multiples of five of each rater, beside the fifth that chance gives."""
    rows = raters.to_dict("records")
    said = [f"{row['rater']} {_share(row, confidence if place == 0 else None)}" for place, row in enumerate(rows)]
    return (
        f"{name}, share of multiples of five {words} among first trials ({percent(0.2)} by chance): "
        f"{listed(said, most=len(said))}."
    )


def digits_notes(raters: pd.DataFrame) -> tuple[str, ...]:
    """Lines below the table of digits."""
    exact = int((raters["exact"] & raters["p"].notna()).sum())
    return (
        "p: small where some last digits occur more often than chance lets them; not adjusted for several raters.",
        *((f"{counted(exact, 'p value')} by the exact multinomial distribution.",) if exact else ()),
    )


def drift_headline(measure: Measure, raters: pd.DataFrame, p: float, confidence: float, mdc: MdcBeside | None) -> str:
    """Slope of each rater against the mean of all, and whether slopes can be told apart."""
    said = [
        f"{row['rater']} by {_slope(row, measure.unit, confidence if place == 0 else None)}"
        for place, row in enumerate(raters.to_dict("records"))
    ]
    beside = f" The MDC of one person is {mdc.in_words(measure.unit)}." if mdc is not None else ""
    return (
        f"{measure.name}: in 30 days the readings of raters moved against the mean of all raters, "
        f"{listed(said, most=len(said))} (all alike: p {_p(p)}).{beside}"
    )


def drift_cautions(measure: Measure, common: dict[str, float], confidence: float) -> tuple[str, ...]:
    """What drift does not show."""
    shared = estimate(common["estimate"], common["low"], common["high"], unit=measure.unit, confidence=confidence)
    return (
        f"All raters together moved by {shared} in 30 days. That may be a season, the instrument, or people who came "
        "later being different; it cannot be told from those and is no drift of raters.",
        "A rater's slope rests on that rater having seen the same kind of people in all months. If some raters took "
        "over certain sites or people, their slopes hold that as well.",
        "No rater is right or wrong here: the mean of all raters is no gold standard. Raters are codes in the order of "
        "the protocol.",
        "A drift is taken as steady; a jump, after a training say, is seen in the picture rather than in the slope.",
    )


def apart_note(f: float, df1: int, df2: float, p: float) -> str:
    """The joint test as a line below the table."""
    below = number(df2, 1) if np.isfinite(df2) else "∞"
    return f"All slopes alike: F({df1}, {below}) = {number(f, 2)}, p {_p(p)} (Kenward–Roger)."


def _p(p: float) -> str:
    text = p_value(p)
    return text if text.startswith(("<", ">")) else f"= {text}"


def _share(row: dict[str, Any], confidence: float | None) -> str:
    return share_estimate(row["share"], row["low"], row["high"], confidence=confidence)


def _slope(row: dict[str, Any], unit: str, confidence: float | None) -> str:
    return estimate(row["slope"], row["slope_low"], row["slope_high"], unit=unit, confidence=confidence)
