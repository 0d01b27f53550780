"""Made-up studies for the tests of dose; every person in them is invented."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from made_studies import MEASURE, protocol_text, readings_frame, study_of

from studykit.data.study import Study
from studykit.vocabulary import DIARY, MEASUREMENTS, PARTICIPANTS

VISITS = ("baseline", "week_6", "week_12")
WEEKS = (0.0, 6.0, 12.0)
ENROLLED = pd.Timestamp("2025-01-06")

Asked = tuple[float, float] | None
"""Hold in seconds and days a week; four repetitions once a day for twelve weeks."""
FERRY: dict[str, Asked] = {"none": None, "h30d3": (30, 3), "h30d6": (30, 6), "h60d3": (60, 3), "h60d6": (60, 6)}


def dose_text(hold_s: float, days: float, *, weeks: float = 12, repetitions: int = 4, technique: str = "calf") -> str:
    return (
        f"{{ technique = '{technique}', hold_s = {hold_s}, repetitions = {repetitions}, sessions_per_day = 1, "
        f"days_per_week = {days}, weeks = {weeks} }}"
    )


def minutes_of(asked: Asked) -> float:
    return 0.0 if asked is None else asked[0] * 4 * asked[1] / 60.0


def dose_study(
    mean_deg: Sequence[float],
    *,
    arms: dict[str, Asked] | None = None,
    each: int = 12,
    seed: int = 3,
    doses: dict[str, str] | None = None,
    noise: float = 1.0,
    **protocol: object,
) -> Study:
    """A trial without a diary: each arm changes by its mean by the last visit, half of that by the middle one."""
    asked = FERRY if arms is None else arms
    rng = np.random.default_rng(seed)
    arm = np.repeat(np.arange(len(asked)), each)
    people = len(arm)
    gain = np.array(mean_deg)[arm][:, None] * np.array([0.0, 0.5, 1.0])
    values = 100.0 + rng.normal(0, 5, (people, 1)) + rng.normal(0, noise, (people, 3)) + gain
    ids = [f"P{n:03d}" for n in range(people)]
    keys = list(asked)
    said = doses or {key: dose_text(*dose) for key, dose in asked.items() if dose is not None}
    text = protocol_text(
        arms={key: key.capitalize() for key in keys},
        doses=said,
        **protocol,  # type: ignore[arg-type]
    )
    readings = readings_frame(values[:, :, None, None], sides=("left",))
    people_table = pd.DataFrame({"participant_id": ids, "arm": [keys[place] for place in arm], "enrolled_on": ENROLLED})
    return study_of(text, **{MEASUREMENTS: readings, PARTICIPANTS: people_table})


def practice_study(
    minutes: np.ndarray,
    values: np.ndarray,
    *,
    design: str = "audit",
    weeks: tuple[float, ...] = (0.0, 4.0, 8.0, 12.0),
    more: str = "",
) -> Study:
    """An audit from minutes of each person and week, (people, last week), and values, (people, visits).

    Minutes are done on the first day of a week as one hold; a week of nan has no diary row, one of 0 a row of nothing.
    """
    visits = tuple(f"week_{week:g}" for week in weeks)
    ids = [f"P{n:03d}" for n in range(len(values))]
    text = protocol_text(
        design=design,
        arms={"walk": "Walk"},
        doses={"walk": dose_text(60, 6)},
        visits=visits,
        weeks=weeks,
        primary_visit=visits[-1],
        more=more,
    )
    readings = readings_frame(values[:, :, None, None], visits=visits, sides=("left",))
    day = readings["visit"].map(dict(zip(visits, weeks, strict=True))) * 7
    readings["measured_on"] = ENROLLED + pd.to_timedelta(day, unit="D")
    person, week = np.nonzero(np.isfinite(minutes))
    diary = pd.DataFrame(
        {
            "participant_id": np.array(ids, dtype=object)[person],
            "done_on": ENROLLED + pd.to_timedelta(7 * week, unit="D"),
            "technique": "calf",
            "hold_s": 60.0 * minutes[person, week],
            "repetitions": 1,
        }
    )
    people = pd.DataFrame({"participant_id": ids, "arm": "walk", "enrolled_on": ENROLLED})
    study = study_of(text, **{MEASUREMENTS: readings, PARTICIPANTS: people, DIARY: diary})
    table = study.table(DIARY)
    table["side"] = None
    return Study(study.protocol, {**study.tables, DIARY: table.astype({"side": "str"})}, study.findings)


__all__ = ["ENROLLED", "FERRY", "MEASURE", "dose_study", "dose_text", "minutes_of", "practice_study"]
