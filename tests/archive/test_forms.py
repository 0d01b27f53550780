"""Protocols and tables read back to exactly what they were, whatever they hold."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from studykit.archive.canonical import canonical_protocol
from studykit.archive.environment import date_of_seal
from studykit.archive.tables import plain_number, with_dates
from studykit.data.sharing.shareable import DAY_ZERO
from studykit.errors import DataError
from studykit.protocol import load_protocol, parse_protocol, protocol_sha256, shipped_measures
from studykit.protocol.intake_model import Intake
from studykit.starting import protocol_template
from studykit.vocabulary import DESIGNS

STUDIES = sorted((Path(__file__).parents[2] / "synthetic_data").glob("*/study.toml"))


@pytest.mark.parametrize("path", STUDIES, ids=lambda path: path.parent.name)
def test_canonical_form_of_a_protocol_decides_the_same(path: Path) -> None:
    planned = load_protocol(path)
    without_intake = planned.model_copy(update={"intake": Intake()})
    text = canonical_protocol(planned)
    assert protocol_sha256(parse_protocol(text)) == protocol_sha256(without_intake)
    assert canonical_protocol(parse_protocol(text)) == text


@pytest.mark.parametrize("design", DESIGNS)
def test_canonical_form_of_the_protocols_a_study_begins_with(design: str) -> None:
    planned = parse_protocol(protocol_template(design)).model_copy(update={"intake": Intake()})
    assert protocol_sha256(parse_protocol(canonical_protocol(planned))) == protocol_sha256(planned)


def test_canonical_form_writes_every_measure_out() -> None:
    text = canonical_protocol(parse_protocol(protocol_template("trial")))
    for key in parse_protocol(protocol_template("trial")).measures:
        assert shipped_measures()[key].zero_and_sign in text
    assert "[intake]" not in text


@given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=60).filter(lambda text: text.strip()))
def test_any_text_survives_the_canonical_form(text: str) -> None:
    planned = parse_protocol(protocol_template("reliability"))
    part = planned.study.model_copy(update={"title": text.strip()})
    again = parse_protocol(canonical_protocol(planned.model_copy(update={"study": part})))
    assert again.study.title == text.strip()


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_any_number_reads_back_to_the_same_bits(value: float) -> None:
    text = plain_number(value)
    assert np.float64(text).tobytes() == np.float64(value).tobytes()
    assert set(text) <= set("0123456789.-")


@given(st.integers(-10_000, 30_000))
def test_study_days_become_dates_and_are_counted_back(day: int) -> None:
    table = with_dates(f"participant_id,measured_day,value\nP1,{day},5\nP2,,6\n").splitlines()
    assert table[0] == "participant_id,measured_on,value"
    assert (date.fromisoformat(table[1].split(",")[1]) - DAY_ZERO).days == day
    assert table[2] == "P2,,6"


@pytest.mark.parametrize("day", ["1.5", "1e3", "99999999", "٣", "--1", "=1", "2026-01-01", " 1"])
def test_a_study_day_that_is_no_whole_number_is_refused(day: str) -> None:
    with pytest.raises(DataError, match="whole number of days"):
        with_dates(f"participant_id,measured_day\nP1,{day}\n")


def test_a_table_without_a_line_has_no_study_days() -> None:
    assert with_dates("") == ""


def test_a_date_given_by_the_caller_stands() -> None:
    assert date_of_seal(date(2026, 5, 4)) == date(2026, 5, 4)
