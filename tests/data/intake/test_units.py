"""Units: exact factors, the unit of each measure, and units that do not fit."""

from __future__ import annotations

from pathlib import Path

import pytest
from intake_cases import (
    ROW,
    changes,
    gathered,
    gathered_csv,
    only_finding,
    rules,
)


def test_units_are_converted_to_that_of_the_column_or_of_each_measure(tmp_path: Path) -> None:
    result = gathered_csv(
        tmp_path, "P1,reach,R1,1,1.1", "P1,reach,R1,2,2", tables={"measurements": {"units": {"value": "in"}}}
    )
    # 1 in = 2.54 cm by definition (1959), so the products are exact decimals
    assert result.tables["measurements"]["value"].tolist() == [2.794, 5.08]
    assert changes(result) == [("1.1", "2.794"), ("2", "5.08")]


def test_a_unit_that_fits_no_measure_is_an_error_and_converts_nothing(tmp_path: Path) -> None:
    result = gathered_csv(
        tmp_path, ROW, "P1,reach,R1,1,12", "P1,spin,R1,1,7", tables={"measurements": {"units": {"value": "mm"}}}
    )
    assert only_finding(result)["rule"] == "unit_does_not_fit"
    assert result.tables["measurements"]["value"].tolist() == [40.0, 1.2, 7.0]


@pytest.mark.parametrize(
    ("column", "unit", "cell", "value"),
    [("height_cm", "ft", "5", 152.4), ("height_cm", "m", "1.75", 175.0), ("mass_kg", "lb", "100", 45.359237)],
)
def test_lengths_and_masses(tmp_path: Path, column: str, unit: str, cell: str, value: float) -> None:
    tables = {"participants": {"units": {column: unit}}}
    result = gathered(tmp_path, {"participants.csv": f"participant_id,{column}\nP1,{cell}\n"}, tables=tables)
    assert result.tables["participants"][column].tolist() == [value]


def test_a_unit_for_a_column_without_one_is_an_error(tmp_path: Path) -> None:
    tables = {"participants": {"units": {"age_years": "min"}}}
    result = gathered(tmp_path, {"participants.csv": "participant_id,age_years\nP1,40\n"}, tables=tables)
    assert rules(result) == ["unit_does_not_fit", "no_measurements"]
    assert result.tables["participants"]["age_years"].tolist() == [40.0]


def test_a_unit_for_readings_whose_measure_is_not_known_converts_nothing(tmp_path: Path) -> None:
    tables = {"measurements": {"units": {"value": "in"}}}
    without = gathered_csv(tmp_path, "P1,R1,1,40", headings="participant_id,rater_id,trial,value", tables=tables)
    assert only_finding(without)["rule"] == "missing_column"
    assert without.tables["measurements"]["value"].tolist() == [40.0]
    mixed = gathered_csv(tmp_path, "P1,,R1,1,40", "P1,reach,R1,1,2", "P1,spin,R1,1,3", tables=tables)
    assert mixed.tables["measurements"]["value"].tolist() == [40.0, 5.08, 3.0]
