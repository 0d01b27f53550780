"""A large clean trial as arrays, and one row in a hundred spoilt, for measuring speed and memory."""

from __future__ import annotations

import numpy as np
import pandas as pd

from studykit.data.checks.schemas import column_types
from studykit.data.findings import no_findings
from studykit.data.intake.gathered import Gathered, RowCount
from studykit.protocol import Protocol, parse_protocol
from studykit.vocabulary import COLUMNS, LOG_COLUMNS, MEASUREMENTS, PARTICIPANTS, RATERS

VISITS, TRIALS, RATERS_N = 4, 3, 8
ENROLLED = np.datetime64("2024-01-01", "us")

PROTOCOL = """
[study]
title = "A large trial"
question = "How fast is a check?"
design = "trial"
primary_measure = "ankle_dorsiflexion_lunge_deg"
primary_visit = "week_12"
[arms.stretch]
label = "Stretch"
[arms.usual]
label = "Usual care"
control = true
[measures.ankle_dorsiflexion_lunge_deg]
[measures.straight_leg_raise]
"""
PROTOCOL += "".join(
    f'[[visits]]\nkey = "{key}"\nlabel = "{key}"\nweek = {week}\n'
    for key, week in (("baseline", 0), ("week_4", 4), ("week_8", 8), ("week_12", 12))
)
MEASURES = ("ankle_dorsiflexion_lunge_deg", "straight_leg_raise")
CENTRE, BETWEEN_SD, DAY_SD, TRIAL_SD = np.array([40.0, 75.0]), np.array([6.0, 9.0]), 1.5, 1.2


def protocol() -> Protocol:
    """Two measures on both sides at four visits, three trials each."""
    return parse_protocol(PROTOCOL)


def clean_trial(rows: int, rng: np.random.Generator) -> dict[str, pd.DataFrame]:
    """All tables of a trial of at most `rows` readings, whole participants in whole degrees, without a mistake."""
    per_person = VISITS * 2 * 2 * TRIALS
    n = rows // per_person
    grid = np.indices((n, VISITS, 2, 2, TRIALS)).reshape(5, -1)
    person, visit, side, measure, trial = grid
    level = rng.normal(CENTRE, BETWEEN_SD, (n, 2))[:, None, :, None] * np.ones((1, 2, 1, 1))
    level = level + rng.normal(0.0, 2.5, (n, 2, 2, 1))
    day_mean = level[..., 0][:, None] + rng.normal(0.0, DAY_SD, (n, VISITS, 2, 2))
    value = np.rint(day_mean[person, visit, side, measure] + rng.normal(0.0, TRIAL_SD, person.size))
    seen_by = rng.integers(0, RATERS_N, (n, VISITS))[person, visit]
    names = np.array([f"P{number:06d}" for number in range(n)])
    week = np.array([0, 4, 8, 12])
    readings = pd.DataFrame(
        {
            "participant_id": names[person],
            "visit": np.array(["baseline", "week_4", "week_8", "week_12"])[visit],
            "measured_on": ENROLLED + (week[visit] * 7).astype("timedelta64[D]"),
            "side": np.array(["left", "right"])[side],
            "measure": np.array(MEASURES)[measure],
            "rater_id": np.array([f"rater_{number}" for number in range(RATERS_N)])[seen_by],
            "instrument": "inclinometer",
            "trial": trial + 1,
            "value": value,
            "warmed_up": False,
            "blinded": True,
            "note": None,
        }
    )
    people = pd.DataFrame({"participant_id": names, "arm": np.array(["stretch", "usual"])[np.arange(n) % 2]})
    people["enrolled_on"] = ENROLLED
    raters = pd.DataFrame({"rater_id": [f"rater_{number}" for number in range(RATERS_N)]})
    made = {MEASUREMENTS: readings, PARTICIPANTS: people, RATERS: raters}
    plan = protocol()
    return {
        table: made.get(table, pd.DataFrame(columns=list(types))).reindex(columns=list(types)).astype(types)
        for table in COLUMNS
        for types in [column_types(table, plan)]
    }


def spoilt(readings: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """One bad cell in each hundredth row: unknown people, unplanned visits, values, dates, no side, a fifth each."""
    bad = rng.permutation(len(readings))[: len(readings) // 100]
    readings = readings.copy()
    kinds = np.array_split(bad, 5)
    for column, cell, part in (
        ("participant_id", "P9999999", kinds[0]),
        ("visit", "week_13", kinds[1]),
        ("value", 430.0, kinds[2]),
        ("measured_on", pd.Timestamp("2023-01-01"), kinds[3]),
        ("side", None, kinds[4]),
    ):
        readings.iloc[part, readings.columns.get_loc(column)] = cell
    return readings


def gathered(tables: dict[str, pd.DataFrame]) -> Gathered:
    """The tables as the intake hands them on; their texts are the tables, so that only the check is measured."""
    places = {}
    for table, frame in tables.items():
        places[table] = pd.DataFrame(
            {"file": pd.Categorical([f"{table}.csv"] * len(frame)), "sheet": pd.Categorical([""] * len(frame))}
        )
        places[table]["row"] = np.arange(len(frame), dtype=np.int64) + 2
    places[MEASUREMENTS]["value_heading"] = pd.Categorical(["value"] * len(tables[MEASUREMENTS]))
    return Gathered(
        tables=tables,
        places=places,
        headings={table: {column: column for column in frame} for table, frame in tables.items()},
        texts=tables,
        log=pd.DataFrame({name: pd.Series(dtype="str") for name in LOG_COLUMNS}),
        findings=no_findings(),
        present=frozenset(table for table, frame in tables.items() if len(frame)),
        counts={table: RowCount(sheet_rows=len(frame), rows=len(frame)) for table, frame in tables.items()},
    )
