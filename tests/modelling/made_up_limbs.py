"""A small made-up study for the tests of the front door."""

from __future__ import annotations

import numpy as np
import pandas as pd


def study(seed: int = 1, n: int = 12) -> pd.DataFrame:
    """n people, two sides, four weeks, two raters who see everybody."""
    rng = np.random.default_rng(seed)
    keys = pd.MultiIndex.from_product(
        [[f"P{i:02d}" for i in range(n)], ["left", "right"], [0, 4, 8, 12], ["R1", "R2"]],
        names=["participant_id", "side", "week", "rater_id"],
    )
    frame = keys.to_frame(index=False)
    person = frame["participant_id"].str[1:].astype(int)
    frame["arm"] = np.where(person % 2 == 0, "control", "stretch")
    frame["age_years"] = 40.0 + 3 * (person % 7)
    level = rng.normal(0, 5, n)[person] + rng.normal(0, 2, 2 * n)[2 * person + (frame["side"] == "right")]
    gain = 0.3 * frame["week"] * (frame["arm"] == "stretch")
    frame["flexion_deg"] = 90 + level + gain + 1.5 * (frame["rater_id"] == "R2") + rng.normal(0, 1.5, len(frame))
    return frame
