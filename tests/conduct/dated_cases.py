"""A made-up trial whose readings carry dates, and raters that drift and round as they are told."""

from __future__ import annotations

import numpy as np
import pandas as pd
from made_studies import MEASURE, TRIAL_ARMS, protocol_text, study_of

from studykit.data.study import Study

VISITS = ("baseline", "week_6", "week_12")
RATERS = ("r1", "r2", "r3")


def dated_trial(
    people: int = 60,
    *,
    drift_deg_per_30_days: tuple[float, float, float] = (0.0, 0.0, 0.0),
    step_deg: tuple[float, float, float] = (1.0, 1.0, 1.0),
    enrolled_within_days: int = 120,
    whole: bool = True,
    seed: int = 5,
) -> Study:
    """Both limbs at three visits, one rater a visit; people come in over some months."""
    rng = np.random.default_rng(seed)
    enrolled = np.sort(rng.integers(0, max(enrolled_within_days, 1), people))
    day = enrolled[:, None] + np.array([0, 42, 84]) + rng.integers(-2, 3, (people, 3)) * np.array([0, 1, 1])
    rater = rng.integers(0, 3, (people, 3))
    arm = np.arange(people) % 2
    value = (
        60.0
        + rng.normal(0, 9.0, (people, 1, 1))
        + rng.normal(0, 3.0, (people, 1, 2))
        + rng.normal(0, 1.5, (people, 3, 1))
        + rng.normal(0, 1.2, (people, 3, 2))
        + (arm[:, None] * np.array([0.0, 3.0, 6.0]))[:, :, None]
        + (np.array([0.0, 1.0, -0.5])[rater] + np.array(drift_deg_per_30_days)[rater] * day / 30.0)[:, :, None]
    )
    step = np.array(step_deg)[rater][:, :, None]
    value = np.rint(value / step) * step if whole else value
    index = pd.MultiIndex.from_product([range(people), range(3), range(2)], names=["person", "visit", "side"])
    rows = pd.DataFrame({"value": value.reshape(-1)}, index=index).reset_index()
    rows["participant_id"] = rows["person"].map("P{:03d}".format)
    rows["measured_on"] = pd.Timestamp("2024-01-08") + pd.to_timedelta(day[rows["person"], rows["visit"]], unit="D")
    rows["rater_id"] = np.array(RATERS)[rater[rows["person"], rows["visit"]]]
    rows["visit"], rows["side"] = np.array(VISITS)[rows["visit"]], np.array(["left", "right"])[rows["side"]]
    participants = pd.DataFrame(
        {"participant_id": [f"P{n:03d}" for n in range(people)], "arm": np.array(list(TRIAL_ARMS))[arm]}
    )
    measurements = rows.assign(measure=MEASURE, trial=1).drop(columns="person")
    return study_of(protocol_text(), measurements=measurements, participants=participants)
