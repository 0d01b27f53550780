"""Pairs of readings: who is paired with whom, by hand; the error that was put in comes out; too few are a sentence."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from audit_cases import audit, small_audit
from made_studies import MEASURE
from test_planned import ENROLLED, three_trials

from studykit.audit.doubles import ONE, TWO, double_readings_of_study
from studykit.change import MdcBeside
from studykit.errors import DesignError
from studykit.formatting import NO_BREAK


def test_pairs_are_two_therapists_of_one_limb_or_two_sets_of_one() -> None:
    again = [("A", "baseline", "2025-01-06", "left", "r1", trial, 61.0 + trial) for trial in (4, 5, 6)]
    rows = [
        *three_trials("A", "baseline", "2025-01-06", "left"),
        *again,
        *three_trials("A", "baseline", "2025-01-06", "left", "r2"),
        *three_trials("B", "baseline", "2025-01-06", "right"),
        *three_trials("C", "baseline", "2025-01-06", "right", "r2"),
    ]
    pairs = double_readings_of_study(small_audit(rows, ENROLLED)).pairs.set_index("kind")
    assert sorted(pairs.index) == [ONE, TWO]
    # 61, 62, 63 and then 65, 66, 67; both therapists read the same the first time.
    assert pairs.loc[ONE, "difference"] == pytest.approx(-4.0, abs=1e-12)
    assert pairs.loc[TWO, "difference"] == pytest.approx(0.0, abs=1e-12)
    assert pairs.loc[TWO, ["first", "second"]].tolist() == ["r1", "r2"]


def test_the_error_that_was_put_in_comes_out() -> None:
    """Trials err by 1.5 degrees, so that the mean of three errs by 0.866; 1.96 sqrt(2) times that is 2.40."""
    found = double_readings_of_study(audit(people=200, double=0.6))
    error = found.errors[MEASURE, TWO]
    assert error.people > 150
    # The root of a mean square of about 700 differences has a relative standard error of 1 / sqrt(1400) = 2.7 %.
    assert error.sem == pytest.approx(1.5 / np.sqrt(3.0), rel=0.08)
    assert error.sem_low < 1.5 / np.sqrt(3.0) < error.sem_high


def test_therapists_who_differ_are_part_of_the_error() -> None:
    same, apart = (
        double_readings_of_study(audit(double=0.6, shift_deg=shift)).errors[MEASURE, TWO].sem
        for shift in (None, {"t1": 6.0})
    )
    assert apart > 2.0 * same


def test_mdc_and_unit_stand_beside_the_error() -> None:
    found = double_readings_of_study(audit(double=0.6), mdc=MdcBeside(5.0, 4.0, 7.0, 0.95, "one limb"))
    assert f"95%{NO_BREAK}CI" in found.headline
    assert "°) apart" in found.headline
    assert any("The MDC of one person is 5.0°" in note for note in found.table().notes)
    assert found.numbers()["mdc"] == 5.0


def test_few_people_give_a_sentence_and_no_error() -> None:
    found = double_readings_of_study(audit(people=9, double=1.0))
    assert found.errors == {}
    assert found.to_frame().empty
    assert found.figure() is None
    assert found.headline.startswith("9 people had a limb read twice")
    assert found.table().rows[0][1:] == ("9 people read twice", "too few", "too few")


def test_very_few_people_are_not_counted_out() -> None:
    """Two people and a smallest group of five: neither words, table nor numbers say two."""
    rows = [
        row
        for person in ("A", "B")
        for rater in ("r1", "r2")
        for row in three_trials(person, "baseline", "2025-01-06", "left", rater)
    ]
    found = double_readings_of_study(small_audit(rows, ENROLLED, smallest=5))
    assert found.headline.startswith("Fewer than 5 people had a limb read twice")
    assert found.table().rows[0][1] == "fewer than 5 people read twice"
    assert found.numbers() == {}


def test_nobody_read_twice_is_refused_with_what_to_do() -> None:
    with pytest.raises(DesignError, match="Let a second therapist read every tenth visit"):
        double_readings_of_study(audit(people=12))


def test_numbers_name_no_person() -> None:
    found = double_readings_of_study(audit(double=0.6))
    text = " ".join([*found.numbers(), found.headline, *found.table().notes, *map(str, found.table().rows)])
    assert not [code for code in pd.unique(found.pairs["participant_id"]) if code in text]
