"""The dose that each arm of a trial was asked for, and the words a clinician uses for a little more of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from studykit.errors import DesignError
from studykit.formatting import NO_BREAK, counted, unit_sign
from studykit.protocol import Dose, Protocol

MINUTES: Final = "minutes_per_week"
SECONDS: Final = unit_sign("s")


@dataclass(frozen=True, slots=True)
class Component:
    """One part of a dose.

    Attributes:
        key: its name in the protocol.
        name: as a noun, such as "Hold time".
        step: how much more of it is spoken of; each: that step in words, such as "each extra 10 s of hold".
        level: one level in words, such as "60 s".
    """

    key: str
    name: str
    step: float
    each: str
    level: Callable[[float], str]


def _counting(noun: str, after: str) -> Callable[[float], str]:
    return lambda value: f"{value:g}{NO_BREAK}{noun if value == 1 else f'{noun}s'}{after}"


COMPONENTS: Final = (
    Component("hold_s", "Hold time", 10.0, f"each extra 10{SECONDS} of hold", lambda hold_s: f"{hold_s:g}{SECONDS}"),
    Component("repetitions", "Repetitions", 1.0, "each extra repetition", _counting("repetition", "")),
    Component("sessions_per_day", "Sessions a day", 1.0, "each extra session a day", _counting("session", " a day")),
    Component("days_per_week", "Days a week", 1.0, "each extra day a week", _counting("day", " a week")),
    Component("weeks", "Weeks", 1.0, "each extra week", _counting("week", "")),
)


@dataclass(frozen=True, slots=True)
class Scale:
    """How dose is counted where change is set against it (`dose_measure` of the protocol).

    Attributes:
        key: the word of the protocol.
        axis: what the numbers are, such as "minutes a week"; unit: the unit that stands behind a number.
        step, each: as for a component.
    """

    key: str
    axis: str
    unit: str
    step: float
    each: str

    def of(self, dose: Dose | None, week: float) -> float:
        """The dose of an arm up to a visit in this week; 0 for an arm that is asked to do nothing."""
        if dose is None:
            return 0.0
        if self.key == "days_per_week":
            return dose.days_per_week
        if self.key == "cumulated_minutes":
            return dose.minutes_per_week * min(week, dose.weeks)
        return dose.minutes_per_week

    def amount(self, value: str) -> str:
        """A printed number with its unit, such as "12 minutes a week"."""
        return f"{value}{NO_BREAK}{self.unit}"


SCALES: Final = {
    MINUTES: Scale(MINUTES, "minutes a week asked for", "min a week", 1.0, "each extra minute a week"),
    "cumulated_minutes": Scale(
        "cumulated_minutes", "minutes asked for in all", "min in all", 60.0, "each extra hour in all"
    ),
    "days_per_week": Scale("days_per_week", "days a week asked for", "days a week", 1.0, "each extra day a week"),
}


def check_allocated(protocol: Protocol) -> None:
    """Refuse what only an allocation by chance can answer.

    Raises:
        DesignError: the study is no trial, or no arm of it was asked for a dose.
    """
    if protocol.study.design != "trial":
        raise DesignError(
            "Nobody was allocated to a dose by chance, so the effect of a dose that was asked for cannot be seen here."
        )
    if not any(arm.dose for arm in protocol.arms.values()):
        raise DesignError(
            "No arm of the protocol says what dose it was asked for; write dose = { ... } under the arms of study.toml."
        )


def level_of(dose: Dose, component: Component) -> float:
    """Level of one component in a dose."""
    return float(getattr(dose, component.key))


def in_words(dose: Dose | None) -> str:
    """A dose as it was asked for, such as "60 s × 4, 1 a day, 6 days a week, 12 weeks"."""
    if dose is None:
        return "nothing"
    return (
        f"{dose.hold_s:g}{SECONDS} × {dose.repetitions}, {dose.sessions_per_day:g} a day, "
        f"{counted_days(dose.days_per_week)} a week, {dose.weeks:g} weeks"
    )


def counted_days(days: float) -> str:
    """Days with their noun."""
    return counted(int(days), "day") if float(days).is_integer() else f"{days:g} days"
