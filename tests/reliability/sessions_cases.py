"""Made-up studies of several sessions, and their exact analysis of variance."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd

from studykit.data import Study
from studykit.protocol import parse_protocol
from studykit.vocabulary import COLUMNS, FINDING_COLUMNS, MEASUREMENTS, NUMBER_COLUMNS

VISITS = """
[[visits]]
key = "day_1"
label = "Day 1"
week = 0
[[visits]]
key = "day_2"
label = "Day 2"
week = 1
[[visits]]
key = "day_3"
label = "Day 3"
week = 2
"""
PLAN = '[reliability]\nrated_by = "every rater"\nsessions = ["day_1", "day_2"]\n'


def sessions_study(rows: pd.DataFrame, *, plan: str = PLAN, measure: str = "knee_flexion_prone") -> Study:
    """A reliability study of plain rows: participant_id, side, visit, rater_id, trial, value."""
    text = (
        "raters = ['r1', 'r2', 'r3']\n[study]\ntitle = 'Agreement of made-up raters'\nquestion = 'Do they agree?'\n"
        f"design = 'reliability'\nprimary_measure = '{measure}'\n{VISITS}\n[measures.{measure}]\n{plan}"
    )
    tables = {
        name: pd.DataFrame({c: pd.Series(dtype="float64" if c in NUMBER_COLUMNS else "str") for c in columns})
        for name, columns in COLUMNS.items()
    }
    full = rows.assign(measure=measure).reindex(columns=list(COLUMNS[MEASUREMENTS]))
    full["measured_on"] = pd.to_datetime(full["measured_on"])
    for column in ("warmed_up", "blinded"):
        full[column] = full[column].astype("boolean")
    tables[MEASUREMENTS] = full
    return Study(parse_protocol(text), tables, pd.DataFrame(columns=list(FINDING_COLUMNS)))


def days_of_angles(
    people: int = 16, sides: int = 1, days: int = 2, raters: int = 2, trials: int = 2, seed: int = 1
) -> pd.DataFrame:
    """Readings in degrees; SDs: participants 7, limbs 3, raters 1.5, limb by rater 1, days of a person 2, rest 2."""
    rng = np.random.default_rng(seed)
    person, limb = rng.normal(130, 7, people), rng.normal(0, 3, (people, sides))
    bias, cell = rng.normal(0, 1.5, raters), rng.normal(0, 1, (people, sides, raters))
    day = rng.normal(0, 2, (people, days))
    rows = []
    for p, s, d, r, t in product(range(people), range(sides), range(days), range(raters), range(trials)):
        value = person[p] + limb[p, s] + bias[r] + cell[p, s, r] + day[p, d] + rng.normal(0, 2)
        side = ["left", "right"][s] if sides > 1 else None
        rows.append((f"P{p:02d}", side, f"day_{d + 1}", f"r{r + 1}", t + 1, value))
    return pd.DataFrame(rows, columns=["participant_id", "side", "visit", "rater_id", "trial", "value"])
