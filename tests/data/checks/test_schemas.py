"""The schemas: never coerce, strict columns, one line a cell, and nothing of pandera's own words."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from tables_for_checks import clean_rows, gathered_from, trial_protocol, typed

from studykit.data.checks.checking import check_gathered
from studykit.data.checks.schema_checks import within
from studykit.data.checks.schema_findings import WHAT_TO_DO
from studykit.data.checks.schemas import (
    CELL_MISSING,
    FRAME_RULES,
    column_types,
    schema_failures,
    schema_of,
)
from studykit.errors import DataError
from studykit.protocol.cells import RANGES, Bounds, allowed_words, needed_columns
from studykit.vocabulary import COLUMNS

PROTOCOL = trial_protocol()
CLEAN = typed(clean_rows(people=4), PROTOCOL)


def with_cell(table: str, column: str, position: int, cell: object) -> pd.DataFrame:
    cells = CLEAN[table][column].astype(object).copy()
    cells.iloc[position] = cell
    return CLEAN[table].assign(**{column: cells.astype(CLEAN[table][column].dtype)})


@pytest.mark.parametrize("table", COLUMNS)
def test_every_table_has_a_strict_schema_that_never_coerces(table: str) -> None:
    schema = schema_of(table, PROTOCOL)
    assert schema.strict is True
    assert schema.coerce is False
    assert not any(column.coerce for column in schema.columns.values())
    assert list(schema.columns) == list(column_types(table, PROTOCOL))
    assert schema_failures(schema, CLEAN[table]) == []


@pytest.mark.parametrize("table", COLUMNS)
def test_a_misspelt_column_is_refused_and_switches_nothing_off(table: str) -> None:
    last = list(column_types(table, PROTOCOL))[-1]
    with pytest.raises(DataError, match="typed form"):
        schema_failures(schema_of(table, PROTOCOL), CLEAN[table].rename(columns={last: f"{last}s"}))


@pytest.mark.parametrize(
    ("column", "kind"), [("warmed_up", "str"), ("trial", "float64"), ("measured_on", "int64"), ("value", "str")]
)
def test_another_type_is_refused_not_converted(column: str, kind: str) -> None:
    cells = pd.Series(["no"] if kind == "str" else [0], dtype=kind).repeat(len(CLEAN["measurements"]))
    frame = CLEAN["measurements"].assign(**{column: cells.to_numpy()})
    with pytest.raises(DataError, match="typed form"):
        schema_failures(schema_of("measurements", PROTOCOL), frame)


@pytest.mark.parametrize(
    ("table", "column", "cell", "rule", "message"),
    [
        ("participants", "age_years", 130.0, "number_outside_range", "130.0 lies outside 0 to 120."),
        ("participants", "sex", "femal", "word_not_allowed", "'femal' is not allowed here; did you mean 'female'?"),
        ("participants", "work_h", 99.0, "number_outside_range", "99.0 lies outside 0 to 80."),
        (
            "participants",
            "shoe",
            "boat",
            "word_not_allowed",
            "'boat' is not allowed here; allowed are 'flat', 'heeled'.",
        ),
        ("prescriptions", "hold_s", 0.0, "number_outside_range", "0.0 lies outside above 0 to 3600."),
        ("diary", "done_on", None, CELL_MISSING, "This cell is empty, and every row needs it."),
        ("flow", "stage", "Lost", "word_not_allowed", "'Lost' is not allowed here; did you mean 'lost'?"),
        (
            "measurements",
            "value",
            71.0,
            "value_outside_plausible_range",
            "71.0 lies outside the plausible range of lunge, 0 to 70°.",
        ),
        (
            "measurements",
            "side",
            None,
            "side_missing",
            "The side is empty, and lunge is measured on both sides.",
        ),
    ],
)
def test_a_failing_cell_is_one_line_with_a_sentence(
    table: str, column: str, cell: object, rule: str, message: str
) -> None:
    tables = {**CLEAN, table: with_cell(table, column, 0, cell)}
    findings = check_gathered(gathered_from(tables), PROTOCOL).findings
    lines = findings[findings["rule"] == rule]
    assert lines[["table", "row", "column", "message"]].to_numpy().tolist() == [[table, 2, column, message]]
    assert not findings["message"].str.contains("Traceback|Check|Schema|pandera").any()


def test_a_graded_finding_is_a_whole_level() -> None:
    form = CLEAN["measurements"].iloc[[0, 0, 0]].reset_index(drop=True)
    form = form.assign(measure="form", value=[0.0, 2.5, 3.0]).astype(CLEAN["measurements"].dtypes.to_dict())
    failures = schema_failures(schema_of("measurements", PROTOCOL), form)
    assert [(rule, column, positions.tolist()) for rule, column, positions in failures] == [
        ("level_not_whole", "value", [1])
    ]


@pytest.mark.parametrize(
    ("value", "inside"), [(0.0, False), (0.001, True), (24.0, True), (24.001, False), (np.nan, True), (-np.inf, False)]
)
def test_bounds_keep_or_leave_out_their_lower_end(value: float, inside: bool) -> None:
    assert bool(within(Bounds(0, 24, above_low=True))(pd.Series([value])).iloc[0]) is inside


def test_visit_is_needed_only_where_visits_are_planned() -> None:
    assert "visit" in needed_columns("measurements", PROTOCOL)
    unplanned = PROTOCOL.model_copy(update={"visits": ()})
    assert "visit" not in needed_columns("measurements", unplanned)
    assert allowed_words("measurements", "visit", unplanned) is None


def test_every_rule_of_a_schema_has_a_remedy_and_every_range_a_column() -> None:
    rules = {check.name for table in COLUMNS for check in schema_of(table, PROTOCOL).checks}
    for table in COLUMNS:
        rules |= {check.name for column in schema_of(table, PROTOCOL).columns.values() for check in column.checks}
    assert rules | {CELL_MISSING} == set(WHAT_TO_DO)
    assert set(FRAME_RULES) <= rules
    assert all(column in COLUMNS[table] for table, column in RANGES)
