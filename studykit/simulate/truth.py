"""The truth behind a made-up trial: every parameter, and what follows from them for each arm.

The model of one reading of participant i, limb l, visit v (week w), rater r, trial k, in degrees:

    reading = level_i + limb_il + change_i(w) + day_iv + limb_day_ilv + rater_r + person_rater_ir + trial_ilvrk
    change_i(w) = drift_i * w + response_i * sum over weeks j = 1..w of gain(minutes done in week j)
    gain(m) = most_deg_per_week * m / (m + half_minutes_per_week)
    days done in week j ~ Binomial(days_per_week, p_ij),   logit p_ij = start + trait * u_i + week * j + burden

`u_i` ~ N(0, 1) is a trait that nobody records. It drives adherence and, through `drift_i`, also the change that would
have come without any stretching: dose done and change are confounded, dose prescribed and change are not.
"""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Self

import numpy as np
import pandas as pd
from numpy.polynomial.hermite_e import hermegauss
from pydantic import BaseModel, ConfigDict, Field, model_validator
from scipy.special import expit
from scipy.stats import binom

from studykit.toml_text import toml_text

QUADRATURE_POINTS = 60
FOLLOWS = "follows_from_the_above"
HEADER = """\
# The truth behind this made-up trial. The model of one reading stands at the top of studykit/simulate/truth.py.
# Angles are in degrees; names that end in _logit are log-odds; limb, day and rater are spreads of one reading.
# The last tables follow from the parameters: mean change of each arm at the last visit if all had stayed in the
# trial, and what one reading by one rater is worth. They are written for reading and ignored when the file is loaded.

"""


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class ArmTruth(_Part):
    """One arm and the dose it is asked to do; `days_per_week = 0` asks for nothing."""

    key: str
    hold_s: float = Field(ge=0)
    repetitions: int = Field(ge=0)
    sessions_per_day: int = Field(ge=0)
    days_per_week: int = Field(ge=0, le=7)

    @property
    def minutes_per_day(self) -> float:
        """Minutes under stretch on a day on which the arm is done, per limb."""
        return self.hold_s * self.repetitions * self.sessions_per_day / 60.0


class Spread(_Part):
    """Level and standard deviations of the readings, in degrees."""

    mean_deg: float = 38.0
    per_year_of_age_deg: float = -0.08
    participant_sd_deg: float = Field(default=5.5, ge=0)
    limb_sd_deg: float = Field(default=2.2, ge=0)
    day_sd_deg: float = Field(default=0.9, ge=0)
    limb_day_sd_deg: float = Field(default=0.8, ge=0)
    rater_sd_deg: float = Field(default=1.0, ge=0)
    person_rater_sd_deg: float = Field(default=0.5, ge=0)
    trial_sd_deg: float = Field(default=1.2, ge=0)
    read_out_deg: float = Field(default=1.0, ge=0, description="smallest step of the instrument; 0 reads exactly")

    def sem_deg(self, *, other_raters: bool) -> float:
        """Standard error of measurement of one reading in one sitting, rounding (step² / 12) included.

        other_raters: with the differences between raters, as when any rater might take the reading.
        """
        variance = self.trial_sd_deg**2 + self.read_out_deg**2 / 12.0
        if other_raters:
            variance += self.rater_sd_deg**2 + self.person_rater_sd_deg**2
        return math.sqrt(variance)


class Change(_Part):
    """How the joint changes, with and without stretching."""

    drift_deg_per_week: float = 0.03
    drift_sd_deg_per_week: float = Field(default=0.06, ge=0)
    drift_per_trait_deg_per_week: float = 0.07
    most_deg_per_week: float = 0.6
    half_minutes_per_week: float = Field(default=8.0, gt=0)
    response_sd: float = Field(default=0.4, ge=0, description="SD of the individual multiplier, whose mean is 1")


class Adherence(_Part):
    """Log-odds of doing a planned day."""

    start_logit: float = 1.5
    trait_logit: float = 0.9
    week_logit: float = -0.05
    day_beyond_three_logit: float = -0.12


class DropOut(_Part):
    """Log-odds of leaving before the next visit, given the last recorded change from baseline: missing at random."""

    start_logit: float = -2.6
    per_deg_logit: float = -0.2


FERRY_ARMS = (
    ArmTruth(key="no_stretch", hold_s=0, repetitions=0, sessions_per_day=0, days_per_week=0),
    ArmTruth(key="hold_30_days_3", hold_s=30, repetitions=4, sessions_per_day=1, days_per_week=3),
    ArmTruth(key="hold_30_days_6", hold_s=30, repetitions=4, sessions_per_day=1, days_per_week=6),
    ArmTruth(key="hold_60_days_3", hold_s=60, repetitions=4, sessions_per_day=1, days_per_week=3),
    ArmTruth(key="hold_60_days_6", hold_s=60, repetitions=4, sessions_per_day=1, days_per_week=6),
)


