"""Every rule that sets a row aside: a clean trial breaks none, one seeded mistake breaks exactly the right ones."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd
import pytest
from tables_for_checks import ENROLLED, clean_rows, gathered_from, trial_protocol, typed

from studykit.data.checks.checked import Checked
from studykit.data.checks.checking import check_gathered
from studykit.data.checks.rules.identities import alike

Rows = dict[str, list[dict[str, object]]]
Line = tuple[str, int, str, str]
"""table, position, column, rule"""


def checked(rows: Rows) -> Checked:
    protocol = trial_protocol()
    return check_gathered(gathered_from(typed(rows, protocol)), protocol)


def lines(result: Checked, severity: str) -> set[Line]:
    found = result.findings[result.findings["severity"] == severity]
    return {
        (str(line.table), int(line.row) - 2, str(line.column), str(line.rule))
        for line in found.itertuples(index=False, name="Line")
    }


def at(rows: Rows, table: str, **cells: object) -> int:
    """Position of the first row with these cells."""
    return next(i for i, row in enumerate(rows[table]) if all(row.get(key) == cell for key, cell in cells.items()))


def everything_of(rows: Rows, name: str, rule: str, *, but: tuple[str, ...] = ("participants",)) -> set[Line]:
    """The rows that lean on a participant, as findings of one rule."""
    return {
        (table, i, "participant_id", rule)
        for table in ("measurements", "diary", "events", "flow", "prescriptions")
        if table not in but
        for i, row in enumerate(rows[table])
        if row.get("participant_id") == name and row.get("stage") != "assessed"
    }


def change(table: str, column: str, cell: object, rule: str, **cells: object) -> Callable[[Rows], set[Line]]:
    """One cell changed, one finding in that cell."""

    def seed(rows: Rows) -> set[Line]:
        position = at(rows, table, **cells)
        rows[table][position][column] = cell
        return {(table, position, column, rule)}

    return seed


def day(number: float) -> pd.Timestamp:
    return ENROLLED + pd.Timedelta(days=number)


def unknown_participant_everywhere(rows: Rows) -> set[Line]:
    rows["measurements"][5]["participant_id"] = "P99"
    rows["diary"][3]["participant_id"] = "p12"
    rows["events"][0]["participant_id"] = "X"
    rows["prescriptions"].append(rows["prescriptions"][0] | {"participant_id": "P98", "arm": None})
    rows["flow"].append({"participant_id": "P97", "stage": "randomised"})
    places = {"measurements": 5, "diary": 3, "events": 0, "prescriptions": 1, "flow": len(rows["flow"]) - 1}
    return {(table, i, "participant_id", "unknown_participant") for table, i in places.items()}


def duplicate_participant(rows: Rows) -> set[Line]:
    rows["participants"].append(rows["participants"][4] | {"age_years": 41})
    own = {("participants", i, "participant_id", "duplicate_participant") for i in (4, len(rows["participants"]) - 1)}
    return own | everything_of(rows, "P15", "participant_set_aside")


def participant_repeated(rows: Rows) -> set[Line]:
    rows["participants"].append(dict(rows["participants"][4]))
    return {("participants", len(rows["participants"]) - 1, "participant_id", "row_repeated")}


def look_alike_participants(rows: Rows) -> set[Line]:
    rows["participants"].append(rows["participants"][4] | {"participant_id": "p 015"})
    own = {("participants", i, "participant_id", "ids_look_alike") for i in (4, len(rows["participants"]) - 1)}
    return own | everything_of(rows, "P15", "participant_set_aside")


def duplicate_rater(rows: Rows) -> set[Line]:
    rows["raters"].append({"rater_id": "bela", "profession": "doctor"})
    own = {("raters", i, "rater_id", "duplicate_rater") for i in (1, 2)}
    return own | raters_rows(rows, "bela")


def look_alike_raters(rows: Rows) -> set[Line]:
    rows["raters"].append({"rater_id": "Bela"})
    own = {("raters", i, "rater_id", "ids_look_alike") for i in (1, 2)}
    return own | raters_rows(rows, "bela")


def raters_rows(rows: Rows, name: str) -> set[Line]:
    return {
        ("measurements", i, "rater_id", "rater_set_aside")
        for i, row in enumerate(rows["measurements"])
        if row["rater_id"] == name
    }


def duplicate_trial(rows: Rows) -> set[Line]:
    rows["measurements"].append(rows["measurements"][6] | {"value": 41.0})
    return {("measurements", i, "trial", "duplicate_trial") for i in (6, len(rows["measurements"]) - 1)}


def trial_repeated(rows: Rows) -> set[Line]:
    rows["measurements"].append(dict(rows["measurements"][6]))
    return {("measurements", len(rows["measurements"]) - 1, "trial", "row_repeated")}


def after_loss(rows: Rows) -> set[Line]:
    """P12 left on day 60: the readings of week 12 and one diary row come later."""
    last = at(rows, "flow", participant_id="P12", stage="analysed")
    rows["flow"][last] = {"participant_id": "P12", "stage": "lost", "happened_on": day(1 + 60)}
    rows["diary"].append({"participant_id": "P12", "done_on": day(1 + 61), "hold_s": 60, "repetitions": 2})
    readings = {
        ("measurements", i, "measured_on", "measured_after_loss")
        for i, row in enumerate(rows["measurements"])
        if row["participant_id"] == "P12" and row["visit"] == "week_12"
    }
    return readings | {("diary", len(rows["diary"]) - 1, "done_on", "diary_after_withdrawal")}


def arm_missing(rows: Rows) -> set[Line]:
    rows["participants"][2]["arm"] = None
    return {("participants", 2, "arm", "arm_missing")} | everything_of(rows, "P13", "participant_set_aside")


def enrolment_missing(rows: Rows) -> set[Line]:
    rows["participants"][2]["enrolled_on"] = None
    own = {("participants", 2, "enrolled_on", "enrolment_missing")}
    return own | everything_of(rows, "P13", "participant_set_aside")


def arm_not_in_protocol(rows: Rows) -> set[Line]:
    rows["participants"][2]["arm"] = "strech"
    return {("participants", 2, "arm", "arm_not_in_protocol")} | everything_of(rows, "P13", "participant_set_aside")


def two_arms(rows: Rows) -> set[Line]:
    rows["prescriptions"].append(rows["prescriptions"][0] | {"participant_id": "P12"})
    return {("prescriptions", 1, "arm", "two_arms_for_one_participant")}


def duplicate_prescription(rows: Rows) -> set[Line]:
    rows["prescriptions"].append(rows["prescriptions"][0] | {"hold_s": 30})
    return {("prescriptions", i, "technique", "duplicate_prescription") for i in (0, 1)}


def prescribed_to_nobody(rows: Rows) -> set[Line]:
    rows["prescriptions"].append(rows["prescriptions"][0] | {"arm": None})
    return {("prescriptions", 1, "participant_id", "prescribed_to_nobody")}


def duplicate_stage(rows: Rows) -> set[Line]:
    rows["flow"].append({"participant_id": "P11", "stage": "received", "happened_on": day(3)})
    first = at(rows, "flow", participant_id="P11", stage="received")
    return {("flow", i, "stage", "duplicate_stage") for i in (first, len(rows["flow"]) - 1)}


def stages_out_of_order(rows: Rows) -> set[Line]:
    received = at(rows, "flow", participant_id="P11", stage="received")
    rows["flow"][received]["happened_on"] = day(-1)
    stages = [at(rows, "flow", participant_id="P11", stage=stage) for stage in ("assessed", "randomised", "received")]
    return {("flow", i, "happened_on", "stages_out_of_order") for i in stages}


def excluded_and_randomised(rows: Rows) -> set[Line]:
    rows["flow"].append({"participant_id": "P11", "stage": "excluded", "happened_on": day(0)})
    randomised = at(rows, "flow", participant_id="P11", stage="randomised")
    return {("flow", i, "stage", "excluded_and_randomised") for i in (randomised, len(rows["flow"]) - 1)}


SEEDED: dict[str, Callable[[Rows], set[Line]]] = {
    "unknown participant": unknown_participant_everywhere,
    "unknown rater": change("measurements", "rater_id", "ana", "unknown_rater", rater_id="anna"),
    "duplicate participant": duplicate_participant,
    "participant row repeated": participant_repeated,
    "participants look alike": look_alike_participants,
    "duplicate rater": duplicate_rater,
    "raters look alike": look_alike_raters,
    "duplicate trial": duplicate_trial,
    "trial repeated": trial_repeated,
    "visit not planned": change("measurements", "visit", "week_13", "visit_not_planned", visit="week_12"),
    "visit missing": change("measurements", "visit", None, "cell_missing", visit="week_12"),
    "measure unknown": change("measurements", "measure", "lunges", "measure_not_in_protocol", measure="lunge"),
    "value missing": change("measurements", "value", None, "cell_missing", measure="lunge"),
    "value impossible": change("measurements", "value", 430.0, "value_outside_plausible_range", measure="lunge"),
    "side missing": change("measurements", "side", None, "side_missing", measure="lunge"),
    "side not expected": change("measurements", "side", "left", "side_not_expected", measure="reach"),
    "side unknown": change("measurements", "side", "both", "word_not_allowed", measure="lunge"),
    "trial zero": change("measurements", "trial", 0, "number_outside_range", measure="lunge"),
    "before enrolment": change("measurements", "measured_on", day(-8), "measured_before_enrolment", visit="baseline"),
    "before enrolment, later visit": change(
        "measurements", "measured_on", day(-1), "measured_before_enrolment", visit="week_6"
    ),
    "year mistyped": change("measurements", "measured_on", day(366 * 2), "date_long_after_study", visit="week_12"),
    "diary before enrolment": change("diary", "done_on", day(-1), "diary_before_enrolment", participant_id="P11"),
    "diary year mistyped": change("diary", "done_on", day(900), "date_long_after_study", participant_id="P11"),
    "after loss": after_loss,
    "arm missing": arm_missing,
    "enrolment missing": enrolment_missing,
    "arm not in protocol": arm_not_in_protocol,
    "prescribed arm not in protocol": change("prescriptions", "arm", "strech", "arm_not_in_protocol", arm="stretch"),
    "two arms": two_arms,
    "duplicate prescription": duplicate_prescription,
    "prescribed to nobody": prescribed_to_nobody,
    "prescribed too long": change("prescriptions", "hold_s", 7200, "number_outside_range", arm="stretch"),
    "duplicate stage": duplicate_stage,
    "stages out of order": stages_out_of_order,
    "excluded and randomised": excluded_and_randomised,
    "stage unknown": change("flow", "stage", "dropped", "word_not_allowed", stage="analysed"),
    "event severity unknown": change("events", "severity", "awful", "word_not_allowed", severity="mild"),
    "event without description": change("events", "description", None, "cell_missing", severity="mild"),
    "discomfort out of scale": change("diary", "discomfort_0_10", 11, "number_outside_range", participant_id="P11"),
}


def test_a_clean_trial_breaks_no_rule() -> None:
    result = checked(clean_rows(people=6))
    assert result.findings.empty
    assert result.study is not None
    assert not any(result.rows_set_aside.values())
    assert all(result.rows_used[table] == len(rows) for table, rows in clean_rows(people=6).items())


@pytest.mark.parametrize("name", SEEDED)
def test_a_seeded_mistake_is_named_in_its_cell_and_nowhere_else(name: str) -> None:
    rows = clean_rows(people=6)
    expected = SEEDED[name](rows)
    result = checked(rows)
    assert lines(result, "error") == expected
    aside = {(table, int(row) - 2) for table, frame in result.set_aside.items() for row in frame["row"]}
    assert aside == {(table, position) for table, position, _, _ in expected}
    assert result.study is not None
    again = check_gathered(gathered_from(dict(result.study.tables)), result.study.protocol)
    assert lines(again, "error") == set(), "rows that are used must pass a second check"


def test_a_baseline_inside_its_window_may_precede_enrolment() -> None:
    rows = clean_rows(people=6)
    rows["measurements"][0]["measured_on"] = day(-7)
    assert lines(checked(rows), "error") == set()


def test_an_unknown_id_that_resembles_a_known_one_is_asked_about() -> None:
    rows = clean_rows(people=6)
    rows["measurements"][5]["participant_id"] = "p 11"
    message = checked(rows).findings["message"].iloc[0]
    assert message == "Participant 'p 11' is not in the participants table; did you mean 'P11'?"


def test_a_set_aside_row_gives_every_reason() -> None:
    rows = clean_rows(people=6)
    rows["measurements"][5] |= {"participant_id": "P99", "value": 99.0, "rater_id": "nobody"}
    reason = checked(rows).set_aside["measurements"]["reason"].iloc[0]
    for rule in ("unknown_participant", "unknown_rater", "value_outside_plausible_range"):
        assert rule in reason


def test_people_screened_out_need_neither_arm_nor_row() -> None:
    rows = clean_rows(people=6)
    rows["participants"].append({"participant_id": "S01"})
    assert lines(checked(rows), "error") == set()


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [("P01", "p1", True), ("P 01", "P001", True), ("P10", "P1", False), ("P1", "P01b", False), ("0", "00", True)],
)
def test_ids_are_alike_but_for_case_spaces_and_leading_zeros(one: str, other: str, same: bool) -> None:
    assert (alike(one) == alike(other)) is same
