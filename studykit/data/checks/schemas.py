"""One pandera schema per table, built from the protocol, and its failures as findings: one line a cell.

The schemas look at one table at a time; rules between tables live in `data.rules`. They never coerce: intake has
already turned text into numbers and dates, and a schema that converts would turn "no" into yes and 2.5 into 2.
Columns are strict, so that a misspelt column is an error of the intake and never switches a check off. What pandera
says in its exceptions (values, tracebacks) is not passed on: only which check failed and in which rows.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
import pandas as pd
import pandera.pandas as pa
from pandera.errors import SchemaErrorReason, SchemaErrors

from studykit.data.checks.schema_checks import (
    level_is_whole,
    plausible,
    side_is_given,
    side_is_not_given,
    within,
)
from studykit.errors import DataError
from studykit.protocol import Protocol
from studykit.protocol.cells import Kind, allowed_range, allowed_words, kind_of, needed_columns, table_columns
from studykit.vocabulary import MEASUREMENTS

DATE_TYPE: Final = "datetime64[us]"
CELL_MISSING: Final = "cell_missing"
FRAME_RULES: Final = {
    "value_outside_plausible_range": "value",
    "level_not_whole": "value",
    "side_missing": "side",
    "side_not_expected": "side",
}
"""Checks that need two columns -> the column under which their finding is written."""

_TYPES: Final[dict[Kind, str]] = {
    "text": "str",
    "date": DATE_TYPE,
    "yes or no": "boolean",
    "whole number": "Int64",
    "number": "float64",
}


def column_types(table: str, protocol: Protocol) -> dict[str, str]:
    """Column -> pandas type of the exact typed form of a table, covariates included."""
    return {column: _TYPES[kind_of(column, protocol)] for column in table_columns(table, protocol)}


def schema_of(table: str, protocol: Protocol) -> pa.DataFrameSchema:
    """The pandera schema of one table: strict columns, exact types, no coercion; each check bears its rule's name."""
    needed = needed_columns(table, protocol)
    columns = {
        column: pa.Column(kind, checks=_column_checks(table, column, protocol), nullable=column not in needed)
        for column, kind in column_types(table, protocol).items()
    }
    return pa.DataFrameSchema(columns, checks=_frame_checks(table, protocol), strict=True, coerce=False, name=table)


def _column_checks(table: str, column: str, protocol: Protocol) -> list[pa.Check]:
    checks = []
    words = allowed_words(table, column, protocol)
    if words is not None:
        checks.append(_named(words[1], lambda cells, allowed=frozenset(words[0]): cells.isin(allowed)))
    bounds = allowed_range(table, column, protocol)
    if bounds is not None:
        checks.append(_named("number_outside_range", within(bounds)))
    return checks


def _frame_checks(table: str, protocol: Protocol) -> list[pa.Check]:
    if table != MEASUREMENTS:
        return []
    return [
        _named("value_outside_plausible_range", plausible(protocol)),
        _named("level_not_whole", level_is_whole(protocol)),
        _named("side_missing", side_is_given(protocol)),
        _named("side_not_expected", side_is_not_given(protocol)),
    ]


def _named(rule: str, holds: Callable[..., pd.Series]) -> pa.Check:
    return pa.Check(holds, name=rule, error=rule, n_failure_cases=1)


def schema_failures(schema: pa.DataFrameSchema, frame: pd.DataFrame) -> list[tuple[str, str, np.ndarray]]:
    """Validate a frame whose index is 0 .. n-1.

    Returns:
        (rule, column, (m,) positions of the failing rows in order) for each check that failed.

    Raises:
        DataError: a column is missing, unexpected or of another type, which is a fault of the intake.
    """
    try:
        schema.validate(frame, lazy=True, inplace=True)
    except SchemaErrors as failed:
        errors = failed.schema_errors
    else:
        return []
    failures = []
    for error in errors:
        if error.reason_code is SchemaErrorReason.SERIES_CONTAINS_NULLS:
            column = str(error.schema.name)
            failures.append((CELL_MISSING, column, np.flatnonzero(frame[column].isna().to_numpy())))
        elif error.reason_code is SchemaErrorReason.DATAFRAME_CHECK and isinstance(error.check_output, pd.Series):
            rule, output = str(error.check.name), error.check_output
            column = FRAME_RULES.get(rule) or str(error.schema.name)
            positions = output.index.to_numpy()[~output.to_numpy(dtype=bool)]
            failures.append((rule, column, np.sort(positions)))
        else:
            raise DataError(
                f"The table {schema.name} came in without its typed form ({error.reason_code.name.lower()}, "
                f"column {error.schema.name}); this is a fault in reading it, not in the data."
            )
    return failures
