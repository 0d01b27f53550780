"""The hash of the data: the same for the same rows, another for any other, and nothing of the machine in it."""

import hashlib
import json
import re

import pandas as pd
import pytest

from studykit.provenance import NUMERIC_PACKAGES, hash_of_frames, installed_versions, of_frame


def readings() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "participant_id": pd.array(["001", "002", None], dtype="str"),
            "trial": pd.array([1, 2, None], dtype="Int64"),
            "value": [46.5, 0.1 + 0.2, float("nan")],
            "blinded": pd.array([True, False, None], dtype="boolean"),
            "measured_on": pd.to_datetime(["2026-03-04", "2026-03-05", None]),
        }
    )


def test_the_hash_is_that_of_the_rows_as_text() -> None:
    # The layout by hand: name, length in bytes, then the rows with 17 significant digits.
    text = "participant_id,value\n001,46.5\n002,0.30000000000000004\n"
    frame = pd.DataFrame({"participant_id": ["001", "002"], "value": [46.5, 0.1 + 0.2]})
    expected = hashlib.sha256(f"m {len(text)}\n{text}".encode()).hexdigest()
    assert hash_of_frames({"m": frame}) == expected


def test_same_rows_same_hash_whatever_the_order_of_the_tables() -> None:
    one, other = readings(), readings().head(1)
    assert hash_of_frames({"a": one, "b": other}) == hash_of_frames({"b": other.copy(), "a": one.copy()})


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("participant_id", "1"),
        ("trial", 3),
        ("value", 46.500000000000007),
        ("blinded", False),
        ("measured_on", "2026-03-06"),
    ],
)
def test_any_changed_cell_changes_the_hash(column: str, value: object) -> None:
    changed = readings()
    changed.loc[0, column] = pd.Timestamp(value) if column == "measured_on" else value
    assert hash_of_frames({"a": changed}) != hash_of_frames({"a": readings()})


def test_order_of_rows_names_and_columns_count() -> None:
    frame = readings()
    plain = hash_of_frames({"a": frame})
    assert hash_of_frames({"a": frame.iloc[::-1]}) != plain
    assert hash_of_frames({"b": frame}) != plain
    assert hash_of_frames({"a": frame[list(frame.columns[::-1])]}) != plain


def test_the_index_does_not_count() -> None:
    assert hash_of_frames({"a": readings().set_axis([7, 8, 9])}) == hash_of_frames({"a": readings()})


def test_a_row_cannot_pass_for_the_start_of_another_table() -> None:
    two = {"a": pd.DataFrame({"x": ["1"]}), "b": pd.DataFrame({"y": ["2"]})}
    one = {"a": pd.DataFrame({"x": ["1", "b", "y", "2"]})}
    assert hash_of_frames(two) != hash_of_frames(one)


def test_versions_name_the_kit_python_and_every_package_that_computes() -> None:
    versions = dict(installed_versions())
    assert {"studykit", "python", *NUMERIC_PACKAGES} == set(versions)
    assert all(re.match(r"\d+\.\d+", version) for version in versions.values())


def test_provenance_is_plain_json() -> None:
    made = of_frame(readings(), seed=7)
    assert json.loads(json.dumps(made.to_dict())) == made.to_dict()
    assert made.to_dict()["seed"] == 7
    assert made.protocol_sha256 == ""
    assert re.fullmatch(r"[0-9a-f]{64}", made.data_sha256)
