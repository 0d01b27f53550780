"""Digit preference: do a rater's readings end in some digits, or in 0 and 5, more often than chance would let them?"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd

from studykit.conduct import wording
from studykit.conduct.calendar import check_calendar, days_from_first, month_of
from studykit.data.checks.rules.habits import FEWEST_CELLS, FINEST_STEP
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import counted, level, p_value, share_estimate
from studykit.numerics.digits import DIGITS, LEAST_SD_FOR_DIGITS, LEAST_SD_FOR_FIVES, digit_test, last_digits
from studykit.numerics.intervals import wilson_interval
from studykit.pictures.digits import digits_picture
from studykit.pictures.theme import Drawing
from studykit.result import Result
from studykit.table import Column, Table
from studykit.vocabulary import MEASUREMENTS

EXPECTED_FIVES: Final = 0.2
FEWEST_IN_A_MONTH: Final = 10
"""Readings of one rater in one month from which their share of multiples of five is shown."""
_FIRST_TRIAL: Final = ("participant_id", "visit", "side", "rater_id")


@dataclass(frozen=True, kw_only=True)
class DigitPreference(Result):
    """Last digits of each rater's readings of the primary measure.

    Attributes:
        raters: one row a rater that could be judged: `rater`, `readings`, `fives`, `share`, `low`, `high` (Wilson),
            `0` .. `9` (counts of last digits); `people`, `statistic`, `p`, `exact` of the test of last digits, which
            takes one reading a participant (nan where the readings spread too little).
        months: one row a rater and study month with enough readings: `rater`, `month`, `readings`, `fives`, `share`,
            `low`, `high`; empty where the calendar is not known.
        measure, step_words, confidence, notes: for words.
    """

    raters: pd.DataFrame = field(repr=False)
    months: pd.DataFrame = field(repr=False)
    measure: str
    step_words: str
    confidence: float
    notes: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row a rater: counts of every last digit, share of multiples of five with its interval, test."""
        return self.raters.assign(confidence=self.confidence)

    def numbers(self) -> dict[str, float]:
        """`<rater>.readings`, `.fives`, `.share`, `.low`, `.high`, `.digits_p`; `<rater>.month_<m>.share`..."""
        named: dict[str, float] = {}
        for row in self.raters.to_dict("records"):
            start = str(row["rater"])
            named |= {f"{start}.{name}": float(row[name]) for name in ("readings", "fives", "share", "low", "high")}
            named[f"{start}.people"] = float(row["people"])
            named |= {f"{start}.digits_chi_square": float(row["statistic"]), f"{start}.digits_p": float(row["p"])}
            named |= {f"{start}.digit_{digit}": float(row[str(digit)]) for digit in range(DIGITS)}
        for row in self.months.to_dict("records"):
            start = f"{row['rater']}.month_{int(row['month'])}"
            named |= {f"{start}.{name}": float(row[name]) for name in ("readings", "share", "low", "high")}
        return named

    def table(self) -> Table:
        """One row a rater: readings, share of multiples of five, test of the last digits."""
        rows = [
            (
                str(row["rater"]),
                str(row["readings"]),
                f"{row['fives']}: {share_estimate(row['share'], row['low'], row['high'])}",
                str(row["people"]),
                p_value(row["p"]),
            )
            for row in self.raters.to_dict("records")
        ]
        columns = (
            Column("Rater", "left"),
            Column("First trials"),
            Column(f"Multiples of five {self.step_words}, {level(self.confidence)}"),
            Column("Participants"),
            Column("p that all last digits are equally likely"),
        )
        return Table(self.key.replace(".", "_"), self.title, columns, tuple(rows), self.notes)

    def figure(self) -> Drawing:
        """Share of each last digit by rater, and share of multiples of five by month."""
        return digits_picture(self.raters, self.months, measure=self.measure, confidence=self.confidence)


def digit_preference(study: Study) -> DigitPreference:
    """Count last digits of first trials, rater by rater.

    Raises:
        DesignError: a graded measure, or no rater whose readings could be judged; the sentence says why.
    """
    protocol = study.protocol
    measure, confidence = protocol.primary, protocol.study.confidence
    if measure.graded:
        raise DesignError(f"{measure.name} is graded: grades have no last digit that a rater could favour.")
    first = _first_trials(study)
    step = FINEST_STEP[measure.unit]
    first = first.assign(marks=first["value"] / step)
    rows, kept, notes = [], [], []
    for rater in _in_order(study, first):
        own = first[first["rater_id"] == rater]
        row, why = _judged(str(rater), own, confidence)
        if row is None:
            notes.append(why)
            continue
        rows.append(row)
        kept.append(str(rater))
        notes += [why] if why else []
    if not rows:
        raise DesignError(f"No rater's last digits can be judged. {' '.join(notes)}".strip())
    raters = pd.DataFrame(rows)
    months, without = _months(first[first["rater_id"].isin(kept)], kept, measure.name, confidence)
    words = {"deg": "degrees", "mm": "millimetres", "cm": "millimetres"}[measure.unit]
    return DigitPreference(
        key=f"digits.{protocol.study.primary_measure}",
        title=f"Digits that raters favour: {measure.name}",
        headline=wording.digits_headline(measure.name, raters, words, confidence),
        cautions=wording.DIGITS_CAUTIONS,
        methods=wording.DIGITS_METHODS,
        provenance=study.provenance(),
        raters=raters,
        months=months,
        measure=measure.name,
        step_words=words,
        confidence=confidence,
        notes=(*wording.digits_notes(raters), *notes, *without),
    )


