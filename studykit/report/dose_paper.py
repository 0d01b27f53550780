"""Dose in a paper: one table of what more of it did, and its sentences; every number from results.json or an answer."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final

from studykit.formatting import decimals_for_width, level, number
from studykit.protocol import Protocol
from studykit.report.templates import Sentence
from studykit.result import Result
from studykit.table import Column, Table

RANDOMISED: Final = "dose.randomised"
CURVE: Final = "dose.curve"
DONE: Final = "dose.done"
DOSE_ANSWERS: Final = (RANDOMISED, CURVE, DONE)
"""Answers about dose whose methods and titles a paper names, in order."""
_STEP: Final = {
    "minutes_per_week": ("each extra minute a week asked for", "minutes a week"),
    "cumulated_minutes": ("each extra hour asked for in all", "minutes in all"),
    "days_per_week": ("each extra day a week asked for", "days a week"),
}
"""`dose_measure` of the protocol -> the step of the slope, and the unit of a dose."""


def dose_effects_table(protocol: Protocol, results: Mapping[str, Result]) -> Table | None:
    """One row a slope or difference: as randomised, the curve's half-maximal dose, and as done (an association)."""
    rows: list[tuple[str, ...]] = []
    notes: list[str] = []
    for key, name in ((RANDOMISED, "As randomised"), (CURVE, "Curve"), (DONE, "As done, an association")):
        result = results.get(key)
        if result is None:
            continue
        if key == CURVE:
            unit = _STEP[protocol.study.dose_measure][1]
            label = f"Half-maximal dose of the saturating curve ({unit})"
            rows.append((name, label, half_dose(result.numbers()), ""))
        else:
            rows += [(name, *row[:3]) for row in result.table().rows]
        notes.append(f"{name}. {result.methods}")
    if not rows:
        return None
    return Table(
        "dose_effects",
        f"{protocol.primary.name}: what more dose went with",
        (
            Column("Dose", "left"),
            Column("More of what", "left"),
            Column(f"Estimate, {level(protocol.study.confidence)}"),
            Column("p"),
        ),
        tuple(rows),
        (
            f"Estimates are differences of {protocol.primary.name} in its unit, the half-maximal dose apart. What "
            "people did was not chosen by chance.",
            *notes,
        ),
    )


def half_dose(found: Mapping[str, float]) -> str:
    """The half-maximal dose with its interval, each to two digits; in words where there is none or no limit."""
    value, low, high = (found[f"half_dose.{name}"] for name in ("estimate", "low", "high"))
    shown = "none" if value == float("inf") or value == 0.0 else _two_digits(value)
    to = "no upper limit" if high == float("inf") else _two_digits(high)
    return f"{shown} ({_two_digits(low)} to {to})"


def dose_sentences(
    protocol: Protocol, answers: Mapping[str, Any], say: Callable[..., Iterator[Sentence]]
) -> Iterator[Sentence]:
    """The slope over the dose, where the curve bends or that it is open, and what was done."""
    step, unit = _STEP[protocol.study.dose_measure]
    if RANDOMISED in answers:
        yield from say("dose_slope", dose_step=step)
    if CURVE in answers:
        numbers = answers[CURVE]["numbers"]
        is_open = numbers["half_dose.share.low"] == 0.0 or numbers["half_dose.share.high"] == 1.0
        yield from say("half_dose_open" if is_open else "half_dose", dose_unit=unit)
    if DONE in answers:
        slopes = [name for name in ("within", "between") if f"{name}.estimate" in answers[DONE]["numbers"]]
        for slope in slopes:
            yield from say(f"dose_done_{slope}")


def _two_digits(value: float) -> str:
    return number(value, decimals_for_width(value) if value > 0.0 else 0)
