"""A small made-up trial with a diary, for the tests of this room."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
from made_studies import made_trial

from studykit.data.study import Study
from studykit.vocabulary import DIARY, PARTICIPANTS

DOSE = (
    '{ technique = "quad_stretch", hold_s = 60, repetitions = 2, sessions_per_day = 1, days_per_week = 5, weeks = 12 }'
)
ENROLLED = pd.Timestamp("2025-01-06")


def with_diary(people: int = 40, *, missing: float = 0.1, seed: int = 11, **asked: object) -> Study:
    """Two arms; treated people practise 60 s twice a day: person n on n // 2 % 6 days of each week until week stop(n).

    Stop is week 12, or week 6 for every fifth treated person. 5 days a week are prescribed.
    """
    study = made_trial(people, missing=missing, seed=seed, doses={"hold_60": DOSE}, **asked)  # type: ignore[arg-type]
    table = study.table(PARTICIPANTS)
    table["enrolled_on"] = ENROLLED
    rows = []
    for place, (who, arm) in enumerate(zip(table["participant_id"], table["arm"], strict=True)):
        if arm == "usual":
            continue
        last = 6 if place % 5 == 0 else 12
        rows += [
            (who, ENROLLED + pd.Timedelta(days=7 * week + day), "quad_stretch", 60.0, 2)
            for week in range(last)
            for day in range(days_of(place))
        ]
    diary = pd.DataFrame(rows, columns=["participant_id", "done_on", "technique", "hold_s", "repetitions"])
    diary = diary.reindex(columns=study.tables[DIARY].columns).astype(
        {"repetitions": "Int64", "hold_s": "float64", "side": "str"}
    )
    diary["side"] = diary["side"].where(diary["side"] != "nan")
    return dataclasses.replace(study, tables={**study.tables, PARTICIPANTS: table, DIARY: diary})


def days_of(place: int) -> int:
    """Days a week on which a person practises."""
    return place // 2 % 6


def with_choices(study: Study, *, plan: dict[str, object] | None = None, **analysis: object) -> Study:
    """The study with other choices under [analysis], or under [study] by `plan`."""
    chosen = study.protocol.analysis.model_copy(update=analysis)
    part = study.protocol.study.model_copy(update=plan or {})
    protocol = study.protocol.model_copy(update={"analysis": chosen, "study": part})
    return dataclasses.replace(study, protocol=protocol)


def suspected(study: Study, places: np.ndarray) -> Study:
    """The study with these rows of the measurements under suspicion."""
    return dataclasses.replace(study, suspicious={"measurements": tuple(int(place) for place in places)})
