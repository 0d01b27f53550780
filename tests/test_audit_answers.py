"""Every mistake that was seeded into the clinic's workbook is named at its cell, and nothing else is."""

from __future__ import annotations

import shutil
import tomllib
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from studykit.data.checks.checking import Checked, check_study
from studykit.simulate.audit import simulate_audit
from studykit.simulate.cells import workbook_bytes
from studykit.vocabulary import ERROR, MEASUREMENTS, SUSPICION

ROOT = Path(__file__).parent.parent
AUDIT = ROOT / "synthetic_data" / "clinic_audit"
ANSWERS = tomllib.loads((AUDIT / "answers.toml").read_text(encoding="utf-8"))
MISTAKES: list[dict[str, Any]] = ANSWERS["mistakes"]
REFUSALS: list[dict[str, Any]] = ANSWERS["refusals"]

Line = tuple[str, str, str, int, str]
"""Rule, severity, sheet, row (0 where a finding is about no single row), column."""


def expected_lines(mistakes: list[dict[str, Any]]) -> Counter[Line]:
    lines: Counter[Line] = Counter()
    for mistake in mistakes:
        for one in mistake.get("findings", []):
            lines[(one["rule"], one["severity"], one["sheet"], one["row"], one["column"])] += one["count"]
    return lines


def found_lines(findings: pd.DataFrame) -> Counter[Line]:
    rows = findings["row"].fillna(0).astype(int)
    columns = (findings["rule"], findings["severity"], findings["sheet"], rows, findings["column"])
    return Counter(zip(*columns, strict=True))


def unexplained(found: Counter[Line], expected: Counter[Line]) -> list[Line]:
    """Lines that no answer explains: a suspicion about a cell that an error names already is explained by that."""
    in_error = {line[2:] for line in expected if line[1] == ERROR}
    return [line for line in found - expected if line[1] == ERROR or line[2:] not in in_error]


def with_workbook(folder: Path, workbook: bytes) -> Path:
    """A copy of the audit's protocol with another workbook."""
    (folder / "data").mkdir(parents=True)
    shutil.copy(AUDIT / "study.toml", folder)
    (folder / "data" / "clinic.xlsx").write_bytes(workbook)
    return folder


@pytest.fixture(scope="module")
def checked() -> Checked:
    return check_study(AUDIT)


@pytest.fixture(scope="module")
def refused(tmp_path_factory: pytest.TempPathFactory) -> Checked:
    folder = tmp_path_factory.mktemp("refused") / "audit"
    return check_study(with_workbook(folder, (AUDIT / "refused_clinic.xlsx").read_bytes()))


def test_there_are_many_classes_and_each_is_listed_once() -> None:
    names = [mistake["class"] for mistake in [*MISTAKES, *REFUSALS]]
    assert len(names) >= 100
    assert len(set(names)) == len(names)
    assert all(mistake.get("findings") or mistake.get("changes") for mistake in [*MISTAKES, *REFUSALS])


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda mistake: mistake["class"])
def test_mistake_is_found_at_its_cell(checked: Checked, mistake: dict[str, Any]) -> None:
    found = found_lines(checked.findings)
    for line, count in expected_lines([mistake]).items():
        assert found[line] == count, line
    for change in mistake.get("changes", []):
        log = checked.log
        at = (log["sheet"] == change["sheet"]) & (log["row"] == change["row"]) & (log["column"] == change["column"])
        assert log.loc[at, "after"].tolist() == [change["after"]]


def test_nothing_else_is_found(checked: Checked) -> None:
    assert unexplained(found_lines(checked.findings), expected_lines(MISTAKES)) == []


def test_each_error_sets_its_rows_aside_and_no_row_is_lost(checked: Checked) -> None:
    assert checked.study is not None
    for table, rows_in in checked.rows_in.items():
        assert rows_in == checked.rows_used[table] + checked.rows_set_aside[table]
    errors = checked.findings[checked.findings["severity"] == ERROR]
    for table, aside in checked.set_aside.items():
        named = set(errors.loc[errors["table"] == table, "row"].dropna())
        assert set(aside["row"]) == named
    suspected = checked.findings[checked.findings["severity"] == SUSPICION]
    assert not suspected.empty
    used = len(checked.study.table(MEASUREMENTS))
    assert used == checked.rows_used[MEASUREMENTS] > 900


@pytest.mark.parametrize("mistake", REFUSALS, ids=lambda mistake: mistake["class"])
def test_refusal_is_found(refused: Checked, mistake: dict[str, Any]) -> None:
    found = found_lines(refused.findings)
    for line, count in expected_lines([mistake]).items():
        assert found[line] == count, line


def test_a_refused_study_is_not_opened_and_nothing_else_is_found(refused: Checked) -> None:
    assert refused.study is None
    assert unexplained(found_lines(refused.findings), expected_lines(REFUSALS)) == []


def test_the_workbook_without_its_mistakes_is_clean_but_for_one_therapist(tmp_path: Path) -> None:
    """The therapist who reads to the nearest five is there from the start: once for each of three movements."""
    sheets = simulate_audit(rng=np.random.default_rng(508))
    checked = check_study(with_workbook(tmp_path / "clean", workbook_bytes(sheets)))
    assert checked.findings["rule"].tolist() == ["only_multiples_of_five"] * 3
    assert sum(checked.rows_set_aside.values()) == 0


def test_dates_are_not_read_in_an_order_that_nobody_declared(tmp_path: Path) -> None:
    """Without date_order each text date of the diary is refused, also where only one order makes a date."""
    sheets = simulate_audit(rng=np.random.default_rng(508))
    folder = with_workbook(tmp_path / "undeclared", workbook_bytes(sheets))
    text = (folder / "study.toml").read_text(encoding="utf-8")
    declared = 'date_order = "day-month-year"\n'
    assert declared in text
    (folder / "study.toml").write_text(text.replace(declared, ""), encoding="utf-8")
    errors = check_study(folder).findings.query("severity == 'error'")
    assert set(errors["sheet"]) == {"Diary"}
    assert len(errors) == len(sheets["Diary"].rows)
    assert set(errors["rule"]) == {"ambiguous_date"}
