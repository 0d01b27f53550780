"""Small studies made of arrays, for the tests of change and of single people; every person in them is invented."""

from __future__ import annotations

import numpy as np
import pandas as pd

from studykit.data.study import Study
from studykit.protocol import parse_protocol
from studykit.vocabulary import (
    COLUMNS,
    DATE_COLUMNS,
    FINDING_COLUMNS,
    MEASUREMENTS,
    NUMBER_COLUMNS,
    PARTICIPANTS,
    WHOLE_NUMBER_COLUMNS,
    YES_NO_COLUMNS,
)

TRIAL_ARMS = {"usual": "Usual care", "hold_60": "60 s hold"}
MEASURE = "knee_flexion_prone"


def protocol_text(
    *,
    design: str = "trial",
    arms: dict[str, str] | None = None,
    visits: tuple[str, ...] = ("baseline", "week_6", "week_12"),
    weeks: tuple[float, ...] = (0, 6, 12),
    primary_visit: str = "week_12",
    measure: str = MEASURE,
    lines: str = "",
    doses: dict[str, str] | None = None,
    more: str = "",
) -> str:
    chosen = TRIAL_ARMS if arms is None else arms
    parts = [
        "raters = ['r1', 'r2', 'r3']",
        "[study]",
        'title = "Made-up study"',
        'question = "Does it change?"',
        f'design = "{design}"',
        f'primary_measure = "{measure}"',
        f'primary_visit = "{primary_visit}"',
        lines,
        f"[measures.{measure}]",
    ]
    for position, (key, label) in enumerate(chosen.items()):
        parts += [f"[arms.{key}]", f'label = "{label}"']
        parts += ["control = true"] if design == "trial" and position == 0 else []
        parts += [f"dose = {doses[key]}"] if doses and key in doses else []
    for key, week in zip(visits, weeks, strict=True):
        parts += ["[[visits]]", f'key = "{key}"', f'label = "{key.replace("_", " ").capitalize()}"', f"week = {week}"]
    return "\n".join([*parts, more])


def study_of(text: str, **tables: pd.DataFrame) -> Study:
    """A Study from a protocol and plain frames; tables and columns that are left out are empty."""
    protocol = parse_protocol(text)
    full = {}
    for name, columns in COLUMNS.items():
        given = tables.get(name, pd.DataFrame(columns=list(columns)))
        frame = given.reindex(columns=list(columns))
        for column in columns:
            frame[column] = _typed(frame[column], column)
        full[name] = frame.reset_index(drop=True)
    return Study(protocol, full, pd.DataFrame(columns=list(FINDING_COLUMNS)))


def _typed(column: pd.Series, name: str) -> pd.Series:
    if name in DATE_COLUMNS:
        return pd.to_datetime(column)
    if name in WHOLE_NUMBER_COLUMNS:
        return pd.to_numeric(column).astype("Int64")
    if name in NUMBER_COLUMNS:
        return pd.to_numeric(column).astype("float64")
    return column.astype("boolean") if name in YES_NO_COLUMNS else column.astype("str")


def readings_frame(
    values: np.ndarray,
    *,
    visits: tuple[str, ...] = ("baseline", "week_6", "week_12"),
    sides: tuple[str, ...] = ("left", "right"),
    measure: str = MEASURE,
    rater: str = "r1",
) -> pd.DataFrame:
    """Measurements from an array of people x visits x sides x trials; nan is a reading that was not taken."""
    people, _, _, trials = values.shape
    index = pd.MultiIndex.from_product(
        [[f"P{n:03d}" for n in range(people)], visits, sides, range(1, trials + 1)],
        names=["participant_id", "visit", "side", "trial"],
    )
    frame = pd.Series(values.reshape(-1), index=index, name="value").reset_index().dropna(subset="value")
    return frame.assign(measure=measure, rater_id=rater, blinded=True)


def made_trial(
    people: int = 40,
    *,
    arms: dict[str, str] | None = None,
    effect_deg: float = 6.0,
    trials: int = 2,
    seed: int = 11,
    missing: float = 0.0,
    **protocol: object,
) -> Study:
    """Both limbs of each person at three visits; the arms gain 0, effect, 2 x effect, ... degrees by the last visit."""
    rng = np.random.default_rng(seed)
    chosen = TRIAL_ARMS if arms is None else arms
    arm = np.arange(people) % len(chosen)
    gain = (arm * effect_deg)[:, None] * np.array([0.0, 0.5, 1.0])
    values = (
        120.0
        + rng.normal(0, 6, (people, 1, 1, 1))
        + rng.normal(0, 3, (people, 1, 2, 1))
        + rng.normal(0, 2, (people, 3, 1, 1))
        + rng.normal(0, 1, (people, 3, 2, 1))
        + rng.normal(0, 1.5, (people, 3, 2, trials))
        + gain[:, :, None, None]
    )
    absent = rng.random((people, 3)) < missing
    absent[:, 0] = False
    values[absent] = np.nan
    readings = readings_frame(values)
    seen_by = rng.integers(1, 4, people * 3)
    rater = pd.Series(
        [f"r{n}" for n in seen_by],
        index=pd.MultiIndex.from_product([[f"P{n:03d}" for n in range(people)], ("baseline", "week_6", "week_12")]),
    )
    readings["rater_id"] = rater.reindex(pd.MultiIndex.from_frame(readings[["participant_id", "visit"]])).to_numpy()
    keys = list(chosen)
    participants = pd.DataFrame(
        {"participant_id": [f"P{n:03d}" for n in range(people)], "arm": [keys[place] for place in arm]}
    )
    text = protocol_text(arms=chosen, **protocol)  # type: ignore[arg-type]
    return study_of(text, **{MEASUREMENTS: readings, PARTICIPANTS: participants})


def made_audit(values: np.ndarray, *, pathways: list[str] | None = None, **protocol: object) -> Study:
    """An audit from an array of people x visits x sides; `pathways` gives each person's."""
    visits = ("baseline", "week_6", "week_12")[: values.shape[1]]
    weeks = (0, 6, 12)[: values.shape[1]]
    sides = ("left", "right")[: values.shape[2]]
    readings = readings_frame(values[..., None], visits=visits, sides=sides)
    ids = [f"P{n:03d}" for n in range(len(values))]
    participants = pd.DataFrame({"participant_id": ids, "arm": pathways if pathways is not None else None})
    arms = {key: f"Pathway {key}" for key in dict.fromkeys(pathways or [])}
    text = protocol_text(
        design="audit",
        arms=arms,
        visits=visits,
        weeks=weeks,
        primary_visit=visits[-1],
        **protocol,  # type: ignore[arg-type]
    )
    return study_of(text, **{MEASUREMENTS: readings, PARTICIPANTS: participants})
