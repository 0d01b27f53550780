"""What a check of a study brought to light, as one frozen value."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from studykit.data.study import Study


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check of a study brought to light.

    Attributes:
        study: the rows that are used; None when a file or a needed column is missing or no reading is left.
        findings: `vocabulary.FINDING_COLUMNS`, one line a cell: errors first, then suspicions.
        log: `vocabulary.LOG_COLUMNS`, every cell that the import changed.
        rows_in, rows_used, rows_set_aside: rows per table; rows_in = rows_used + rows_set_aside for each.
        set_aside: table name -> the rows that an error keeps out: `file`, `sheet`, `row`, the cells as they were read,
            and `reason`.
    """

    study: Study | None
    findings: pd.DataFrame
    log: pd.DataFrame
    rows_in: Mapping[str, int]
    rows_used: Mapping[str, int]
    rows_set_aside: Mapping[str, int]
    set_aside: Mapping[str, pd.DataFrame]
