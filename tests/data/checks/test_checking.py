"""Checking as a whole: no row lost, no exception, whatever the tables hold; refusals that say why."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tables_for_checks import TRIAL, clean_rows, from_plain_csv, gathered_from, synthetic_study, trial_protocol, typed

from studykit.data import check_study, open_study
from studykit.data.checks.checked import Checked
from studykit.data.checks.checking import check_gathered
from studykit.data.checks.schemas import column_types
from studykit.data.findings import found, found_in_file
from studykit.data.intake.gathered import RowCount
from studykit.errors import DataError, FitError
from studykit.protocol import load_protocol
from studykit.vocabulary import COLUMNS, ERROR, FINDING_COLUMNS

EXAMPLES, MANY_EXAMPLES = 60, 290
"""Each example spoils all seven tables: 420 mutated tables in every run, 2,030 in the slow one."""
PROTOCOL = trial_protocol()
CLEAN = typed(clean_rows(people=3), PROTOCOL)
CELLS: dict[str, list[object]] = {
    "str": ["", "P11", "p11", "P011", " P11", "anna", "week_6", "left", "lunge", "=1+1", "\u00e9", "x" * 300, None],
    "float64": [0.0, -1.0, 5.0, 1e300, -1e300, np.inf, -np.inf, np.nan, 4.05, 405.0],
    "Int64": [0, 1, 2, 3, -1, 2**62, None],
    "boolean": [True, False, None],
    "datetime64[us]": [pd.Timestamp(text) for text in ("1900-01-01", "2024-03-04", "2024-02-01", "2262-01-01")]
    + [pd.NaT],
}
CELLS["str"] += ["stretch", "usual", "lost", "randomised", "excluded", "baseline", "right", "reach", "form", "bela"]


@st.composite
def spoilt_tables(draw: st.DrawFn) -> dict[str, pd.DataFrame]:
    """The clean tables, each deleted from, doubled, shuffled, swapped, retyped or blanked at random."""
    seed = draw(st.integers(0, 2**32 - 1))
    heavy = draw(st.sampled_from([0.02, 0.2, 0.9]))
    rng = np.random.default_rng(seed)
    return {table: spoilt(frame, heavy, rng) for table, frame in CLEAN.items()}


def spoilt(frame: pd.DataFrame, heavy: float, rng: np.random.Generator) -> pd.DataFrame:
    for _ in range(rng.integers(1, 4)):
        frame = MUTATIONS[rng.integers(len(MUTATIONS))](frame, heavy, rng)
    return frame.reset_index(drop=True)


def delete_rows(frame: pd.DataFrame, heavy: float, rng: np.random.Generator) -> pd.DataFrame:
    return frame[rng.random(len(frame)) >= heavy]


def double_rows(frame: pd.DataFrame, heavy: float, rng: np.random.Generator) -> pd.DataFrame:
    return pd.concat([frame, frame[rng.random(len(frame)) < heavy]], ignore_index=True)


def shuffle_rows(frame: pd.DataFrame, heavy: float, rng: np.random.Generator) -> pd.DataFrame:
    return frame.iloc[rng.permutation(len(frame))]


def swap_cells(frame: pd.DataFrame, heavy: float, rng: np.random.Generator) -> pd.DataFrame:
    column = frame.columns[rng.integers(len(frame.columns))]
    return frame.assign(**{column: frame[column].to_numpy()[rng.permutation(len(frame))]}).astype(
        frame.dtypes.to_dict()
    )


def retype_cells(frame: pd.DataFrame, heavy: float, rng: np.random.Generator) -> pd.DataFrame:
    column = frame.columns[rng.integers(len(frame.columns))]
    cells = frame[column].astype(object).to_numpy().copy()
    choices = CELLS[str(frame[column].dtype)]
    for i in np.flatnonzero(rng.random(len(frame)) < heavy):
        cells[i] = choices[rng.integers(len(choices))]
    return frame.assign(**{column: pd.Series(cells, index=frame.index, dtype=frame[column].dtype)})


def blank_cells(frame: pd.DataFrame, heavy: float, rng: np.random.Generator) -> pd.DataFrame:
    column = frame.columns[rng.integers(len(frame.columns))]
    return frame.assign(**{column: frame[column].mask(rng.random(len(frame)) < heavy)})


MUTATIONS = (delete_rows, double_rows, shuffle_rows, swap_cells, retype_cells, blank_cells)


def assert_nothing_is_lost(result: Checked, tables: Mapping[str, pd.DataFrame]) -> None:
    for table, frame in tables.items():
        assert result.rows_in[table] == len(frame)
        assert result.rows_used[table] + result.rows_set_aside[table] == len(frame)
        assert len(result.set_aside[table]) == result.rows_set_aside[table]
        assert (result.set_aside[table]["reason"] != "").all()
    assert list(result.findings.columns) == list(FINDING_COLUMNS)
    assert (result.findings["message"] != "").all()
    assert (result.findings["what_to_do"] != "").all()


def no_spoilt_table_breaks_the_check_or_loses_a_row(tables: dict[str, pd.DataFrame]) -> None:
    result = check_gathered(gathered_from(tables), PROTOCOL)
    assert_nothing_is_lost(result, tables)
    if result.study is None:
        assert ERROR in set(result.findings["severity"])
        return
    for table, frame in result.study.tables.items():
        assert {column: str(kind) for column, kind in frame.dtypes.items()} == column_types(table, PROTOCOL)
        assert len(frame) == result.rows_used[table]


SPOILT = given(spoilt_tables())
test_spoilt_tables = settings(max_examples=EXAMPLES)(SPOILT(no_spoilt_table_breaks_the_check_or_loses_a_row))
test_two_thousand_spoilt_tables = pytest.mark.slow(
    settings(max_examples=MANY_EXAMPLES)(SPOILT(no_spoilt_table_breaks_the_check_or_loses_a_row))
)


@settings(max_examples=12)
@given(spoilt_tables())
def test_rows_that_are_used_hold_no_further_error(tables: dict[str, pd.DataFrame]) -> None:
    result = check_gathered(gathered_from(tables), PROTOCOL)
    if result.study is None:
        return
    present = frozenset(table for table in COLUMNS if not len(tables[table]))
    again = check_gathered(gathered_from(dict(result.study.tables), absent=present), PROTOCOL)
    wrong = again.findings[again.findings["severity"] == ERROR]
    assert wrong.loc[~wrong["rule"].isin(["table_missing", "column_missing"]), "rule"].tolist() == []


def test_every_table_empty_is_refused_with_both_tables_named() -> None:
    result = check_gathered(gathered_from(typed({}, PROTOCOL)), PROTOCOL)
    assert result.study is None
    assert result.findings["rule"].tolist() == ["table_missing", "table_missing"]
    assert result.findings["table"].tolist() == ["participants", "measurements"]


def test_a_column_that_is_empty_throughout_is_one_finding_and_no_study() -> None:
    tables = dict(CLEAN)
    tables["measurements"] = tables["measurements"].assign(rater_id=pd.Series(dtype="str"))
    result = check_gathered(gathered_from(tables), PROTOCOL)
    assert result.study is None
    errors = result.findings[result.findings["severity"] == ERROR]
    assert errors[["table", "column", "rule"]].to_numpy().tolist() == [["measurements", "rater_id", "column_missing"]]


def test_an_error_about_a_file_leaves_no_study() -> None:
    wrong = found_in_file(
        table="measurements", file="m.csv", rule="unread", severity=ERROR, message="No.", what_to_do="Mend it."
    )
    result = check_gathered(gathered_from(CLEAN, findings=wrong), PROTOCOL)
    assert result.study is None
    assert result.findings["rule"].tolist() == ["unread"]


def test_a_cell_that_the_import_refused_is_not_reported_again_as_empty() -> None:
    tables = dict(CLEAN)
    value = tables["measurements"]["value"].copy()
    value.iloc[4] = np.nan
    tables["measurements"] = tables["measurements"].assign(value=value)
    plain = gathered_from(tables)
    refused = found(
        plain.places["measurements"],
        np.array([4]),
        table="measurements",
        column="value",
        values=["47°"],
        rule="not_a_number",
        severity=ERROR,
        message="'47°' is no number.",
        what_to_do="Write 47.",
    )
    result = check_gathered(gathered_from(tables, findings=refused), PROTOCOL)
    errors = result.findings[result.findings["severity"] == ERROR]
    assert errors["rule"].tolist() == ["not_a_number"]
    assert result.set_aside["measurements"]["row"].tolist() == [6]


def test_a_row_that_was_not_counted_is_a_fault_of_the_kit() -> None:
    plain = gathered_from(CLEAN)
    count = len(CLEAN["diary"])
    lost = {**plain.counts, "diary": RowCount(sheet_rows=count + 1, rows=count)}
    short = type(plain)(
        plain.tables, plain.places, plain.headings, plain.texts, plain.log, plain.findings, plain.present, lost
    )
    with pytest.raises(FitError, match="table diary"):
        check_gathered(short, PROTOCOL)


def test_a_table_of_another_type_is_a_fault_of_the_reading_and_shows_no_value() -> None:
    tables = dict(CLEAN)
    tables["measurements"] = tables["measurements"].assign(value=tables["measurements"]["value"].astype("str"))
    with pytest.raises(DataError, match="typed form") as refusal:
        check_gathered(gathered_from(tables), PROTOCOL)
    assert CLEAN["measurements"]["value"].astype("str").iloc[0] not in str(refusal.value)


def test_a_bad_date_in_a_hundred_thousand_rows_is_one_line() -> None:
    many = pd.concat([CLEAN["diary"]] * (100_000 // len(CLEAN["diary"]) + 1), ignore_index=True)
    done_on = many["done_on"].copy()
    done_on.iloc[77_777] = pd.Timestamp("1970-01-01")
    result = check_gathered(gathered_from({**CLEAN, "diary": many.assign(done_on=done_on)}), PROTOCOL)
    assert result.findings[["table", "row", "rule"]].to_numpy().tolist() == [
        ["diary", 77_779, "diary_before_enrolment"]
    ]


def test_check_study_reads_a_folder(tmp_path: Path) -> None:
    folder = synthetic_study("knee_goniometer")
    said: list[str] = []
    result = check_study(folder, progress=said.append)
    protocol = load_protocol(folder / "study.toml")
    expected = from_plain_csv(folder, protocol)
    assert result.study is not None
    assert result.rows_used["measurements"] == len(expected["measurements"])
    pd.testing.assert_frame_equal(result.study.table("measurements"), expected["measurements"])
    assert said
    assert open_study(folder).data_sha256 == result.study.data_sha256


def test_a_study_that_cannot_be_opened_says_why(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text(TRIAL, encoding="utf-8")
    (tmp_path / "data").mkdir()
    with pytest.raises(DataError, match="cannot be opened"):
        open_study(tmp_path)


def test_tables_of_the_caller_are_left_alone() -> None:
    tables = {table: frame.copy() for table, frame in CLEAN.items()}
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        check_gathered(gathered_from(tables), PROTOCOL)
    for table, frame in CLEAN.items():
        pd.testing.assert_frame_equal(tables[table], frame)


def test_what_the_import_suspects_of_a_cell_is_left_out_where_there_is_an_error() -> None:
    tables = dict(CLEAN)
    names = tables["measurements"]["participant_id"].copy()
    names.iloc[4] = "11"
    tables["measurements"] = tables["measurements"].assign(participant_id=names)
    plain = gathered_from(tables)
    doubts = found(
        plain.places["measurements"],
        np.array([4, 5]),
        table="measurements",
        column="participant_id",
        values=["11", "P11"],
        rule="identifier_is_number",
        severity="suspicion",
        message="Zeros in front may be lost.",
        what_to_do="Look.",
    )
    findings = check_gathered(gathered_from(tables, findings=doubts), PROTOCOL).findings
    about_ids = findings[findings["column"] == "participant_id"]
    assert about_ids[["row", "rule"]].to_numpy().tolist() == [[6, "unknown_participant"], [7, "identifier_is_number"]]


def test_a_table_full_of_unknown_ids_and_words_is_checked_in_reasonable_time() -> None:
    """Without a limit on comparing letters, 20,000 unknown ids would be compared with every known one."""
    many = pd.concat([CLEAN["measurements"]] * (20_000 // len(CLEAN["measurements"]) + 1), ignore_index=True)
    numbers = pd.Series(np.arange(len(many)).astype(str), dtype="str")
    many = many.assign(participant_id="Q" + numbers, visit="weak " + numbers)
    findings = check_gathered(gathered_from({**CLEAN, "measurements": many}), PROTOCOL).findings
    assert (findings["rule"] == "unknown_participant").sum() == len(many)
    assert (findings["rule"] == "visit_not_planned").sum() == len(many)


def test_many_ids_that_look_alike_are_not_all_listed_in_every_line() -> None:
    people = pd.concat([CLEAN["participants"].iloc[:1]] * 40, ignore_index=True)
    people = people.assign(participant_id=["P" + "0" * zeros + "7" for zeros in range(40)])
    findings = check_gathered(
        gathered_from({**CLEAN, "participants": people.astype(CLEAN["participants"].dtypes)}), PROTOCOL
    )
    alike = findings.findings[findings.findings["rule"] == "ids_look_alike"]
    assert len(alike) == 40
    assert alike["message"].str.contains("and 34 more").all()