def _first_trials(study: Study) -> pd.DataFrame:
    rows = study.table(MEASUREMENTS)
    rows = rows[(rows["measure"] == study.protocol.study.primary_measure) & rows["value"].notna()]
    order = {key: position for position, key in enumerate(study.protocol.visit_keys)}
    rows = rows.assign(order=rows["visit"].map(order).fillna(len(order)))
    ordered = rows.sort_values(["participant_id", "order", "side", "rater_id", "trial"], kind="stable")
    return ordered.drop_duplicates(list(_FIRST_TRIAL)).dropna(subset=["rater_id"]).reset_index(drop=True)


def _in_order(study: Study, rows: pd.DataFrame) -> list[str]:
    """Raters in the order of the protocol, then others by code: an order that says nothing about them."""
    present = set(rows["rater_id"])
    planned = [rater for rater in study.protocol.raters if rater in present]
    return [*planned, *sorted(present - set(planned))]


def _judged(rater: str, own: pd.DataFrame, confidence: float) -> tuple[dict[str, Any] | None, str]:
    """The numbers of one rater, or None; and a sentence about what could not be judged.

    The test takes the first reading of each participant: limbs and visits of one person lie so near to each other that
    their last digits go together, and counting them as independent would find habits where there are none.
    """
    marks = own["marks"].to_numpy(dtype=float)
    if marks.size < FEWEST_CELLS:
        return None, f"{rater} has {counted(marks.size, 'first trial')}; {FEWEST_CELLS} are needed to judge a habit."
    finer = int(np.sum(np.abs(marks - np.rint(marks)) > 1e-6))
    if finer:
        share = f"{finer} of {counted(marks.size, 'first trial')}"
        return None, f"{rater} read finer than whole marks in {share}, so that last digits are no habit of reading."
    spread = float(np.std(marks, ddof=1))
    if spread < LEAST_SD_FOR_FIVES:
        return None, f"{rater}'s readings spread too little (less than {LEAST_SD_FOR_FIVES:g} marks) to judge digits."
    counts = np.bincount(last_digits(marks), minlength=DIGITS)
    fives = int(counts[0] + counts[5])
    low, high = wilson_interval(fives, marks.size, confidence)
    found = digit_test(own.drop_duplicates("participant_id")["marks"].to_numpy(dtype=float))
    wide = spread >= LEAST_SD_FOR_DIGITS
    row: dict[str, Any] = {
        "rater": rater,
        "readings": marks.size,
        "fives": fives,
        "share": fives / marks.size,
        "low": low,
        "high": high,
        "people": found.total,
        "statistic": found.statistic if wide else float("nan"),
        "p": found.p if wide else float("nan"),
        "exact": found.exact,
    }
    row |= {str(digit): int(count) for digit, count in enumerate(counts)}
    narrow = f"{rater}'s readings spread less than {LEAST_SD_FOR_DIGITS:g} marks: single digits are not tested."
    return row, "" if wide else narrow


def _months(
    rows: pd.DataFrame, raters: list[str], name: str, confidence: float
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Share of multiples of five by rater and study month, or a sentence why there is none."""
    columns = ["rater", "month", "readings", "fives", "share", "low", "high"]
    try:
        check_calendar(rows["measured_on"], rows["visit"], name)
    except DesignError as refusal:
        return pd.DataFrame(columns=columns), (f"Not shown by month. {refusal}",)
    month = month_of(days_from_first(rows["measured_on"]))
    whole = np.rint(rows["marks"].to_numpy(dtype=float))
    frame = pd.DataFrame({"rater": rows["rater_id"].to_numpy(), "month": month, "five": whole % 5 == 0}).dropna()
    found = []
    for rater in raters:
        for when, own in frame[frame["rater"] == rater].groupby("month", sort=True)["five"]:
            if len(own) >= FEWEST_IN_A_MONTH:
                fives = int(own.sum())
                limits = wilson_interval(fives, len(own), confidence)
                found.append((rater, int(when), len(own), fives, fives / len(own), *limits))
    return pd.DataFrame(found, columns=columns), ()
