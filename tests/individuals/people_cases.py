"""A made-up trial in which people respond differently, and its answers about single people."""

from __future__ import annotations

import numpy as np
import pandas as pd
from made_studies import made_trial, protocol_text, readings_frame, study_of

from studykit.change import MdcBeside
from studykit.data.study import Study

ARMS = {"usual": "Usual care", "hold_30": "30 s hold", "hold_60": "60 s hold"}
MDC = MdcBeside(5.0, 4.0, 7.0, 0.95, "one limb")
MDC_BOTH = MdcBeside(4.2, 3.4, 6.0, 0.95, "both limbs")
IMPORTANT = '[analysis]\nimportant_change = { value = 6.0, source = "Made up for tests." }'


def trial(people: int = 60, *, missing: float = 0.1, more: str = "", seed: int = 11) -> Study:
    """Both limbs at three visits in three arms that gain 0, 5 and 10 degrees."""
    return made_trial(people, arms=ARMS, effect_deg=5.0, missing=missing, seed=seed, more=more)


def one_limb_study(values: np.ndarray, *, design: str, arms: list[str] | None = None, more: str = "") -> Study:
    """A study of one limb a person from an array of people x visits; weeks 0, 6, 12 or 0, 12."""
    count = values.shape[1]
    visits = ("baseline", "week_6", "week_12") if count == 3 else ("baseline", "week_12")
    weeks = (0, 6, 12) if count == 3 else (0, 12)
    ids = [f"P{n:03d}" for n in range(len(values))]
    labels = {key: f"Arm {key}" for key in dict.fromkeys(arms or [])}
    text = protocol_text(design=design, arms=labels, visits=visits, weeks=weeks, more=more)
    return study_of(
        text,
        measurements=readings_frame(values[:, :, None, None], visits=visits, sides=("left",)),
        participants=pd.DataFrame({"participant_id": ids, "arm": arms}),
    )


def growing(people: int, arms: list[str], further_sd: dict[str, float], *, seed: int, visits: int = 3) -> np.ndarray:
    """Readings, people x visits: slopes of SD 2 a study, in some arms further ones, errors of SD 1.5 a reading."""
    rng = np.random.default_rng(seed)
    share = np.array([0.0, 0.5, 1.0]) if visits == 3 else np.array([0.0, 1.0])
    change = rng.normal(1.0, 2.0, people) + np.array([further_sd[arm] for arm in arms]) * rng.normal(0, 1, people)
    start = 60.0 + rng.normal(0, 6.0, people)
    return start[:, None] + change[:, None] * share + rng.normal(0, 1.5, (people, visits))
