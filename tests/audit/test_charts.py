"""Therapists against the others: a shift is seen, cases are not mistaken for it, and codes are not ranked."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from audit_cases import MDC, audit
from made_studies import MEASURE

from studykit.audit import audit_of_study
from studykit.audit.charts import FEWEST_VALUES, MOST_VALUES, RaterChart, chart_of_measure
from studykit.audit.wording import SIGNAL
from studykit.change import ChangeByArm, change_of_study
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.numerics.control_chart import individuals_chart


def chart(study: Study) -> RaterChart:
    change = change_of_study(study)[0]
    assert isinstance(change, ChangeByArm)
    return chart_of_measure(study, change, mdc=MDC)


@pytest.fixture(scope="module")
def level() -> RaterChart:
    return chart(audit(double=0.3))


@pytest.fixture(scope="module")
def shifted() -> RaterChart:
    return chart(audit(double=0.3, shift_deg={"t2": 6.0}))


def test_a_shift_is_seen_where_it_is_and_its_size_is_right(shifted: RaterChart) -> None:
    """t2 reads six degrees higher than the two others; each of those is held against a mixture with t2 in it."""
    found = shifted.charts["t2"]
    assert found.runs >= 1
    assert found.signals
    # People as units: the interval is what says how near 6 the mean should lie.
    assert found.mean_low < 6.0 < found.mean_high
    assert found.mean_high - found.mean_low < 2.0
    assert -6.0 < shifted.charts["t1"].mean < 0.0


def test_without_a_shift_the_means_hold_zero(level: RaterChart) -> None:
    assert all(found.mean_low < 0.0 < found.mean_high for found in level.charts.values())


def test_what_a_therapist_reads_does_not_move_the_own_limits_by_a_shift(level: RaterChart, shifted: RaterChart) -> None:
    """Limits come from neighbours in time, so that a shift of all readings leaves them nearly as they are.

    Not exactly: the variances of the model are estimated from all readings, and weigh the others' readings anew.
    """
    assert shifted.charts["t2"].chart.high == pytest.approx(level.charts["t2"].chart.high, rel=0.25)


def test_the_chart_by_hand(level: RaterChart) -> None:
    """Centre 0, limits 2.66 mean moving ranges, upper limit of ranges 3.267 of them, by NumPy and printed constants."""
    for code, found in level.charts.items():
        values = level.points.loc[level.points["rater_id"] == code, "difference"].to_numpy()[-MOST_VALUES:]
        mean_range = np.abs(values[1:] - values[:-1]).mean()
        # Printed constants have four digits.
        assert found.chart.high == pytest.approx(2.66 * mean_range, rel=5e-4)
        assert found.chart.low == -found.chart.high
        assert found.chart.range_high == pytest.approx(3.267 * mean_range, rel=5e-4)
        assert found.beyond == int((np.abs(values) > found.chart.high).sum())


def test_a_long_chart_holds_the_latest_values() -> None:
    found = chart(audit(people=150, double=0.2))
    sizes = found.points["rater_id"].value_counts()
    assert sizes.min() > MOST_VALUES
    for code, one in found.charts.items():
        latest = found.points.loc[found.points["rater_id"] == code, "difference"].to_numpy()[-MOST_VALUES:]
        assert one.chart.values.tolist() == latest.tolist()
    earlier = int(sizes.sum()) - 3 * MOST_VALUES
    assert any(f"{earlier} earlier ones left out" in note for note in found.table().notes)


def test_points_stand_in_the_order_of_time(level: RaterChart) -> None:
    for _, own in level.points.groupby("rater_id"):
        assert own["measured_on"].is_monotonic_increasing


def test_without_a_calendar_there_is_no_order_to_chart() -> None:
    """Dates counted from each person's enrolment, as a sealed study may hold them."""
    study = audit(people=12, double=0.3)
    people = study.table("participants")
    own_day = study.table("measurements")["participant_id"].map(people.set_index("participant_id")["enrolled_on"])
    readings = study.table("measurements")
    readings["measured_on"] = pd.Timestamp("2000-01-01") + (readings["measured_on"] - own_day)
    people["enrolled_on"] = pd.Timestamp("2000-01-01")
    tables = {**study.tables, "participants": people, "measurements": readings}
    in_study_days = Study(study.protocol, tables, study.findings)
    results = audit_of_study(in_study_days)
    assert not [result for result in results if result.key.startswith("audit.chart")]
    assert any("the order in time" in caution for caution in results[0].cautions)
    assert "month" not in set(results[0].to_frame()["by"])
    assert results[0].figure() is None


