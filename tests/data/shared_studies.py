"""A study made of plain rows, for the tests of what must not be shared; every person in it is invented."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from studykit.data.checks.schemas import column_types
from studykit.data.study import Study
from studykit.protocol import parse_protocol
from studykit.vocabulary import COLUMNS, FINDING_COLUMNS

PROTOCOL = """
raters = ["r1", "r2"]

[study]
title = "Made-up study"
question = "Does it change?"
design = "audit"
primary_measure = "knee_flexion_prone"
primary_visit = "last"

[[visits]]
key = "first"
label = "First"
week = 0

[[visits]]
key = "last"
label = "Last"
week = 12

[measures.knee_flexion_prone]

[privacy]
smallest_group = {smallest}

[covariates.sport]
label = "Sport"
kind = "words"

[covariates.work_h]
label = "Hours at work"
kind = "number"
high = 60
"""


def study_of(*, smallest: int = 5, protocol: str = PROTOCOL, **tables: Mapping[str, Sequence[object]]) -> Study:
    """A study whose tables hold the given columns; all others are empty."""
    planned = parse_protocol(protocol.replace("{smallest}", str(smallest)))
    frames = {}
    for table in COLUMNS:
        types = column_types(table, planned)
        given = pd.DataFrame(dict(tables.get(table, {})), dtype=object)
        frames[table] = given.reindex(columns=list(types)).astype(types)
    return Study(planned, frames, pd.DataFrame(columns=list(FINDING_COLUMNS)))


def people(count: int, **columns: Sequence[object]) -> dict[str, Sequence[object]]:
    """Participants P1, P2, ... with further columns."""
    return {"participant_id": [f"P{number}" for number in range(1, count + 1)], **columns}
