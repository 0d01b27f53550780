"""A study knows which of its rows a suspicion is about, also where rows before them were set aside."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from studykit.data import Checked, check_study
from studykit.data.checks.checking import NOT_ABOUT_ONE_READING
from studykit.vocabulary import ERROR, MEASUREMENTS

CLINIC = Path(__file__).parents[3] / "synthetic_data" / "clinic_audit"


@pytest.fixture(scope="module")
def clinic() -> Checked:
    return check_study(CLINIC)


def test_the_rows_hold_the_values_that_the_findings_quote(clinic: Checked) -> None:
    assert clinic.study is not None
    assert clinic.rows_set_aside[MEASUREMENTS] > 0  # positions among the rows used are not those of the sheet
    told = clinic.findings
    told = told[(told["severity"] != ERROR) & (told["table"] == MEASUREMENTS)]
    told = told[~told["rule"].isin(NOT_ABOUT_ONE_READING)]
    quoted = [float(value) for value in told["value"] if re.fullmatch(r"-?\d+(\.\d+)?", str(value))]
    rows = clinic.study.tables[MEASUREMENTS].iloc[list(clinic.study.suspicious[MEASUREMENTS])]
    assert len(quoted) >= 5
    for value in quoted:
        assert value in set(rows["value"]), value


def test_the_rows_are_of_the_people_and_values_named(clinic: Checked) -> None:
    """The reading ten times its neighbours of the made-up clinic: one row, and it is among them."""
    assert clinic.study is not None
    found = clinic.findings[clinic.findings["rule"] == "trials_far_apart"]
    assert len(found)
    rows = clinic.study.tables[MEASUREMENTS].iloc[list(clinic.study.suspicious[MEASUREMENTS])]
    assert set(found["value"].astype(float)) <= set(rows["value"])


def test_habits_and_missing_readings_name_no_reading(clinic: Checked) -> None:
    assert clinic.study is not None
    told = clinic.findings
    told = told[(told["severity"] != ERROR) & (told["table"] == MEASUREMENTS)]
    assert told["rule"].isin(NOT_ABOUT_ONE_READING).any()
    about = told[~told["rule"].isin(NOT_ABOUT_ONE_READING)]
    # One row of a sheet holds two or three trials; a suspicion of the whole row is about each of them.
    assert len(about) <= len(clinic.study.suspicious[MEASUREMENTS]) <= 3 * len(about) < len(told)


def test_every_rule_of_that_list_exists() -> None:
    """A rule that was renamed would silently count as being about one reading."""
    rules = Path(__file__).parents[3] / "studykit" / "data" / "checks" / "rules"
    text = "".join(path.read_text(encoding="utf-8") for path in rules.glob("*.py"))
    for rule in NOT_ABOUT_ONE_READING:
        assert f'"{rule}"' in text, rule
