"""What was supposed when the study was planned, the [planning] table of study.toml."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

_Code = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]*$", max_length=64)]
_Share = Annotated[float, Field(ge=0, lt=1)]
_Spread = Annotated[float, Field(ge=0, le=1000)]
_RealSpread = Annotated[float, Field(ge=0.001, le=1000)]
_Change = Annotated[float, Field(ge=-1000, le=1000)]
_FINEST = 0.001
"""In the unit of the primary measure: no instrument of the catalogue reads finer by far."""
_Count = Annotated[int, Field(ge=1, le=20)]
_People = Annotated[int, Field(ge=4, le=20_000)]


class _Supposed(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True, allow_inf_nan=False)


class PlannedSpread(_Supposed):
    """Standard deviations of one reading of the primary measure, in its unit; slopes per week.

    participant: between people; limb: between the two limbs of one person.
    participant_visit, limb_visit: from one visit to the next, of both limbs together and of each.
    rater: between raters; participant_rater: of one rater's way with one person; trial: from trial to trial.
    slope_per_week: of people's change; slope_correlation: of that slope with people's level at the baseline;
    further_slope_per_week: how much more slopes spread in treated arms.
    """

    participant: _RealSpread
    limb: _Spread = 0.0
    participant_visit: _Spread = 0.0
    limb_visit: _Spread = 0.0
    rater: _Spread = 0.0
    participant_rater: _Spread = 0.0
    trial: _RealSpread
    slope_per_week: _Spread = 0.0
    slope_correlation: float = Field(default=0.0, gt=-1, lt=1)
    further_slope_per_week: _Spread = 0.0


class PlansToCompare(_Supposed):
    """Other plans whose power is set beside the one of this protocol; what is empty stays as planned.

    participants: numbers of participants, all arms together; visits: sets of visits, each with the baseline and the
    primary visit; trials, raters: of one limb at one visit.
    """

    participants: tuple[_People, ...] = Field(default=(), max_length=12)
    visits: tuple[tuple[_Code, ...], ...] = Field(default=(), max_length=6)
    trials: tuple[_Count, ...] = Field(default=(), max_length=6)
    raters: tuple[_Count, ...] = Field(default=(), max_length=4)


class PowerSimulation(_Supposed):
    """How exactly power is simulated.

    half_width: half of the 95 % Monte Carlo interval at which a simulation stops; most_trials: where it stops at last.
    seed: start of all its random numbers.
    """

    half_width: float = Field(default=0.025, ge=0.002, le=0.2)
    most_trials: int = Field(default=2000, ge=100, le=1_000_000)
    seed: int = Field(default=20250106, ge=0, lt=2**63)


class ReliabilityWishes(_Supposed):
    """What the reliability part of the study should be able to say; a wish that is left out is not looked at.

    targets: how many targets (people, or limbs counted once a person) are planned.
    readings: readings of each target, one by each rater.
    icc: the ICC expected; icc_to_beat: shown to be higher than this; icc_width: whole width of its interval.
    rater_share: share of the error variance that lies between raters' levels; with it the width is also looked at for
        the ICC of absolute agreement with raters as a sample.
    error_width: whole width of the interval of the SEM and the MDC, as a share of them.
    difference_sd, limit_width: SD of the differences of two readings, and whole width of the interval of one limit of
        agreement, both in the unit of the primary measure.
    kappa, share_positive: the kappa expected of two raters, and the share of positive findings.
    kappa_to_beat, kappa_width: as for the ICC.
    lost: share of targets that will be lost.
    """

    targets: int | None = Field(default=None, ge=2, le=100_000)
    readings: int = Field(default=2, ge=2, le=20)
    icc: float | None = Field(default=None, ge=0, lt=1)
    icc_to_beat: float | None = Field(default=None, ge=0, lt=1)
    icc_width: float | None = Field(default=None, gt=0, lt=1)
    rater_share: float | None = Field(default=None, ge=0, lt=1)
    error_width: float | None = Field(default=None, gt=0, lt=5)
    difference_sd: _RealSpread | None = None
    limit_width: _RealSpread | None = None
    kappa: float | None = Field(default=None, ge=0, lt=1)
    share_positive: float = Field(default=0.5, gt=0, lt=1)
    kappa_to_beat: float | None = Field(default=None, ge=0, lt=1)
    kappa_width: float | None = Field(default=None, gt=0, lt=2)
    lost: _Share = 0.0

    @model_validator(mode="after")
    def _wishes_hang_together(self) -> Self:
        for expected, wishes in (("icc", ("icc_to_beat", "icc_width")), ("kappa", ("kappa_to_beat", "kappa_width"))):
            value = getattr(self, expected)
            for wish in wishes:
                if getattr(self, wish) is not None and value is None:
                    raise ValueError(f"{wish} needs {expected}, the value that is expected")
            beaten = getattr(self, wishes[0])
            if beaten is not None and value is not None and beaten >= value:
                raise ValueError(f"{wishes[0]} ({beaten:g}) must be below {expected} ({value:g}), the value expected")
        if self.rater_share is not None and self.icc_width is None:
            raise ValueError("rater_share needs icc and icc_width, the interval that it is about")
        if (self.difference_sd is None) != (self.limit_width is None):
            raise ValueError("difference_sd and limit_width go together; give both or neither")
        return self


class AllocationPlan(_Supposed):
    """How participants are allocated to arms, by the ratios of the plan.

    method: "blocks" (permuted blocks of random size in every stratum) or "minimisation" (Pocock & Simon).
    strata: columns of the participants table and the words that each may hold.
    entries: of the list in each stratum; all participants of the plan when left out, so that no stratum runs out.
    block_sizes: multiples of the sum of the ratios, one drawn for each block; twice and three times it when left out.
    certainty: of minimisation: how often the arm is taken that leaves the smallest imbalance.
    """

    method: Literal["blocks", "minimisation"] = "blocks"
    strata: dict[_Code, Annotated[tuple[_Code, ...], Field(min_length=2, max_length=50)]] = Field(
        default_factory=dict, max_length=5
    )
    entries: int | None = Field(default=None, ge=1, le=20_000)
    block_sizes: tuple[Annotated[int, Field(ge=2, le=200)], ...] = Field(default=(), max_length=6)
    certainty: float = Field(default=0.8, gt=0.5, le=1)

    @model_validator(mode="after")
    def _words_differ(self) -> Self:
        for column, words in self.strata.items():
            twice = [word for place, word in enumerate(words) if word in words[:place]]
            if twice:
                raise ValueError(f'the words of {column} hold "{twice[0]}" twice; write each word once')
        return self


class PlanningPart(_Supposed):
    """What was supposed about the study before it began.

    power: wished for. participants: to be allocated, all arms together.
    smallest_difference: from the control arm at the primary visit, in the unit of the primary measure: the smallest
        that would matter; its sign says the direction.
    arm_with: the one arm for which it is supposed, the others being like the control; every other arm when left out.
    ratio: participants of an arm for one of another; 1 for an arm that is not named.
    change: mean change from the baseline by arm and visit; an arm that is not named changes in a straight line over the
        weeks, from nothing to smallest_difference at the primary visit, and the control arm not at all.
    spread: standard deviations. limbs: measured of each participant, 1 or 2.
    trials, raters: of one limb at one visit. raters_in_all: how many take turns; as many as `raters` when left out.
    lost_by: share of participants who have left before a visit; a visit that is not named loses nobody new.
    compare: other plans. simulation: how exactly. reliability: what the reliability part should be able to say.
    allocation: how participants come to their arms.
    """

    power: float = Field(default=0.8, gt=0, lt=1)
    participants: _People | None = None
    smallest_difference: _Change | None = None
    arm_with: _Code | None = None
    ratio: dict[_Code, Annotated[int, Field(ge=1, le=20)]] = Field(default_factory=dict, max_length=50)
    change: dict[_Code, dict[_Code, _Change]] = Field(default_factory=dict, max_length=50)
    spread: PlannedSpread | None = None
    limbs: int = Field(default=1, ge=1, le=2)
    trials: _Count = 1
    raters: _Count = 1
    raters_in_all: int | None = Field(default=None, ge=1, le=100)
    lost_by: dict[_Code, _Share] = Field(default_factory=dict, max_length=200)
    compare: PlansToCompare = PlansToCompare()
    simulation: PowerSimulation = PowerSimulation()
    reliability: ReliabilityWishes | None = None
    allocation: AllocationPlan = AllocationPlan()

    @model_validator(mode="after")
    def _parts_of_a_trial_hang_together(self) -> Self:
        if self.smallest_difference == 0.0:
            raise ValueError(
                "smallest_difference is 0, and no study can find a difference of nothing; give the smallest that "
                "matters"
            )
        if self.smallest_difference is not None and abs(self.smallest_difference) < _FINEST:
            raise ValueError(
                f"smallest_difference is {self.smallest_difference:g}, finer than any instrument reads; give the "
                "smallest that matters"
            )
        trial = {
            "participants": self.participants,
            "smallest_difference": self.smallest_difference,
            "spread": self.spread,
        }
        given = [name for name, value in trial.items() if value is not None]
        missing = [name for name, value in trial.items() if value is None]
        if given and missing:
            raise ValueError(f"{given[0]} is given but {missing[0]} is not; a trial is planned with all three")
        if self.raters_in_all is not None and self.raters_in_all < self.raters:
            raise ValueError(f"raters_in_all ({self.raters_in_all}) must be no fewer than raters ({self.raters})")
        return self
