"""The protocol as a frozen value: what was decided before the data were seen.

`protocol.loading` makes one from study.toml; `protocol.catalogue` supplies the measures.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from studykit.protocol.analysis_model import AnalysisPart
from studykit.protocol.intake_model import Intake
from studykit.protocol.measure import Measure
from studykit.protocol.planning_model import PlanningPart

Word = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]*$", max_length=64)]
"""A code: letters, digits, underscore, dot and hyphen; used for arms, visits, raters and measures."""
Sentence = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=2000)]


class Part(BaseModel):
    """Base of every part of the protocol: frozen, and a key that it does not know is a mistake."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True, allow_inf_nan=False)


class Dose(Part):
    """What an arm is asked to do, per treated side."""

    technique: Word = "stretch"
    hold_s: float = Field(gt=0, le=3600)
    repetitions: int = Field(ge=1, le=200)
    sessions_per_day: float = Field(gt=0, le=24)
    days_per_week: float = Field(gt=0, le=7)
    weeks: float = Field(gt=0, le=520)

    @property
    def minutes_per_week(self) -> float:
        """hold_s x repetitions x sessions_per_day x days_per_week / 60."""
        return self.hold_s * self.repetitions * self.sessions_per_day * self.days_per_week / 60.0


class Arm(Part):
    """One arm of a trial or one pathway of an audit. No dose: the arm is asked to do nothing."""

    label: Sentence
    control: bool = False
    dose: Dose | None = None


class Visit(Part):
    """One planned visit; days are counted from `enrolled_on`."""

    key: Word
    label: Sentence
    week: float = Field(ge=0, le=520)
    days_before: int = Field(default=7, ge=0, le=365)
    days_after: int = Field(default=7, ge=0, le=365)

    @property
    def earliest_day(self) -> float:
        """First study day on which the visit counts as in its window."""
        return self.week * 7 - self.days_before

    @property
    def latest_day(self) -> float:
        """Last study day on which the visit counts as in its window."""
        return self.week * 7 + self.days_after


class MeasuringCost(Part):
    """What measuring costs, in any unit.

    A design costs sessions x (session + raters x (rater + readings x reading)).
    """

    session: float = Field(default=0.0, ge=0)
    rater: float = Field(default=0.0, ge=0)
    reading: float = Field(default=1.0, ge=0)

    @model_validator(mode="after")
    def _something_costs(self) -> Self:
        if not self.session + self.rater + self.reading > 0.0:
            raise ValueError("a session, a rater or a reading must cost more than 0; otherwise no design is cheapest")
        return self


class ReliabilityPlan(Part):
    """Who rated whom, and to whom the answer should apply.

    rated_by: "every rater" when all raters measured every target (crossed), "different raters" when each target had
        raters of its own (nested).
    generalise_to: "other raters" (these raters stand for others: random) or "these raters" (only they matter: fixed).
    readings_averaged: how many trials of one rater are averaged in use; 1 means a single reading.
    visit: the visit at which the readings were taken; None when the study has only one.
    sessions: visits, in order, on which the same people were measured while they had not changed: what differs between
        them is error from day to day. Without them the error of one occasion is answered.
    wanted_mdc: the minimal detectable change that measuring should reach, in the unit of the primary measure.
    cost: what measuring costs, for the cheapest design that reaches it; each reading costs the same when left out.
    """

    rated_by: Literal["every rater", "different raters"]
    generalise_to: Literal["other raters", "these raters"] = "other raters"
    readings_averaged: int = Field(default=1, ge=1, le=20)
    visit: Word | None = None
    sessions: tuple[Word, ...] = Field(default=(), max_length=20)
    wanted_mdc: float | None = Field(default=None, gt=0)
    cost: MeasuringCost = MeasuringCost()

    @property
    def sittings(self) -> tuple[str, ...]:
        """Every visit that is named for reliability: the sessions, or the one visit, or none."""
        return self.sessions or (() if self.visit is None else (self.visit,))


class Covariate(Part):
    """A column of the participants table that the kit does not know by itself.

    allowed: words that may stand in a column of kind "words"; empty for any word.
    low, high: limits of a column of kind "number".
    """

    label: Sentence
    kind: Literal["number", "words"]
    unit: str = ""
    allowed: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None

    @model_validator(mode="after")
    def _limits_fit_the_kind(self) -> Self:
        if self.kind == "number" and self.allowed:
            raise ValueError('allowed belongs to a covariate of kind "words"; give a number low and high instead')
        if self.kind == "words" and not (self.low is None and self.high is None):
            raise ValueError('low and high belong to a covariate of kind "number"; give words a list, allowed')
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise ValueError(f"low ({self.low:g}) must be below high ({self.high:g})")
        return self


class Privacy(Part):
    """What must not leave the clinic."""

    smallest_group: int = Field(default=5, ge=2, le=100)


class StudyPart(Part):
    """The question and the choices of analysis, the [study] table of study.toml.

    primary_measure, primary_visit: the one answer that the study is judged by; a reliability study needs no visit.
    confidence: level of every interval.
    trials_used: what becomes of the trials of one visit: their mean, every one, or the best of them.
    dose_measure: how dose is counted where change is set against it.
    missing_visits: the missing-data rule: every visit that was observed enters the model, or only participants who
        came to every visit.
    source: where published readings come from; made_up: true for data that no person gave.
    """

    title: Sentence
    question: Sentence
    design: Literal["trial", "audit", "reliability"]
    primary_measure: Word
    primary_visit: Word | None = None
    confidence: float = Field(default=0.95, gt=0.5, lt=1.0)
    trials_used: Literal["mean", "all", "best"] = "mean"
    dose_measure: Literal["minutes_per_week", "cumulated_minutes", "days_per_week"] = "minutes_per_week"
    missing_visits: Literal["all observed visits", "complete participants"] = "all observed visits"
    source: str = ""
    made_up: bool = False


class Protocol(Part):
    """A whole study.toml, checked. Order of arms and visits is the order in which they were written."""

    study: StudyPart
    arms: dict[Word, Arm] = Field(default_factory=dict, max_length=50)
    visits: tuple[Visit, ...] = Field(default=(), max_length=200)
    raters: tuple[Word, ...] = Field(default=(), max_length=1000)
    measures: dict[Word, Measure] = Field(max_length=200)
    reliability: ReliabilityPlan | None = None
    covariates: dict[Word, Covariate] = Field(default_factory=dict, max_length=200)
    analysis: AnalysisPart = AnalysisPart()
    planning: PlanningPart | None = None
    privacy: Privacy = Privacy()
    intake: Intake = Intake()

    @property
    def visit_keys(self) -> tuple[str, ...]:
        """Keys of the planned visits in order."""
        return tuple(visit.key for visit in self.visits)

    @property
    def primary(self) -> Measure:
        """The primary measure."""
        return self.measures[self.study.primary_measure]

    @property
    def control_arm(self) -> str | None:
        """Key of the control arm, or None."""
        return next((key for key, arm in self.arms.items() if arm.control), None)

    def visit(self, key: str) -> Visit:
        """The planned visit with this key.

        Raises:
            KeyError: there is no such visit.
        """
        for visit in self.visits:
            if visit.key == key:
                return visit
        raise KeyError(key)
