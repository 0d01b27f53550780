"""Every suspicion: raised in its cell by one seeded slip, never by a clean trial, and never costing a row."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from tables_for_checks import (
    ENROLLED,
    clean_rows,
    from_plain_csv,
    gathered_from,
    synthetic_study,
    trial_protocol,
    typed,
)

from studykit.data.checks.checked import Checked
from studykit.data.checks.checking import check_gathered
from studykit.protocol import load_protocol

Rows = dict[str, list[dict[str, object]]]
Line = tuple[str, int, str, str]


def checked(rows: Rows) -> Checked:
    protocol = trial_protocol()
    return check_gathered(gathered_from(typed(rows, protocol)), protocol)


def lines(result: Checked) -> set[Line]:
    return {
        (str(line.table), int(line.row) - 2, str(line.column), str(line.rule))
        for line in result.findings.itertuples(index=False, name="Line")
    }


def where(rows: Rows, **cells: object) -> list[int]:
    """Positions of the readings with these cells."""
    return [i for i, row in enumerate(rows["measurements"]) if all(row.get(key) == cell for key, cell in cells.items())]


def set_value(rows: Rows, position: int, value: float) -> None:
    rows["measurements"][position]["value"] = value


def lost_decimal(rows: Rows) -> set[Line]:
    """A reach of about 5 cm, written without its decimal mark."""
    index = where(rows, measure="lunge_reach", participant_id="P14")[1]
    for position in where(rows, measure="lunge_reach", participant_id="P14"):
        set_value(rows, position, 2.6)
    set_value(rows, index, 26.0)
    return {("measurements", index, "value", "value_ten_times_its_neighbours")}


def early_decimal(rows: Rows) -> set[Line]:
    index = where(rows, measure="lunge", participant_id="P14", visit="week_6", side="left", trial=2)[0]
    set_value(rows, index, 4.0)
    return {("measurements", index, "value", "value_a_tenth_of_its_neighbours")}


def inches(rows: Rows) -> set[Line]:
    positions = where(rows, measure="lunge_reach", participant_id="P15", side="left")
    for position in positions:
        set_value(rows, position, 10.2)
    set_value(rows, positions[1], 4.0)
    return {("measurements", positions[1], "value", "value_in_other_unit")}


def centimetres_for_degrees(rows: Rows) -> set[Line]:
    """A cell of the lunge in degrees holds its reading in centimetres."""
    index = where(rows, measure="lunge", participant_id="P16", visit="baseline", side="right", trial=3)[0]
    for position in where(rows, measure="lunge", participant_id="P16"):
        set_value(rows, position, 43.0)
    set_value(rows, index, 10.5)
    return {("measurements", index, "value", "value_in_other_unit")}


def sides_exchanged(rows: Rows) -> set[Line]:
    for position in where(rows, measure="lunge", participant_id="P17"):
        row = rows["measurements"][position]
        strong = (row["side"] == "left") != (row["visit"] == "week_6")
        set_value(rows, position, (48.0 if strong else 30.0) + float(str(row["trial"])) - 2.0)
    first = where(rows, measure="lunge", participant_id="P17", visit="week_6")[0]
    return {("measurements", first, "value", "sides_exchanged")}


def jump(rows: Rows) -> set[Line]:
    for position in where(rows, measure="lunge", participant_id="P18", visit="week_12"):
        set_value(rows, position, 62.0 + float(str(rows["measurements"][position]["trial"])))
    firsts = [where(rows, measure="lunge", participant_id="P18", visit="week_12", side=s)[0] for s in ("left", "right")]
    return {("measurements", first, "value", "jump_between_visits") for first in firsts}


def scattered(rows: Rows) -> set[Line]:
    cell = where(rows, measure="lunge", participant_id="P19", visit="week_6", side="left")
    middle = float(str(rows["measurements"][cell[0]]["value"]))
    for position, away in zip(cell, (-14.0, 0.0, 14.0), strict=True):
        set_value(rows, position, middle + away)
    return {("measurements", cell[0], "value", "trials_far_apart")}


def only_fives(rows: Rows) -> set[Line]:
    positions = where(rows, measure="lunge", rater_id="anna")
    for position in positions:
        set_value(rows, position, 5.0 * round(float(str(rows["measurements"][position]["value"])) / 5.0))
    first = where(rows, measure="lunge", rater_id="anna", trial=1)[0]
    return {("measurements", first, "rater_id", "only_multiples_of_five")}


def copied_trials(rows: Rows) -> set[Line]:
    positions = where(rows, measure="lunge", rater_id="bela")
    cells: dict[tuple[object, ...], float] = {}
    for position in positions:
        row = rows["measurements"][position]
        key = tuple(row[name] for name in ("participant_id", "visit", "side"))
        set_value(rows, position, cells.setdefault(key, float(str(row["value"]))))
    return {("measurements", positions[0], "rater_id", "trials_identical_too_often")}


def one_number_a_day(rows: Rows) -> set[Line]:
    """anna dates all her baselines on one day inside every window and writes 41 throughout."""
    for person in rows["participants"]:
        person["enrolled_on"] = ENROLLED
    for position in where(rows):
        row = rows["measurements"][position]
        row["measured_on"] = ENROLLED + pd.Timedelta(
            days={"baseline": 0, "week_6": 42, "week_12": 84}[str(row["visit"])]
        )
    positions = where(rows, measure="lunge", rater_id="anna", visit="baseline")
    for position in positions:
        set_value(rows, position, 41.0)
    return {("measurements", positions[0], "rater_id", "one_value_for_everybody")}


def outside_window(rows: Rows) -> set[Line]:
    rows["measurements"][0]["measured_on"] = ENROLLED + pd.Timedelta(days=8)
    return {("measurements", 0, "measured_on", "visit_outside_window")}


def trial_missing(rows: Rows) -> set[Line]:
    del rows["measurements"][2]
    return {("measurements", 0, "trial", "trials_missing")}


def trial_gap(rows: Rows) -> set[Line]:
    del rows["measurements"][0]
    return {("measurements", 0, "trial", "trial_numbers_have_a_gap")}


def side_missing(rows: Rows) -> set[Line]:
    del rows["measurements"][0:3]
    return {("measurements", 1, "side", "side_not_measured")}


def warm_up_mixed(rows: Rows) -> set[Line]:
    rows["measurements"][1]["warmed_up"] = True
    return {("measurements", 0, "warmed_up", "warm_up_mixed")}


def blinding_missing(rows: Rows) -> set[Line]:
    rows["measurements"][9]["blinded"] = None
    return {("measurements", 9, "blinded", "blinding_not_recorded")}


def rater_not_planned(rows: Rows) -> set[Line]:
    rows["raters"].append({"rater_id": "carl"})
    return {("raters", 2, "rater_id", "rater_not_planned")}


def height_for_mass(rows: Rows) -> set[Line]:
    rows["participants"][3] |= {"height_cm": 70, "mass_kg": 170}
    return {("participants", 3, "mass_kg", "height_and_mass_unlikely")}


def not_randomised(rows: Rows) -> set[Line]:
    rows["flow"] = [row for row in rows["flow"] if (row["participant_id"], row["stage"]) != ("P11", "randomised")]
    stages = [i for i, row in enumerate(rows["flow"]) if row["participant_id"] == "P11" and row["stage"] != "assessed"]
    return {("flow", i, "stage", "stage_without_allocation") for i in stages}


def enrolled_long_ago(rows: Rows) -> set[Line]:
    """A slip of the year moves the visits as well when the day of reading was never written."""
    rows["participants"][3]["enrolled_on"] = ENROLLED - pd.Timedelta(days=3653)
    for position in where(rows, participant_id="P14"):
        rows["measurements"][position]["measured_on"] = None
    rows["diary"] = [row for row in rows["diary"] if row["participant_id"] != "P14"]
    firsts = [where(rows, participant_id="P14", visit=visit)[0] for visit in ("baseline", "week_6", "week_12")]
    undated = {("measurements", first, "measured_on", "date_of_reading_missing") for first in firsts}
    return {("participants", 3, "enrolled_on", "enrolment_far_from_others"), *undated}


def diary_twice(rows: Rows) -> set[Line]:
    rows["diary"].append(dict(rows["diary"][2]))
    return {("diary", len(rows["diary"]) - 1, "done_on", "diary_row_twice")}


def minutes_for_seconds(rows: Rows) -> set[Line]:
    rows["diary"][4]["hold_s"] = 3600
    return {("diary", 4, "hold_s", "hold_far_from_prescribed")}


def technique_misspelt(rows: Rows) -> set[Line]:
    for position in (3, 5):
        rows["diary"][position]["technique"] = "strech"
    return {("diary", 3, "technique", "technique_not_prescribed")}


def event_before_enrolment(rows: Rows) -> set[Line]:
    rows["events"][0]["happened_on"] = ENROLLED - pd.Timedelta(days=3)
    return {("events", 0, "happened_on", "event_outside_study")}


def event_years_later(rows: Rows) -> set[Line]:
    rows["events"][0]["happened_on"] = ENROLLED + pd.Timedelta(days=900)
    return {("events", 0, "happened_on", "event_outside_study")}


def readings_without_date(rows: Rows) -> set[Line]:
    for position in (4, 5):
        rows["measurements"][position]["measured_on"] = None
    return {("measurements", 4, "measured_on", "date_of_reading_missing")}


SEEDED: dict[str, Callable[[Rows], set[Line]]] = {
    seed.__name__: seed
    for seed in (
        lost_decimal,
        early_decimal,
        inches,
        centimetres_for_degrees,
        sides_exchanged,
        jump,
        scattered,
        only_fives,
        copied_trials,
        one_number_a_day,
        outside_window,
        trial_missing,
        trial_gap,
        side_missing,
        warm_up_mixed,
        blinding_missing,
        rater_not_planned,
        height_for_mass,
        not_randomised,
        enrolled_long_ago,
        diary_twice,
        minutes_for_seconds,
        technique_misspelt,
        event_before_enrolment,
        event_years_later,
        readings_without_date,
    )
}


@pytest.mark.parametrize("name", SEEDED)
def test_a_seeded_slip_is_suspected_in_its_cell_and_nowhere_else(name: str) -> None:
    rows = clean_rows(people=30)
    expected = SEEDED[name](rows)
    result = checked(rows)
    assert lines(result) == expected
    assert set(result.findings["severity"]) == {"suspicion"}
    assert not any(result.rows_set_aside.values())


@pytest.mark.parametrize("seed", range(6))
def test_clean_trials_raise_no_suspicion(seed: int) -> None:
    assert checked(clean_rows(people=30, seed=100 + seed)).findings.empty


@pytest.mark.parametrize("name", ["ferry_trial", "knee_goniometer"])
def test_the_clean_studies_that_come_with_the_kit_raise_nothing(name: str) -> None:
    folder = synthetic_study(name)
    protocol = load_protocol(folder / "study.toml")
    result = check_gathered(gathered_from(from_plain_csv(folder, protocol)), protocol)
    assert result.findings.empty
    assert result.study is not None


def test_practising_twice_a_day_is_no_copy_where_it_is_asked_for_or_usual() -> None:
    rows = clean_rows(people=30)
    rows["prescriptions"][0]["sessions_per_day"] = 2
    rows["diary"].append(dict(rows["diary"][0]))
    assert checked(rows).findings.empty
    rows = clean_rows(people=30)
    rows["diary"] += [dict(row) for row in rows["diary"] if row["participant_id"] == "P11"]
    assert checked(rows).findings.empty


def test_a_misspelt_technique_is_told_with_the_word_that_was_meant() -> None:
    rows = clean_rows(people=30)
    technique_misspelt(rows)
    message = checked(rows).findings["message"].iloc[0]
    assert message == "2 rows name a technique that nobody was asked to do; did you mean 'stretch'?"


def test_the_same_rater_need_not_see_a_participant_twice() -> None:
    rows = clean_rows(people=30)
    for position in where(rows, visit="week_12"):
        rows["measurements"][position]["rater_id"] = "bela"
    assert checked(rows).findings.empty


def test_a_swap_is_not_suspected_when_both_sides_are_alike() -> None:
    rows = clean_rows(people=30)
    for position in where(rows, participant_id="P17", visit="week_6"):
        row = rows["measurements"][position]
        row["side"] = {"left": "right", "right": "left"}.get(str(row.get("side")), row.get("side"))
    assert "sides_exchanged" not in set(checked(rows).findings["rule"])


def test_few_participants_are_not_judged_by_their_spread() -> None:
    rows = clean_rows(people=5)
    early_decimal(rows)
    rules = set(checked(rows).findings["rule"])
    assert rules <= {"value_a_tenth_of_its_neighbours", "trials_far_apart"}
    assert np.all(checked(rows).findings["severity"] == "suspicion")
