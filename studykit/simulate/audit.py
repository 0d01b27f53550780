"""A made-up clinic's audit workbook without a mistake: wide sheets, the clinic's own headings and words."""

from __future__ import annotations

import datetime as dt

import numpy as np

from studykit.simulate.cells import Cell, SheetOfCells

PATIENTS, THERAPISTS, READINGS = "Patients", "Therapists", "Readings"
HOMEWORK, DIARY, INCIDENTS = "Homework", "Diary", "Incidents"
HEADINGS: dict[str, list[str]] = {
    PATIENTS: ["Patient no", "Pathway", "Sex", "Age", "Height", "Weight", "First seen", "Locker"],
    THERAPISTS: ["Initials", "Profession", "Years"],
    READINGS: [
        "Patient no",
        "Visit",
        "Date",
        "Side",
        "Movement",
        "Therapist",
        "Trial 1",
        "Trial 2",
        "Trial 3",
        "Warm",
        "Remark",
    ],
    HOMEWORK: ["Patient no", "Exercise", "Hold (min)", "Repeats", "Times a day", "Days a week", "Weeks"],
    DIARY: ["Patient no", "Day", "Exercise", "Side", "Held (min)", "Repeats", "Discomfort"],
    INCIDENTS: ["Patient no", "Day", "What happened", "How bad", "Because of us"],
}
VISITS = {"first": 0, "review": 6, "discharge": 12}
SIDES = ("L", "R")
MOVEMENTS = {"shoulder": ("ER", "IR"), "knee": ("KE",)}
EXERCISE = {"shoulder": "sleeper_stretch", "knee": "heel_prop"}
LEVEL_DEG = {"ER": (68.0, 8.0), "IR": (46.0, 6.0), "KE": (-9.0, 3.0)}
GAIN_DEG_PER_WEEK = {"ER": 0.9, "IR": 0.6, "KE": 0.35}
THERAPIST_YEARS = {"AB": 4, "NA": 11, "MT": 7, "LK": 22}
"""Initials, one pair of which a careless reader takes for "not available"; the last reads only multiples of five."""
OPENED = dt.date(2025, 2, 3)
STIFF_DEG = {("022", "IR"): 6.0}
"""Shoulders far below the others, for a reading that gains a digit and stays believable."""
UNEVEN_DEG = {("005", "ER"): 24.0}
"""How much further one patient's right side goes."""
READ_TWICE = 18
"""The first patients whom a second therapist reads as well, at the visits below."""
VISITS_READ_TWICE = {"shoulder": ("review", "discharge"), "knee": ("discharge",)}
NOT_READ_TWICE = {("005", "review"), ("016", "discharge")}
"""Where sides are exchanged, or somebody else is read, later on: a second therapist's readings would hide it."""
Occasion = tuple[list[Cell], float]
"""Patient, visit, day, side, movement, therapist and warm-up of a row of readings, and the angle that was there."""


def simulate_audit(*, rng: np.random.Generator) -> dict[str, SheetOfCells]:
    """The clean sheets of the clinic's workbook: sheet name -> cells.

    36 patients, three visits, both sides, three trials a row; readings in whole degrees. The readings of a second
    therapist stand below all others.
    """
    pathway = {f"{number:03d}": "shoulder" if number % 5 in (1, 2, 0) else "knee" for number in range(1, 37)}
    seen = {patient: OPENED + dt.timedelta(days=int(day)) for patient, day in zip(pathway, _weekdays(rng), strict=True)}
    patients = _patients(pathway, seen, rng)
    readings, occasions = _readings(pathway, seen, rng)
    sheets: dict[str, list[list[Cell]]] = {
        PATIENTS: patients,
        THERAPISTS: [[name, "physiotherapist", years] for name, years in THERAPIST_YEARS.items()],
        READINGS: readings,
        HOMEWORK: [_homework(patient, way) for patient, way in pathway.items()],
        DIARY: _diary(pathway, seen, rng),
        INCIDENTS: [
            ["003", seen["003"] + dt.timedelta(days=9), "sore behind the knee for a day", "mild", "yes"],
            ["010", seen["010"] + dt.timedelta(days=20), "pins and needles after the exercise", "moderate", "unclear"],
            ["022", seen["022"] + dt.timedelta(days=30), "fell at home", "mild", "no"],
            ["027", seen["027"] + dt.timedelta(days=15), "ache in the upper arm", "mild", "yes"],
        ],
    }
    readings += _second_readings(pathway, occasions, rng)
    return {name: SheetOfCells(list(HEADINGS[name]), rows) for name, rows in sheets.items()}


