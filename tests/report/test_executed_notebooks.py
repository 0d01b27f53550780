"""Executed notebooks stay beside a report of the same data, and leave with the data they were made from."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from studykit.report.executed_notebooks import keep_executed_notebooks

SAME = {"data_sha256": "d", "protocol_sha256": "p"}


def folders(tmp_path: Path, before: str | None) -> tuple[Path, Path]:
    old, fresh = tmp_path / "results", tmp_path / "fresh"
    (old / "notebooks").mkdir(parents=True)
    (old / "notebooks" / "n.html").write_text("made earlier", encoding="utf-8")
    fresh.mkdir()
    if before is not None:
        (old / "results.json").write_text(before, encoding="utf-8")
    return old, fresh


@pytest.mark.parametrize("before", [None, json.dumps({"provenance": {**SAME, "versions": {}}})])
def test_of_the_same_data_they_stay(tmp_path: Path, before: str | None) -> None:
    old, fresh = folders(tmp_path, before)
    keep_executed_notebooks(old, fresh, SAME)
    assert (fresh / "notebooks" / "n.html").read_text(encoding="utf-8") == "made earlier"


@pytest.mark.parametrize(
    "before",
    [json.dumps({"provenance": {**SAME, name: "other"}}) for name in SAME] + ["{}", "no json", "[]"],
)
def test_of_other_data_they_go(tmp_path: Path, before: str) -> None:
    old, fresh = folders(tmp_path, before)
    keep_executed_notebooks(old, fresh, SAME)
    assert list(fresh.iterdir()) == []


def test_without_notebooks_there_is_nothing_to_keep(tmp_path: Path) -> None:
    keep_executed_notebooks(tmp_path / "none", tmp_path, SAME)
    assert list(tmp_path.iterdir()) == []