class TrialTruth(_Part):
    """Every parameter of a made-up trial; the defaults are those of the ferry trial.

    visit_weeks: the first is the baseline, week 0, and there is at least one more; one key each in `visit_keys`.
    sitting_participants: how many take part in the reliability sitting at baseline, seen by every rater.
    screened_out: people assessed and not randomised, in the flow table only.
    """

    seed: int = 7412
    participants: int = Field(default=120, ge=1)
    screened_out: int = Field(default=18, ge=0)
    visit_keys: tuple[str, ...] = ("baseline", "week_4", "week_8", "week_12")
    visit_weeks: tuple[int, ...] = Field(default=(0, 4, 8, 12), min_length=2)
    sitting_visit: str = "reliability"
    sitting_participants: int = Field(default=30, ge=0)
    raters: int = Field(default=3, ge=1)
    trials: int = Field(default=3, ge=1)
    spread: Spread = Spread()
    change: Change = Change()
    adherence: Adherence = Adherence()
    drop_out: DropOut = DropOut()
    arms: tuple[ArmTruth, ...] = Field(default=FERRY_ARMS, min_length=1)

    @model_validator(mode="after")
    def _parts_agree(self) -> Self:
        if len(self.visit_keys) != len(self.visit_weeks):
            raise ValueError("visit_keys and visit_weeks need one entry per visit each")
        if self.visit_weeks[0] != 0 or any(
            b <= a for a, b in zip(self.visit_weeks, self.visit_weeks[1:], strict=False)
        ):
            raise ValueError("visit_weeks must start at 0 and rise")
        if self.sitting_participants > self.participants:
            raise ValueError("the reliability sitting cannot have more participants than the trial")
        return self

    @property
    def weeks(self) -> int:
        """Week of the last visit."""
        return self.visit_weeks[-1]

    def save(self, path: Path) -> None:
        """Write truth.toml: the parameters and, for reading only, what follows from them."""
        path.write_text(self.to_toml(), encoding="utf-8", newline="\n")

    def to_toml(self) -> str:
        """The text of truth.toml."""
        change = true_change_deg(self)
        last = change[change["visit"] == self.visit_keys[-1]]
        follows = {
            "visit": self.visit_keys[-1],
            "mean_change_deg": dict(zip(last["arm"], last["change_deg"].round(6), strict=True)),
            "more_than_first_arm_deg": dict(zip(last["arm"], last["more_than_first_arm_deg"].round(6), strict=True)),
            "mean_minutes_done_per_week": {
                arm.key: round(float(mean_minutes_done(self, arm).mean()), 6) for arm in self.arms
            },
            "one_reading": {
                "sem_within_a_rater_deg": round(self.spread.sem_deg(other_raters=False), 6),
                "sem_between_raters_deg": round(self.spread.sem_deg(other_raters=True), 6),
            },
        }
        return HEADER + toml_text({**self.model_dump(mode="json"), FOLLOWS: follows})

    @classmethod
    def load(cls, path: Path) -> TrialTruth:
        """Read truth.toml again; the part that follows from the parameters is left out."""
        content = tomllib.loads(path.read_text(encoding="utf-8"))
        content.pop(FOLLOWS, None)
        return cls.model_validate(content)


def probability_of_a_planned_day(truth: TrialTruth, days_per_week: np.ndarray, trait: np.ndarray) -> np.ndarray:
    """Probability that a planned day is done, (n, weeks), for n people given their arm's days and their trait."""
    adherence = truth.adherence
    week = np.arange(1, truth.weeks + 1)
    burden = adherence.day_beyond_three_logit * np.maximum(days_per_week - 3, 0)
    person = adherence.start_logit + adherence.trait_logit * trait + burden
    return np.asarray(expit(person[:, None] + adherence.week_logit * week[None, :]))


def gain_deg_per_week(truth: TrialTruth, minutes: np.ndarray) -> np.ndarray:
    """Gain in a week in which so many minutes were done per limb: saturating, zero at zero."""
    return truth.change.most_deg_per_week * minutes / (minutes + truth.change.half_minutes_per_week)


def _weekly_expectation(truth: TrialTruth, arm: ArmTruth, worth: np.ndarray) -> np.ndarray:
    """Mean over people and chance of worth[days done], for each week: Gauss–Hermite over the trait, (weeks,)."""
    node, weight = hermegauss(QUADRATURE_POINTS)
    weight = weight / weight.sum()
    chance = probability_of_a_planned_day(truth, np.full(node.size, arm.days_per_week), node)
    days = np.arange(arm.days_per_week + 1)
    mass = binom.pmf(days[None, None, :], arm.days_per_week, chance[:, :, None])
    return np.asarray(np.einsum("q,qwd,d->w", weight, mass, worth))


def mean_minutes_done(truth: TrialTruth, arm: ArmTruth) -> np.ndarray:
    """Expected minutes done per limb in each week, (weeks,)."""
    return _weekly_expectation(truth, arm, np.arange(arm.days_per_week + 1) * arm.minutes_per_day)


def true_change_deg(truth: TrialTruth) -> pd.DataFrame:
    """The true mean change of each arm at each visit after baseline, if all had stayed in the trial.

    Returns:
        frame with arm, visit, week, change_deg, more_than_first_arm_deg; the first arm is the control.
    """
    lines = []
    for arm in truth.arms:
        gain = gain_deg_per_week(truth, np.arange(arm.days_per_week + 1) * arm.minutes_per_day)
        cumulated = np.cumsum(_weekly_expectation(truth, arm, gain))
        for key, week in zip(truth.visit_keys[1:], truth.visit_weeks[1:], strict=True):
            change = truth.change.drift_deg_per_week * week + cumulated[week - 1]
            lines.append({"arm": arm.key, "visit": key, "week": week, "change_deg": float(change)})
    table = pd.DataFrame(lines)
    first = table[table["arm"] == truth.arms[0].key].set_index("visit")["change_deg"]
    return table.assign(more_than_first_arm_deg=table["change_deg"] - table["visit"].map(first))
