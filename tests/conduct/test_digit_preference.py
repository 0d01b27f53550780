"""Digits: counts by hand, a rater who rounds is seen, others are not, and what cannot be judged is said."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pandas as pd
import pytest
from dated_cases import RATERS, dated_trial
from made_studies import MEASURE, protocol_text, study_of
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from studykit.conduct.digits import DigitPreference, digit_preference
from studykit.errors import DesignError

GRADED = protocol_text(
    design="reliability",
    arms={},
    measure="half_kneeling_lunge",
    more='[reliability]\nrated_by = "every rater"\nvisit = "baseline"',
)
STUDY = dated_trial(80, step_deg=(1.0, 5.0, 1.0))
RESULT = digit_preference(STUDY)


def first_trials(rater: str) -> pd.DataFrame:
    rows = STUDY.table("measurements")
    return rows[rows["rater_id"] == rater]


@pytest.mark.parametrize("rater", RATERS)
def test_counts_and_intervals_are_those_made_by_hand(rater: str) -> None:
    numbers, value = RESULT.numbers(), first_trials(rater)["value"].to_numpy()
    counts = np.bincount(value.astype(int) % 10, minlength=10)
    assert [numbers[f"{rater}.digit_{digit}"] for digit in range(10)] == counts.tolist()
    assert numbers[f"{rater}.fives"] == counts[0] + counts[5]
    low, high = proportion_confint(counts[0] + counts[5], value.size, method="wilson")
    assert (numbers[f"{rater}.low"], numbers[f"{rater}.high"]) == pytest.approx((low, high), abs=1e-12)


@pytest.mark.parametrize("rater", RATERS)
def test_the_test_takes_one_reading_a_participant(rater: str) -> None:
    numbers, rows = RESULT.numbers(), first_trials(rater)
    rows = rows.assign(order=rows["visit"].map({"baseline": 0, "week_6": 1, "week_12": 2}))
    one = rows.sort_values(["participant_id", "order", "side"]).drop_duplicates("participant_id")["value"]
    counts = np.bincount(one.to_numpy().astype(int) % 10, minlength=10)
    assert numbers[f"{rater}.people"] == len(one)
    theirs = stats.chisquare(counts)
    assert numbers[f"{rater}.digits_chi_square"] == pytest.approx(theirs.statistic, rel=1e-12)
    if len(one) >= 50:
        assert numbers[f"{rater}.digits_p"] == pytest.approx(theirs.pvalue, rel=1e-12)


def test_who_rounds_is_seen_and_who_does_not_is_not() -> None:
    numbers = RESULT.numbers()
    assert numbers["r2.share"] == 1.0
    assert numbers["r2.digits_p"] < 1e-6
    for rater in ("r1", "r3"):
        assert numbers[f"{rater}.low"] < 0.2 < numbers[f"{rater}.high"]
        assert numbers[f"{rater}.digits_p"] > 0.01


def test_months_are_thirty_days_from_the_first_reading() -> None:
    rows = STUDY.table("measurements")
    month = (rows["measured_on"] - rows["measured_on"].min()).dt.days // 30 + 1
    own = rows[(rows["rater_id"] == "r1") & (month == 3)]
    numbers = RESULT.numbers()
    assert numbers["r1.month_3.readings"] == len(own)
    assert numbers["r1.month_3.share"] == pytest.approx(float((own["value"] % 5 == 0).mean()))
    assert all(row.readings >= 10 for row in RESULT.months.itertuples())


def test_raters_stand_in_the_order_of_the_protocol() -> None:
    assert [row[0] for row in RESULT.table().rows] == list(RATERS)
    assert not re.search(r"worst|best|most often", RESULT.headline)


def test_a_finer_read_out_is_no_habit() -> None:
    with pytest.raises(DesignError, match=r"read finer than whole marks in .* of .* first trials"):
        digit_preference(dated_trial(40, whole=False))


def test_few_readings_are_not_judged() -> None:
    rows = STUDY.table("measurements")
    few = rows[(rows["rater_id"] != "r3") | (rows["participant_id"] < "P008")]
    result = digit_preference(dataclasses.replace(STUDY, tables={**STUDY.tables, "measurements": few}))
    assert [row[0] for row in result.table().rows] == ["r1", "r2"]
    assert any("20 are needed to judge a habit" in note for note in result.table().notes)


def test_readings_that_hardly_spread_are_not_tested() -> None:
    rows = STUDY.table("measurements")
    narrow = rows.assign(value=np.rint(60 + (rows["value"] - 60) / 3.0))
    result = digit_preference(dataclasses.replace(STUDY, tables={**STUDY.tables, "measurements": narrow}))
    assert np.isnan(result.numbers()["r1.digits_p"])
    assert any("single digits are not tested" in note for note in result.table().notes)
    assert "not estimable" in result.table().rows[0][-1]
    flat = rows.assign(value=np.rint(60 + (rows["value"] - 60) / 12.0))
    with pytest.raises(DesignError, match="spread too little"):
        digit_preference(dataclasses.replace(STUDY, tables={**STUDY.tables, "measurements": flat}))


@pytest.mark.parametrize("dates", ["none", "one week"])
def test_without_a_calendar_there_are_no_months_and_a_sentence(dates: str) -> None:
    if dates == "none":
        rows = STUDY.table("measurements").assign(measured_on=pd.NaT)
        study = dataclasses.replace(STUDY, tables={**STUDY.tables, "measurements": rows})
    else:
        study = dated_trial(80, enrolled_within_days=7)
    result = digit_preference(study)
    assert result.months.empty
    assert any("Not shown by month." in note for note in result.table().notes)
    assert len(result.figure().figure.axes) == 1


def test_grades_have_no_digits() -> None:
    study = study_of(GRADED)
    with pytest.raises(DesignError, match="grades have no last digit"):
        digit_preference(study)


def test_marks_of_a_tape_are_millimetres() -> None:
    rows = STUDY.table("measurements")
    rows = rows.assign(measure="ankle_dorsiflexion_lunge_cm", value=rows["value"] / 10.0)
    people = STUDY.table("participants")
    study = study_of(protocol_text(measure="ankle_dorsiflexion_lunge_cm"), measurements=rows, participants=people)
    result: DigitPreference = digit_preference(study)
    assert result.numbers()["r2.share"] == 1.0
    assert result.numbers()["r1.fives"] == RESULT.numbers()["r1.fives"]
    assert "millimetres" in result.headline


def test_whole_and_drawn() -> None:
    figure = RESULT.figure()
    assert figure.clipped_texts() == []
    assert figure.overlapping_texts() == []
    digits, months = figure.figure.axes
    shares = np.asarray(digits.lines[1].get_ydata())
    numbers = RESULT.numbers()
    assert shares == pytest.approx([numbers[f"r2.digit_{digit}"] / numbers["r2.readings"] for digit in range(10)])
    assert months.get_xlabel() == "Month of the study"
    assert RESULT.key == f"digits.{MEASURE}"
    assert not RESULT.to_frame().empty
    assert len(repr(RESULT)) < 3000
