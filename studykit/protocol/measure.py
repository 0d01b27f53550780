"""What a measure is: a joint, a motion, a unit, a sign convention and the range in which a reading is believable."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator


class ReferenceValue(BaseModel):
    """A value for a stated group of people, and how far it may be trusted.

    low_95, high_95: 95 % confidence interval of the mean, in the measure's unit; either end may be unknown.
    seen: whether the number was looked up, recalled, or is said without a source.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    group: str = Field(min_length=1)
    mean: float
    sd: float | None = Field(default=None, gt=0)
    low_95: float | None = None
    high_95: float | None = None
    source: str = Field(min_length=1)
    seen: Literal["seen at the source", "from memory", "common practice, no source"]
    note: str = ""

    @model_validator(mode="after")
    def _mean_inside_interval(self) -> Self:
        low = self.mean if self.low_95 is None else self.low_95
        high = self.mean if self.high_95 is None else self.high_95
        if not low <= self.mean <= high:
            raise ValueError(f"mean ({self.mean:g}) must lie between low_95 ({low:g}) and high_95 ({high:g})")
        return self


class Measure(BaseModel):
    """One measure of the catalogue, or one that a protocol adds.

    unit: "deg", "cm" or "mm" for readings on a scale; "grade" for an ordered finding, its `levels` numbered from 0.
    better: which direction is an improvement; "neither" where a middle value is wanted.
    zero_and_sign: what zero is and which way is positive.
    plausible_low, plausible_high: a reading outside these is an error; in `unit`.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    name: str = Field(min_length=1)
    joint: str = Field(min_length=1)
    motion: str = Field(min_length=1)
    position: str = Field(min_length=1)
    instrument: str = Field(min_length=1)
    unit: Literal["deg", "cm", "mm", "grade"]
    better: Literal["higher", "lower", "neither"]
    zero_and_sign: str = Field(min_length=1)
    plausible_low: float
    plausible_high: float
    two_sided: bool = True
    trials_per_visit: int = Field(default=3, ge=1, le=20)
    levels: tuple[str, ...] = ()
    reference_values: tuple[ReferenceValue, ...] = ()
    cautions: tuple[str, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _range_and_levels(self) -> Self:
        if self.plausible_low >= self.plausible_high:
            raise ValueError(
                f"plausible_low ({self.plausible_low:g}) must be below plausible_high ({self.plausible_high:g})"
            )
        if (self.unit == "grade") != bool(self.levels):
            raise ValueError('levels belong to a measure whose unit is "grade", and such a measure needs them')
        if self.levels and (self.plausible_low, self.plausible_high) != (0.0, len(self.levels) - 1.0):
            raise ValueError(f"a graded measure with {len(self.levels)} levels runs from 0 to {len(self.levels) - 1}")
        return self

    @property
    def graded(self) -> bool:
        """True for an ordered finding, False for a reading on a scale."""
        return bool(self.levels)
