"""A made-up trial as the seven tables of a study."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studykit.simulate.people import (
    LIMBS,
    People,
    Readings,
    change_at_visits_deg,
    draw_days_done,
    draw_last_visit,
    draw_people,
    draw_readings,
)
from studykit.simulate.truth import TrialTruth
from studykit.vocabulary import (
    COLUMNS,
    DATE_COLUMNS,
    DIARY,
    EVENTS,
    FLOW,
    MEASUREMENTS,
    PARTICIPANTS,
    PRESCRIPTIONS,
    RATERS,
    SIDES,
    TEXT_COLUMNS,
    WHOLE_NUMBER_COLUMNS,
    YES_NO_COLUMNS,
)

MEASURE = "ankle_dorsiflexion_lunge_deg"
TECHNIQUE = "calf_stretch"
SITES = ("north_quay", "south_quay", "night_ship")
COVARIATE = "walking_h_per_week"
FIRST_DAY = dt.date(2025, 1, 6)
ENROLLED_WITHIN_DAYS = 84
REASONS_OUT = ("ankle surgery within a year", "already stretches daily", "leaves the company soon", "declined")
REASONS_LOST = ("moved to another route", "no time", "lost interest", "illness unrelated to the study")
COMPLAINTS = ("calf soreness for two days", "cramp in the calf at night", "pain behind the heel")


@dataclass(frozen=True, slots=True)
class Calendar:
    """Days as (n,) or (n, visits) numbers of days after `FIRST_DAY`; `lost` is -1 for those who stay."""

    enrolled: np.ndarray
    visit: np.ndarray
    sitting: np.ndarray
    lost: np.ndarray
    last_visit: np.ndarray


def simulate_trial(truth: TrialTruth, *, rng: np.random.Generator, diary: bool = True) -> dict[str, pd.DataFrame]:
    """One made-up trial: table name -> frame with the columns of `vocabulary.COLUMNS`.

    Each part draws from a stream of its own, so that the readings are the same with and without a diary.

    Args:
        diary: False leaves the diary empty, for studies that simulate thousands of trials.
    """
    who, doing, reading, leaving, calendar, paper, page = rng.spawn(7)
    people = draw_people(truth, rng=who)
    days_done = draw_days_done(truth, people, rng=doing)
    readings = draw_readings(truth, people, change_at_visits_deg(truth, people, days_done), rng=reading)
    last_visit = draw_last_visit(truth, readings.value_deg, rng=leaving)
    days = _calendar(truth, last_visit, rng=calendar)
    names = _names("F", truth.participants)
    return {
        PARTICIPANTS: _participants(truth, people, names, days, rng=paper),
        RATERS: _raters(truth),
        MEASUREMENTS: _measurements(truth, readings, names, days),
        PRESCRIPTIONS: _prescriptions(truth),
        DIARY: _diary(truth, people, days_done, names, days, rng=page) if diary else _frame(DIARY, {}, 0),
        EVENTS: _events(truth, people, names, days, rng=paper),
        FLOW: _flow(truth, names, days, rng=paper),
    }


def _names(letter: str, count: int) -> np.ndarray:
    width = max(3, len(str(count)))
    return np.array([f"{letter}{number:0{width}d}" for number in range(1, count + 1)], dtype=object)


def _frame(table: str, columns: Mapping[str, object], rows: int) -> pd.DataFrame:
    """A frame in the columns, order and types of a study; columns that are not given are missing throughout."""
    order = [*COLUMNS[table], *(name for name in columns if name not in COLUMNS[table])]
    frame = pd.DataFrame({name: columns.get(name) for name in order}, index=pd.RangeIndex(rows))
    return frame.astype({name: _type_of(name) for name in order})


def _type_of(column: str) -> str:
    if column in TEXT_COLUMNS:
        return "str"
    if column in DATE_COLUMNS:
        return "datetime64[us]"
    if column in YES_NO_COLUMNS:
        return "boolean"
    return "Int64" if column in WHOLE_NUMBER_COLUMNS else "float64"


def _dates(days: np.ndarray) -> np.ndarray:
    return np.datetime64(FIRST_DAY, "s") + days.astype("timedelta64[D]")


def _calendar(truth: TrialTruth, last_visit: np.ndarray, *, rng: np.random.Generator) -> Calendar:
    n, weeks = last_visit.size, np.array(truth.visit_weeks)
    enrolled = np.sort(rng.integers(0, ENROLLED_WITHIN_DAYS, n))
    offset = rng.integers(-4, 5, (n, weeks.size))
    offset[:, 0] = 0
    visit = enrolled[:, None] + 7 * weeks[None, :] + offset
    sitting = enrolled + rng.integers(1, 4, n)
    after = np.take_along_axis(visit, last_visit[:, None], axis=1)[:, 0] + rng.integers(5, 16, n)
    return Calendar(enrolled, visit, sitting, np.where(last_visit < weeks.size - 1, after, -1), last_visit)


def _participants(
    truth: TrialTruth, people: People, names: np.ndarray, days: Calendar, *, rng: np.random.Generator
) -> pd.DataFrame:
    n = names.size
    female = rng.random(n) < 0.45
    height_cm = np.rint(np.where(female, rng.normal(166.0, 6.0, n), rng.normal(179.0, 6.5, n)))
    mass_kg = np.rint(rng.normal(25.0, 2.8, n).clip(18.5, 36.0) * (height_cm / 100.0) ** 2)
    walking = np.rint(2.0 * np.clip(6.0 + 1.5 * people.trait + rng.normal(0.0, 2.0, n), 0.0, 20.0)) / 2.0
    columns = {
        "participant_id": names,
        "arm": np.array([arm.key for arm in truth.arms], dtype=object)[people.arm],
        "site": np.array(SITES, dtype=object)[rng.integers(0, len(SITES), n)],
        "sex": np.where(female, "female", "male").astype(object),
        "age_years": people.age_years,
        "height_cm": height_cm,
        "mass_kg": mass_kg,
        "enrolled_on": _dates(days.enrolled),
        COVARIATE: walking,
    }
    return _frame(PARTICIPANTS, columns, n)


def _raters(truth: TrialTruth) -> pd.DataFrame:
    years = 3.0 + 4.0 * np.arange(truth.raters)
    columns = {"rater_id": rater_names(truth), "profession": "physiotherapist", "experience_years": years}
    return _frame(RATERS, columns, truth.raters)


def rater_names(truth: TrialTruth) -> np.ndarray:
    """Codes of the raters: rater_1, rater_2, ..."""
    return np.array([f"rater_{number}" for number in range(1, truth.raters + 1)], dtype=object)


def _measurements(truth: TrialTruth, readings: Readings, names: np.ndarray, days: Calendar) -> pd.DataFrame:
    raters, side = rater_names(truth), np.array(SIDES, dtype=object)
    visits = np.array(truth.visit_keys, dtype=object)
    came = np.arange(visits.size)[None, :] <= days.last_visit[:, None]
    person, visit, limb, trial = _positions(readings.value_deg.shape, came)
    planned = {
        "participant_id": names[person],
        "visit": visits[visit],
        "measured_on": _dates(days.visit[person, visit]),
        "side": side[limb],
        "rater_id": raters[readings.rater[person, visit]],
        "trial": trial + 1,
        "value": readings.value_deg[person, visit, limb, trial],
    }
    sat, limb, rater, trial = _positions(readings.sitting_deg.shape)
    person = readings.sitting_person[sat]
    sitting = {
        "participant_id": names[person],
        "visit": np.full(person.size, truth.sitting_visit, dtype=object),
        "measured_on": _dates(days.sitting[person]),
        "side": side[limb],
        "rater_id": raters[rater],
        "trial": trial + 1,
        "value": readings.sitting_deg[sat, limb, rater, trial],
    }
    columns: dict[str, object] = {name: np.concatenate([planned[name], sitting[name]]) for name in planned}
    columns |= {"measure": MEASURE, "instrument": "inclinometer", "warmed_up": False, "blinded": True}
    return _frame(MEASUREMENTS, columns, planned["trial"].size + sitting["trial"].size)


def _positions(shape: tuple[int, ...], kept: np.ndarray | None = None) -> list[np.ndarray]:
    """Position along each axis of every cell whose first two positions are kept, flat, last axis fastest."""
    mask = np.ones(shape, dtype=bool) if kept is None else np.broadcast_to(kept[..., None, None], shape)
    return list(np.nonzero(mask))


def _prescriptions(truth: TrialTruth) -> pd.DataFrame:
    arms = [arm for arm in truth.arms if arm.days_per_week > 0]
    columns = {
        "arm": [arm.key for arm in arms],
        "technique": TECHNIQUE,
        "hold_s": [float(arm.hold_s) for arm in arms],
        "repetitions": [arm.repetitions for arm in arms],
        "sessions_per_day": [float(arm.sessions_per_day) for arm in arms],
        "days_per_week": [float(arm.days_per_week) for arm in arms],
        "weeks": float(truth.weeks),
        "intensity_0_10": 5.0,
    }
    return _frame(PRESCRIPTIONS, columns, len(arms))


def _diary(
    truth: TrialTruth,
    people: People,
    days_done: np.ndarray,
    names: np.ndarray,
    days: Calendar,
    *,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """One row for each day done and each limb, until the day on which somebody leaves.

    A week in which nothing was done ends with a row of no repetitions, so that a week without a row is never met before
    somebody leaves.
    """
    n, weeks = days_done.shape
    asked = np.array([arm.days_per_week > 0 for arm in truth.arms])[people.arm]
    idle = asked[:, None] & (days_done == 0)
    written = rng.random((n, weeks, 7)).argsort(axis=2).argsort(axis=2) < days_done[:, :, None]
    written[:, :, -1] |= idle
    person, week, weekday = np.nonzero(written)
    day = days.enrolled[person] + 7 * week + weekday
    stays = (days.lost[person] < 0) | (day <= days.lost[person])
    nothing = np.repeat(idle[person, week][stays], LIMBS)
    person, day = np.repeat(person[stays], LIMBS), np.repeat(day[stays], LIMBS)
    arm = people.arm[person]
    discomfort = np.floor(rng.normal(3.0, 1.2, person.size).clip(0.0, 10.0))
    columns = {
        "participant_id": names[person],
        "done_on": _dates(day),
        "technique": TECHNIQUE,
        "side": np.tile(np.array(SIDES, dtype=object), person.size // LIMBS),
        "hold_s": np.array([float(entry.hold_s) for entry in truth.arms])[arm],
        "repetitions": np.where(nothing, 0, np.array([entry.repetitions for entry in truth.arms])[arm]),
        "discomfort_0_10": np.where(nothing, np.nan, discomfort),
    }
    return _frame(DIARY, columns, person.size)


def _events(
    truth: TrialTruth, people: People, names: np.ndarray, days: Calendar, *, rng: np.random.Generator
) -> pd.DataFrame:
    stretches = np.array([arm.days_per_week > 0 for arm in truth.arms])[people.arm]
    person = np.flatnonzero(rng.random(names.size) < np.where(stretches, 0.12, 0.04))
    end = np.where(days.lost < 0, days.visit[:, -1], days.lost)
    day = days.enrolled[person] + 1 + np.floor(rng.random(person.size) * (end - days.enrolled)[person] * 0.9)
    related = np.where(stretches[person], rng.choice(["yes", "unclear"], person.size, p=[0.8, 0.2]), "no")
    columns = {
        "participant_id": names[person],
        "happened_on": _dates(day.astype(int)),
        "description": rng.choice(COMPLAINTS, person.size).astype(object),
        "severity": rng.choice(["mild", "moderate"], person.size, p=[0.85, 0.15]).astype(object),
        "related": related.astype(object),
    }
    return _frame(EVENTS, columns, person.size)


def _flow(truth: TrialTruth, names: np.ndarray, days: Calendar, *, rng: np.random.Generator) -> pd.DataFrame:
    """Stages of everybody who was assessed; those screened out carry codes of their own (S001, ...)."""
    screened = _names("S", truth.screened_out)
    screened_day = np.sort(rng.integers(0, ENROLLED_WITHIN_DAYS, screened.size))
    lost = np.flatnonzero(days.lost >= 0)
    analysed = np.flatnonzero(days.last_visit > 0)
    parts: list[tuple[str, np.ndarray, np.ndarray, np.ndarray | None]] = [
        ("assessed", screened, screened_day, None),
        ("excluded", screened, screened_day, rng.choice(REASONS_OUT, screened.size)),
        ("assessed", names, days.enrolled, None),
        ("randomised", names, days.enrolled, None),
        ("received", names, days.enrolled, None),
        ("lost", names[lost], days.lost[lost], rng.choice(REASONS_LOST, lost.size)),
        ("analysed", names[analysed], days.visit[analysed, days.last_visit[analysed]], None),
    ]
    no_reason = [np.full(who.size, None, dtype=object) for _, who, _, _ in parts]
    columns = {
        "participant_id": np.concatenate([who for _, who, _, _ in parts]),
        "stage": np.repeat([stage for stage, _, _, _ in parts], [who.size for _, who, _, _ in parts]),
        "happened_on": _dates(np.concatenate([day for _, _, day, _ in parts])),
        "reason": np.concatenate(
            [empty if reason is None else reason for empty, (_, _, _, reason) in zip(no_reason, parts, strict=True)]
        ),
    }
    return _frame(FLOW, columns, columns["participant_id"].size)
