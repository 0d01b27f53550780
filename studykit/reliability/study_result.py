"""A reliability answer of a study as a Result: rows of numbers, a table for print, a picture."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from studykit.formatting import decimals_for_width, interval, level, number, unit_sign
from studykit.pictures.theme import Drawing
from studykit.result import Result
from studykit.table import Column, Table

STATISTIC_COLUMNS = ("statistic", "value", "low", "high", "unit", "confidence", "interval", "note")


@dataclass(frozen=True, slots=True)
class Row:
    """One number of an answer.

    Attributes:
        key: short stable name, such as "sem_between".
        label: what it is, for print.
        value, low, high: the number and its interval; a missing limit is nan.
        unit: unit of the number, "" for a plain one.
        how: how the interval was made; "" where there is none.
        note: what must be said beside it; "" where nothing.
    """

    key: str
    label: str
    value: float
    low: float = float("nan")
    high: float = float("nan")
    unit: str = ""
    how: str = ""
    note: str = ""

    def shown(self, confidence: float | None = None) -> str:
        """The number with its interval in one unit, rounded by whichever of the two is smaller."""
        return shown(self.value, self.low, self.high, self.unit, confidence)


@dataclass(frozen=True, kw_only=True)
class ReliabilityResult(Result):
    """One answer about reliability.

    Attributes:
        tidy: the answer as a frame.
        printed: the answer as a table.
        named: every number by its short name.
        draw: makes the picture; None where there is none.
    """

    tidy: pd.DataFrame = field(repr=False, compare=False)
    printed: Table
    named: dict[str, float]
    draw: Callable[[], Drawing] | None = field(default=None, repr=False, compare=False)

    def to_frame(self) -> pd.DataFrame:
        return self.tidy.copy()

    def numbers(self) -> dict[str, float]:
        return dict(self.named)

    def table(self) -> Table:
        return self.printed

    def figure(self) -> Drawing | None:
        return None if self.draw is None else self.draw()


def shown(value: float, low: float, high: float, unit: str, confidence: float | None = None) -> str:
    """A number with its interval: two digits of the width, or of the number where a wide interval would hide it."""
    width = high - low
    scale = min(width, abs(value)) if unit and not low < 0.0 < high else width
    decimals = decimals_for_width(scale if np.isfinite(scale) and scale > 0.0 else abs(value))
    text = f"{number(value, decimals)}{unit_sign(unit)}"
    if not (np.isfinite(low) and np.isfinite(high)):
        return text
    named = f"{level(confidence)} " if confidence is not None else ""
    return f"{text} ({named}{interval(low, high, decimals, unit)})"


def rows_frame(rows: Sequence[Row], confidence: float) -> pd.DataFrame:
    """One row a number: statistic, value, low, high, unit, confidence, interval, note."""
    return pd.DataFrame(
        [(r.label, r.value, r.low, r.high, r.unit, confidence, r.how, r.note) for r in rows],
        columns=list(STATISTIC_COLUMNS),
    )


def rows_table(key: str, title: str, rows: Sequence[Row], confidence: float, notes: Sequence[str] = ()) -> Table:
    """Statistic and its value with interval; how intervals were made stands below."""
    made = [f"{row.label}: interval by {row.how}." for row in rows if row.how]
    said = [f"{row.label}: {row.note}" for row in rows if row.note]
    return Table(
        key,
        title,
        (Column("Statistic", "left"), Column(f"Estimate ({level(confidence)})")),
        tuple((row.label, row.shown()) for row in rows),
        (*_grouped(made), *said, *notes),
    )


def rows_numbers(rows: Sequence[Row]) -> dict[str, float]:
    """`key`, `key.low`, `key.high`; limits that are missing are left out."""
    named = {}
    for row in rows:
        named[row.key] = row.value
        if np.isfinite(row.low):
            named[f"{row.key}.low"] = row.low
        if np.isfinite(row.high):
            named[f"{row.key}.high"] = row.high
    return named


def _grouped(made: list[str]) -> list[str]:
    """One line for each way in which intervals were made, naming what it served; a single way needs no names."""
    ways: dict[str, list[str]] = {}
    for text in made:
        label, _, how = text.partition(": interval by ")
        ways.setdefault(how, []).append(label)
    if len(ways) == 1 and len(made) > 1:
        return [f"Intervals by {next(iter(ways)).rstrip('.')}."]
    return [f"Interval by {how.rstrip('.')}: {'; '.join(labels)}." for how, labels in ways.items()]
