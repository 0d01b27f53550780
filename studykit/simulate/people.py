"""A made-up trial as arrays: who takes part, what they do, how they change, what is read, who leaves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from studykit.simulate.truth import TrialTruth, gain_deg_per_week, probability_of_a_planned_day

LIMBS = 2
MEAN_AGE_YEARS = 42.0


@dataclass(frozen=True, slots=True)
class People:
    """n participants as they came in.

    Attributes:
        arm: (n,) position of the arm in the truth.
        age_years: (n,) whole years.
        trait: (n,) standard normal, never recorded.
        level_deg: (n, 2) true angle of each limb at enrolment.
        drift_deg_per_week: (n,) change that comes without stretching.
        response: (n,) multiplier of the gain.
    """

    arm: np.ndarray
    age_years: np.ndarray
    trait: np.ndarray
    level_deg: np.ndarray
    drift_deg_per_week: np.ndarray
    response: np.ndarray


@dataclass(frozen=True, slots=True)
class Readings:
    """What the raters wrote down.

    Attributes:
        value_deg: (n, visits, 2, trials) readings at the planned visits, before anybody leaves.
        rater: (n, visits) position of the rater of each visit.
        sitting_person: (s,) positions of the participants of the reliability sitting.
        sitting_deg: (s, 2, raters, trials) readings of the sitting.
    """

    value_deg: np.ndarray
    rater: np.ndarray
    sitting_person: np.ndarray
    sitting_deg: np.ndarray


def balanced_allocation(people: int, arms: int, rng: np.random.Generator) -> np.ndarray:
    """Positions of arms in permuted blocks of two places per arm, (people,)."""
    block = np.repeat(np.arange(arms), 2)
    blocks = -(-people // block.size)
    return rng.permuted(np.tile(block, (blocks, 1)), axis=1).ravel()[:people]


def draw_people(truth: TrialTruth, *, rng: np.random.Generator) -> People:
    """Participants with their traits, levels and individual response."""
    n, spread, change = truth.participants, truth.spread, truth.change
    arm = balanced_allocation(n, len(truth.arms), rng)
    age_years = np.clip(np.rint(rng.normal(MEAN_AGE_YEARS, 10.0, n)), 20, 64)
    trait = rng.standard_normal(n)
    person = spread.mean_deg + spread.per_year_of_age_deg * (age_years - MEAN_AGE_YEARS)
    person = person + rng.normal(0.0, spread.participant_sd_deg, n)
    level = person[:, None] + rng.normal(0.0, spread.limb_sd_deg, (n, LIMBS))
    drift = change.drift_deg_per_week + change.drift_per_trait_deg_per_week * trait
    drift = drift + rng.normal(0.0, change.drift_sd_deg_per_week, n)
    response = rng.normal(1.0, change.response_sd, n)
    return People(arm, age_years, trait, level, drift, response)


def draw_days_done(truth: TrialTruth, people: People, *, rng: np.random.Generator) -> np.ndarray:
    """Days on which each participant does the stretch in each week, (n, weeks), if all stay."""
    planned = np.array([arm.days_per_week for arm in truth.arms])[people.arm]
    chance = probability_of_a_planned_day(truth, planned, people.trait)
    return np.asarray(rng.binomial(planned[:, None], chance))


def change_at_visits_deg(truth: TrialTruth, people: People, days_done: np.ndarray) -> np.ndarray:
    """True change of each participant at each visit, both limbs alike, (n, visits); zero at baseline."""
    minutes = days_done * np.array([arm.minutes_per_day for arm in truth.arms])[people.arm][:, None]
    gained = np.cumsum(gain_deg_per_week(truth, minutes), axis=1) * people.response[:, None]
    gained = np.concatenate([np.zeros((people.arm.size, 1)), gained], axis=1)
    weeks = np.array(truth.visit_weeks)
    return np.asarray(gained[:, weeks] + people.drift_deg_per_week[:, None] * weeks[None, :])


def draw_readings(truth: TrialTruth, people: People, change_deg: np.ndarray, *, rng: np.random.Generator) -> Readings:
    """Readings with the errors of day, limb and day, rater, person and rater, and trial; rounded to the read-out."""
    n, spread = people.arm.size, truth.spread
    visits, raters, trials = len(truth.visit_weeks), truth.raters, truth.trials
    rater_deg = rng.normal(0.0, spread.rater_sd_deg, raters)
    person_rater_deg = rng.normal(0.0, spread.person_rater_sd_deg, (n, raters))
    seen_by = rng.integers(0, raters, (n, visits))
    true_deg = people.level_deg[:, None, :] + change_deg[:, :, None]
    true_deg = true_deg + rng.normal(0.0, spread.day_sd_deg, (n, visits, 1))
    true_deg = true_deg + rng.normal(0.0, spread.limb_day_sd_deg, (n, visits, LIMBS))
    by_rater = rater_deg[seen_by] + np.take_along_axis(person_rater_deg, seen_by, axis=1)
    value = (true_deg + by_rater[:, :, None])[..., None]
    value = value + rng.normal(0.0, spread.trial_sd_deg, (n, visits, LIMBS, trials))

    person = np.sort(rng.permutation(n)[: truth.sitting_participants])
    s = person.size
    sitting = people.level_deg[person] + rng.normal(0.0, spread.day_sd_deg, (s, 1))
    sitting = sitting + rng.normal(0.0, spread.limb_day_sd_deg, (s, LIMBS))
    sitting = sitting[:, :, None, None] + (rater_deg + person_rater_deg[person])[:, None, :, None]
    sitting = sitting + rng.normal(0.0, spread.trial_sd_deg, (s, LIMBS, raters, trials))
    return Readings(_read_out(value, spread.read_out_deg), seen_by, person, _read_out(sitting, spread.read_out_deg))


def _read_out(angle_deg: np.ndarray, step_deg: float) -> np.ndarray:
    return np.asarray(np.rint(angle_deg / step_deg) * step_deg) if step_deg > 0 else angle_deg


def draw_last_visit(truth: TrialTruth, value_deg: np.ndarray, *, rng: np.random.Generator) -> np.ndarray:
    """Position of the last visit that each participant came to, (n,).

    Leaving depends on nothing but the last recorded change from baseline (mean over limbs and trials), so that visits
    are missing at random given what was recorded.
    """
    recorded = value_deg.mean(axis=(2, 3))
    change = recorded - recorded[:, :1]
    rule = truth.drop_out
    leaves = rng.random(change[:, :-1].shape) < expit(rule.start_logit + rule.per_deg_logit * change[:, :-1])
    visits = change.shape[1]
    return np.asarray(np.where(leaves.any(axis=1), leaves.argmax(axis=1), visits - 1))
