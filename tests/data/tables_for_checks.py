"""Small tables for the tests of checking: a clean trial from plain rows, and frames in the form of the intake."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from studykit.data.checks.schemas import column_types
from studykit.data.findings import no_findings
from studykit.data.intake.gathered import Gathered, RowCount
from studykit.protocol import Protocol, parse_protocol
from studykit.vocabulary import COLUMNS, LOG_COLUMNS

TRIAL = """
raters = ["anna", "bela"]
[study]
title = "A small trial"
question = "Does the angle change?"
design = "trial"
primary_measure = "lunge"
primary_visit = "week_12"
[arms.stretch]
label = "Stretch"
dose = { hold_s = 60, repetitions = 2, sessions_per_day = 1, days_per_week = 5, weeks = 12 }
[arms.usual]
label = "Usual care"
control = true
[[visits]]
key = "baseline"
label = "Baseline"
week = 0
days_before = 7
[[visits]]
key = "week_6"
label = "Week 6"
week = 6
[[visits]]
key = "week_12"
label = "Week 12"
week = 12
[measures.lunge]
name = "Lunge"
joint = "ankle"
motion = "dorsiflexion"
position = "weight-bearing lunge"
instrument = "inclinometer"
unit = "deg"
better = "higher"
zero_and_sign = "vertical shank is zero"
plausible_low = 0
plausible_high = 70
trials_per_visit = 3
cautions = ["heel down"]
[measures.lunge_reach]
name = "Lunge reach"
joint = "ankle"
motion = "dorsiflexion"
position = "weight-bearing lunge"
instrument = "tape"
unit = "cm"
better = "higher"
zero_and_sign = "toe at the wall is zero"
plausible_low = 0
plausible_high = 30
trials_per_visit = 1
cautions = ["heel down"]
[measures.reach]
name = "Sit and reach"
joint = "trunk"
motion = "bend"
position = "seated"
instrument = "box"
unit = "cm"
better = "higher"
zero_and_sign = "toes are zero"
plausible_low = -50
plausible_high = 50
two_sided = false
trials_per_visit = 1
cautions = ["warm up"]
[measures.form]
name = "Lunge form"
joint = "hip"
motion = "extension"
position = "half kneeling"
instrument = "by eye"
unit = "grade"
better = "higher"
zero_and_sign = "0 is poor"
plausible_low = 0
plausible_high = 3
levels = ["poor", "fair", "good", "full"]
trials_per_visit = 1
cautions = ["by eye"]
[covariates.work_h]
label = "Hours at work"
kind = "number"
low = 0
high = 80
[covariates.shoe]
label = "Shoe"
kind = "words"
allowed = ["flat", "heeled"]
"""
VISIT_DAY = {"baseline": 0, "week_6": 42, "week_12": 84}
ENROLLED = pd.Timestamp("2024-03-04")

Tables = dict[str, pd.DataFrame]


def trial_protocol() -> Protocol:
    """A trial with two arms, three visits and four measures."""
    return parse_protocol(TRIAL)


def clean_rows(people: int = 16, seed: int = 3) -> dict[str, list[dict[str, object]]]:
    """Rows of a trial without a mistake, as plain values; every participant has come to every visit."""
    rng = np.random.default_rng(seed)
    rows: dict[str, list[dict[str, object]]] = {table: [] for table in COLUMNS}
    rows["raters"] = [{"rater_id": name, "profession": "physiotherapist"} for name in ("anna", "bela")]
    rows["prescriptions"] = [
        {"arm": "stretch", "technique": "stretch", "hold_s": 60, "repetitions": 2, "sessions_per_day": 1}
        | {"days_per_week": 5, "weeks": 12, "intensity_0_10": 5}
    ]
    for number in range(people):
        name, start = f"P{number + 11}", ENROLLED + pd.Timedelta(days=number)
        rows["participants"].append(
            {"participant_id": name, "arm": ("stretch", "usual")[number % 2], "site": "quay", "sex": "female"}
            | {"age_years": 40, "height_cm": 170, "mass_kg": 70, "enrolled_on": start, "work_h": 30, "shoe": "flat"}
        )
        rows["flow"] += [
            {"participant_id": name, "stage": stage, "happened_on": start}
            for stage in ("assessed", "randomised", "received")
        ]
        rows["flow"].append({"participant_id": name, "stage": "analysed"})
        rows["diary"] += [
            {"participant_id": name, "done_on": start + pd.Timedelta(days=day), "side": side, "technique": "stretch"}
            | {"hold_s": 60, "repetitions": 2, "discomfort_0_10": 2}
            for day in range(0, 14, 3)
            for side in ("left", "right")
        ]
        person = rng.normal(40, 5)
        for visit, day in VISIT_DAY.items():
            common = {"participant_id": name, "visit": visit, "measured_on": start + pd.Timedelta(days=day)}
            common |= {"rater_id": ("anna", "bela")[number % 2], "warmed_up": False, "blinded": True}
            for side, lean in (("left", 1.0), ("right", -1.0)):
                angle = person + lean + rng.normal(0, 1)
                rows["measurements"] += [
                    common
                    | {
                        "side": side,
                        "measure": "lunge",
                        "trial": trial,
                        "value": float(np.rint(rng.normal(angle, 1.5))),
                    }
                    for trial in (1, 2, 3)
                ]
                reach = float(np.rint(rng.normal(person / 4, 0.5) * 10) / 10)
                rows["measurements"].append(
                    common | {"side": side, "measure": "lunge_reach", "trial": 1, "value": reach}
                )
            bend = float(np.rint(rng.normal(5, 4) * 10) / 10)
            rows["measurements"].append(common | {"measure": "reach", "trial": 1, "value": bend})
    rows["events"] = [
        {"participant_id": "P11", "happened_on": ENROLLED + pd.Timedelta(days=9), "description": "sore calf"}
        | {"severity": "mild", "related": "yes"}
    ]
    rows["flow"] += [
        {"participant_id": "S01", "stage": stage, "happened_on": ENROLLED} for stage in ("assessed", "excluded")
    ]
    return rows


def typed(rows: Mapping[str, list[dict[str, object]]], protocol: Protocol) -> Tables:
    """Plain rows as frames of exactly the form that the intake promises."""
    return {
        table: pd.DataFrame(rows.get(table, []), columns=list(types)).astype(types)
        for table in COLUMNS
        for types in [column_types(table, protocol)]
    }


def gathered_from(
    tables: Tables, *, findings: pd.DataFrame | None = None, absent: frozenset[str] = frozenset()
) -> Gathered:
    """Frames as if they had been read from one file a table; row 1 holds the headings."""
    return Gathered(
        tables=tables,
        places={name: _places(name, len(frame)) for name, frame in tables.items()},
        headings={name: {column: column for column in frame.columns} for name, frame in tables.items()},
        texts={name: frame.astype("str").fillna("") for name, frame in tables.items()},
        log=pd.DataFrame({name: pd.Series(dtype="str") for name in LOG_COLUMNS}),
        findings=no_findings() if findings is None else findings,
        present=frozenset(name for name, frame in tables.items() if len(frame)) - absent,
        counts={name: RowCount(sheet_rows=len(frame), rows=len(frame)) for name, frame in tables.items()},
    )


def _places(table: str, count: int) -> pd.DataFrame:
    places = pd.DataFrame(
        {"file": pd.Series([f"{table}.csv"] * count, dtype="str"), "sheet": pd.Series([""] * count, dtype="str")}
    )
    places["row"] = np.arange(count, dtype=np.int64) + 2
    if table == "measurements":
        places["value_heading"] = pd.Series(["value"] * count, dtype="str")
    return places


def from_plain_csv(folder: Path, protocol: Protocol) -> Tables:
    """Tables of a study folder whose files are in the plain form."""
    tables = {}
    for table in COLUMNS:
        types = column_types(table, protocol)
        path = folder / "data" / f"{table}.csv"
        raw = pd.read_csv(path, dtype="str") if path.exists() else pd.DataFrame(columns=list(types))
        raw = raw.reindex(columns=list(types))
        for column, kind in types.items():
            if kind == "boolean":
                raw[column] = raw[column].map({"yes": True, "no": False})
            elif kind in ("float64", "Int64"):
                raw[column] = pd.to_numeric(raw[column])
        tables[table] = raw.astype(types)
    return tables


def synthetic_study(name: str) -> Path:
    """Folder of a study that comes with the kit."""
    return Path(__file__).parents[2] / "synthetic_data" / name