def _weekdays(rng: np.random.Generator) -> np.ndarray:
    """Working days of the first eight weeks, one for each of the 36 patients, in order."""
    return np.asarray(np.sort(7 * rng.integers(0, 8, 36) + rng.integers(0, 5, 36)))


def _patients(pathway: dict[str, str], seen: dict[str, dt.date], rng: np.random.Generator) -> list[list[Cell]]:
    rows: list[list[Cell]] = []
    for number, (patient, way) in enumerate(pathway.items()):
        woman = bool(rng.random() < 0.5)
        height_cm = int(np.rint(rng.normal(165 if woman else 178, 6)))
        mass_kg = int(np.rint(rng.normal(25.5, 2.5) * (height_cm / 100) ** 2))
        age_years = int(rng.integers(24, 78))
        rows.append([patient, way, "W" if woman else "M", age_years, height_cm, mass_kg, seen[patient], number + 40])
    return rows


def _readings(
    pathway: dict[str, str], seen: dict[str, dt.date], rng: np.random.Generator
) -> tuple[list[list[Cell]], list[Occasion]]:
    """The rows, and what stood behind each of them."""
    rows: list[list[Cell]] = []
    occasions: list[Occasion] = []
    for patient, way in pathway.items():
        levels = {movement: _level(patient, movement, rng) for movement in MOVEMENTS[way]}
        warm = "y" if rng.random() < 0.5 else "n"
        for visit, week in VISITS.items():
            day = seen[patient] + dt.timedelta(days=7 * week + (int(rng.integers(-3, 4)) if week else 0))
            therapist = list(THERAPIST_YEARS)[int(rng.integers(0, 4))]
            for movement, (left, right) in levels.items():
                today = GAIN_DEG_PER_WEEK[movement] * week + float(rng.normal(0.0, 0.8))
                for side, level in zip(SIDES, (left, right), strict=True):
                    trials = _trials(level + today, therapist, rng)
                    rows.append([patient, visit, day, side, movement, therapist, *trials, warm, None])
                    occasions.append(([patient, visit, day, side, movement, therapist, warm], level + today))
    return rows, occasions


def _second_readings(pathway: dict[str, str], occasions: list[Occasion], rng: np.random.Generator) -> list[list[Cell]]:
    """Some patients at some visits by another therapist on the same day, both sides and all movements of a visit."""
    rows: list[list[Cell]] = []
    second: dict[tuple[str, str], str] = {}
    for (patient, visit, day, side, movement, therapist, warm), angle in occasions:
        who, when = str(patient), str(visit)
        planned = int(who) <= READ_TWICE and when in VISITS_READ_TWICE[pathway[who]]
        if not planned or (who, when) in NOT_READ_TWICE:
            continue
        if (who, when) not in second:
            others = [name for name in THERAPIST_YEARS if name != therapist]
            second[who, when] = others[int(rng.integers(0, len(others)))]
        other = second[who, when]
        rows.append([patient, visit, day, side, movement, other, *_trials(angle, other, rng), warm, None])
    return rows


def _level(patient: str, movement: str, rng: np.random.Generator) -> tuple[float, float]:
    """Left and right angle at the first visit."""
    mean, spread = LEVEL_DEG[movement]
    drawn = float(rng.normal(mean, spread))
    left = STIFF_DEG.get((patient, movement), drawn)
    return left, left + float(rng.normal(0.0, 2.0)) + UNEVEN_DEG.get((patient, movement), 0.0)


def _trials(level_deg: float, therapist: str, rng: np.random.Generator) -> list[Cell]:
    """Three readings in whole degrees; one therapist reads the scale to the nearest five, and less steadily."""
    step, trial_sd_deg = (5, 3.5) if therapist == "LK" else (1, 1.3)
    return [int(step * np.rint(angle / step)) for angle in level_deg + rng.normal(0.0, trial_sd_deg, 3)]


def _homework(patient: str, way: str) -> list[Cell]:
    return [patient, EXERCISE[way], 1 if way == "shoulder" else 1.5, 3, 1, 5, 12]


def _diary(pathway: dict[str, str], seen: dict[str, dt.date], rng: np.random.Generator) -> list[list[Cell]]:
    """Days written as text, day first; every fourth patient keeps a diary."""
    rows: list[list[Cell]] = []
    for patient in list(pathway)[::4]:
        way = pathway[patient]
        for week in range(12):
            for weekday in np.sort(rng.permutation(7)[: int(rng.binomial(5, 0.7))]):
                day = seen[patient] + dt.timedelta(days=7 * week + int(weekday))
                for side in SIDES:
                    held = 1 if way == "shoulder" else 1.5
                    discomfort = int(rng.integers(0, 5))
                    rows.append([patient, day.strftime("%d/%m/%Y"), EXERCISE[way], side, held, 3, discomfort])
    return rows
