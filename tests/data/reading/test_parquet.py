"""Parquet: typed columns are still read cell by cell."""

from __future__ import annotations

import datetime as dt
import io
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from intake_cases import (
    changes,
    check_promises,
    gathered,
    only_finding,
)


def test_parquet_is_typed_and_still_read_cell_by_cell(tmp_path: Path) -> None:
    frame = pd.DataFrame(
        {
            "participant_id": ["001", "002", None],
            "measure": pd.Categorical(["lunge", "lunge", None]),
            "rater_id": ["R1", "R1", None],
            "trial": pd.array([1, 2, None], dtype="Int64"),
            "value": [0.1 + 0.2, np.nan, np.nan],
            "measured_on": [dt.datetime(2024, 3, 4), dt.datetime(2024, 3, 4, 9), None],
            "warmed_up": pd.array([True, False, None], dtype="boolean"),
        }
    )
    content = io.BytesIO()
    frame.to_parquet(content)
    result = gathered(tmp_path, {"measurements.parquet": content.getvalue()})
    check_promises(result)
    table = result.tables["measurements"]
    assert table["participant_id"].tolist() == ["001", "002"]
    assert table["value"].iloc[0] == 0.1 + 0.2
    assert table["trial"].tolist() == [1, 2]
    assert table["measured_on"].dt.day.tolist() == [4, 4]
    assert table["warmed_up"].tolist() == [True, False]
    assert ("2024-03-04 09:00:00", "2024-03-04") in changes(result)


@pytest.mark.parametrize(
    ("column", "rule"),
    [
        ([True], "yes_no_for_number"),
        ([dt.date(2024, 3, 4)], "date_for_number"),
        ([float("inf")], "not_a_number"),
        (["47°"], "not_a_number"),
    ],
)
def test_parquet_columns_of_the_wrong_type_are_refused(tmp_path: Path, column: list[object], rule: str) -> None:
    content = io.BytesIO()
    row = {"participant_id": ["P1"], "measure": ["lunge"], "rater_id": ["R1"], "trial": [1], "value": column}
    pd.DataFrame(row).to_parquet(content)
    assert only_finding(gathered(tmp_path, {"measurements.parquet": content.getvalue()}))["rule"] == rule


def test_parquet_that_is_damaged_or_holds_lists_is_one_sentence(tmp_path: Path) -> None:
    assert only_finding(gathered(tmp_path, {"measurements.parquet": b"PAR1"}))["rule"] == "unreadable"
    content = io.BytesIO()
    pd.DataFrame({"value": [[1, 2]]}).to_parquet(content)
    finding = only_finding(gathered(tmp_path, {"measurements.parquet": content.getvalue()}))
    assert "'value' holds list" in finding["message"]
