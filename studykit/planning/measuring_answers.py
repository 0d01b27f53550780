"""What two more trials or a second rater would buy in participants, as an answer."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import pandas as pd

from studykit.formatting import NO_BREAK, counted, number, percent, unit_sign
from studykit.pictures.power import participants_picture
from studykit.pictures.theme import Drawing
from studykit.planning.calculated import participants_for
from studykit.planning.plan import TrialPlan
from studykit.planning.words import error_variance, planned_mdc
from studykit.result import Result
from studykit.table import Column, Table

TRIALS = (1, 2, 3, 4, 5)
RATERS = (1, 2, 3)


@dataclass(frozen=True, slots=True)
class Measuring:
    """One way to measure at a visit, and what it asks for.

    Attributes:
        raters, trials: of each limb at a visit.
        sem, mdc: error of one participant's mean at a visit and its MDC at 95 %, in the unit of the measure.
        participants: needed for the wished power, all arms together.
        readings: to be taken in all, if everybody came to every visit.
    """

    raters: int
    trials: int
    sem: float
    mdc: float
    participants: int
    readings: int


@dataclass(frozen=True, kw_only=True)
class MeasuringPlan(Result):
    """Participants needed by trials and raters of a visit.

    Attributes:
        plan: the plan.
        ways: every combination that was looked at.
    """

    plan: TrialPlan = field(repr=False)
    ways: tuple[Measuring, ...] = field(repr=False)

    def to_frame(self) -> pd.DataFrame:
        """One row a combination of raters and trials."""
        unit = self.plan.unit
        return pd.DataFrame(
            {
                "raters": [way.raters for way in self.ways],
                "trials": [way.trials for way in self.ways],
                f"sem_{unit}": [way.sem for way in self.ways],
                f"mdc_{unit}": [way.mdc for way in self.ways],
                "participants": [way.participants for way in self.ways],
                "readings": [way.readings for way in self.ways],
            }
        )

    def numbers(self) -> dict[str, float]:
        """`raters_<r>.trials_<t>.` and `sem`, `mdc`, `participants`, `readings`."""
        return {
            f"raters_{way.raters}.trials_{way.trials}.{name}": float(getattr(way, name))
            for way in self.ways
            for name in ("sem", "mdc", "participants", "readings")
        }

    def table(self) -> Table:
        """One row a combination."""
        rows = tuple(
            (
                f"{counted(way.raters, 'rater')}, {counted(way.trials, 'trial')}".replace(" ", NO_BREAK),
                number(way.sem, 2),
                number(way.mdc, 2),
                str(way.participants),
                str(way.readings),
            )
            for way in self.ways
        )
        unit = unit_sign(self.plan.unit).strip()
        return Table(
            "planning_measuring",
            f"What measuring buys: participants for a power of {percent(self.plan.power)}",
            (
                Column("At a visit", "left"),
                Column(f"SEM ({unit})"),
                Column(f"MDC of one person ({unit})"),
                Column("Participants needed"),
                Column("Readings in all"),
            ),
            rows,
            (
                f"A limb is read by each rater; {counted(self.plan.limbs, 'limb')} of each participant at "
                f"{counted(len(self.plan.visits), 'visit')}. SEM and MDC are those of a participant's mean at a visit, "
                "day to day and rater included.",
            ),
        )

    def figure(self) -> Drawing:
        """Participants needed against trials, one curve for each number of raters."""
        return participants_picture(
            self.to_frame()[["raters", "trials", "participants"]], measure=self.plan.measure, wanted=self.plan.power
        )


def ways_to_measure(plan: TrialPlan) -> tuple[Measuring, ...]:
    """Every combination of raters and trials, with the participants that it needs in the model of the study."""
    ways: list[Measuring] = []
    for raters in RATERS:
        for trials in TRIALS:
            trying = replace(plan, raters=raters, trials=trials, raters_in_all=max(raters, plan.raters_in_all))
            near = ways[-1].participants if ways else plan.participants
            participants = participants_for(trying, by_model=True, near=near)
            sem = error_variance(trying) ** 0.5
            readings = participants * len(plan.visits) * plan.limbs * raters * trials
            ways.append(Measuring(raters, trials, sem, planned_mdc(trying), participants, readings))
    return tuple(ways)


def measuring_headline(plan: TrialPlan, ways: tuple[Measuring, ...]) -> str:
    """What two more trials, and what a second rater would save in participants."""
    by = {(way.raters, way.trials): way for way in ways}
    one = by[(1, 1)]
    more, second = by[(1, 3)], by[(2, 1)]
    return (
        f"With one trial by one rater the trial needs {one.participants} participants; two more trials save "
        f"{one.participants - more.participants} of them, a second rater {one.participants - second.participants}. The "
        f"minimal detectable change of one person goes from {number(one.mdc, 1)}{unit_sign(plan.unit)} to "
        f"{number(more.mdc, 1)}{unit_sign(plan.unit)} and {number(second.mdc, 1)}{unit_sign(plan.unit)}."
    )


MEASURING_METHODS = (
    "The error variance of a participant's mean at a visit is the sum of its components, each divided by the numbers "
    "of limbs, raters and trials over which it is averaged (generalisability theory: Brennan 2001). Participants "
    "needed follow from the mixed model of the study at the planned variances, with Kenward–Roger standard errors and "
    "degrees of freedom. What people themselves differ by is not made smaller by measuring more."
)