def test_own_patients_are_not_held_against_the_others() -> None:
    """Therapists with cases of their own, ten degrees apart: nobody else read those people, so nothing is charted."""
    with pytest.raises(DesignError, match="is of a person whom two therapists read"):
        chart(audit(own_patients=True))


def test_other_cases_are_no_shift() -> None:
    """Cases ten and twenty degrees apart and a second reader at some visits: the means still hold zero."""
    found = chart(audit(people=90, own_patients=True, double=0.5))
    assert found.charts
    assert found.left_out > 0
    for one in found.charts.values():
        # About one in twenty intervals misses by chance; three sigma of the mean is the bound here.
        assert abs(one.mean) < 1.5 * (one.mean_high - one.mean_low) / 2.0


def test_few_values_are_a_sentence() -> None:
    found = chart(audit(people=9, double=0.3))
    assert found.charts == {}
    assert set(found.too_few) == {"t1", "t2", "t3"}
    assert max(found.too_few.values()) < FEWEST_VALUES
    assert "none of 3 therapists has 20 visits" in found.headline
    assert found.figure() is None


def test_a_therapist_with_few_people_is_not_named() -> None:
    """A fourth therapist who read three people: no code in the table, in the numbers or in the words."""
    study = audit(double=0.3)
    readings = study.table("measurements")
    first = readings["participant_id"].isin(["P000", "P001", "P002"]) & (readings["visit"] == "week_6")
    readings.loc[first, "rater_id"] = "t9"
    protocol = study.protocol.model_copy(update={"raters": ("t1", "t2", "t3", "t9")})
    found = chart(Study(protocol, {**study.tables, "measurements": readings}, study.findings))
    assert found.small == 1
    assert [row[0] for row in found.table().rows] == ["t1", "t2", "t3", "others (1)"]
    assert not [name for name in found.numbers() if name.startswith("t9")]
    assert "of 4 therapists" in found.headline


def test_codes_stand_in_their_order_and_words_stay_neutral(shifted: RaterChart) -> None:
    table = shifted.table()
    assert [row[0] for row in table.rows] == ["t1", "t2", "t3"]
    assert SIGNAL in [row[-1] for row in table.rows]
    text = " ".join([shifted.headline, *shifted.cautions, *table.notes, *(c.heading for c in table.columns)]).lower()
    assert not [word for word in ("best", "worst", "rank", "poor", "wrong", "inaccurate") if word in text.split()]
    assert "t2" not in shifted.headline
    assert any("not meant for judging" in caution for caution in shifted.cautions)
    assert any("The MDC of one person is 5.0°" in note for note in table.notes)


def test_numbers_and_words_name_no_person(shifted: RaterChart) -> None:
    text = " ".join([*shifted.numbers(), shifted.headline, str(shifted.table()), *shifted.cautions])
    assert not [code for code in shifted.points["participant_id"].unique() if code in text]
    assert shifted.numbers()["t2.values"] == min(MOST_VALUES, len(shifted.points.query("rater_id == 't2'")))


def test_all_answers_of_an_audit_in_their_order() -> None:
    keys = [result.key for result in audit_of_study(audit(double=0.3), mdc=MDC)]
    assert keys == ["audit.completeness", "audit.timeliness", "audit.double_readings", f"audit.chart.{MEASURE}"]


def test_what_cannot_be_answered_is_a_caution_of_the_first() -> None:
    results = audit_of_study(audit(people=12))
    assert [result.key for result in results][:2] == ["audit.completeness", "audit.timeliness"]
    assert any("No limb was read by two therapists" in caution for caution in results[0].cautions)


@pytest.mark.slow
@pytest.mark.parametrize(("count", "share"), [(20, 0.109), (60, 0.305)])
def test_share_of_charts_with_a_signal_by_chance(count: int, share: float) -> None:
    """What the caution says, 11 and 31 of 100; 10,000 normal series, Monte Carlo standard error 0.5 points at most."""
    rng, signals = np.random.default_rng(29), 0
    for _ in range(10_000):
        made = individuals_chart(rng.normal(size=count), centre=0.0)
        signals += bool(made.beyond.any() or made.in_a_run.any())
    assert signals / 10_000 == pytest.approx(share, abs=0.015)
