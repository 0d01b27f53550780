"""A graded, categorical measure goes the whole way: half-kneeling lunge, two raters, from sheet to report."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from studykit.report import write_report

PROTOCOL = """
raters = ["lee", "sam"]

[study]
title = "Half-kneeling lunge, graded twice"
question = "Do two raters give the same grade?"
design = "reliability"
primary_measure = "half_kneeling_lunge"
made_up = true

[measures.half_kneeling_lunge]
two_sided = false

[reliability]
rated_by = "every rater"
generalise_to = "other raters"
"""
GRADES = np.array([[0, 0], [0, 1], [1, 1], [2, 2], [1, 1], [0, 0], [2, 1], [2, 2], [1, 1], [1, 0], [2, 2], [0, 0]])
"""(12 people, 2 raters) grades, made up."""


@pytest.fixture
def study(tmp_path: Path) -> Path:
    (tmp_path / "data").mkdir()
    (tmp_path / "study.toml").write_text(PROTOCOL, encoding="utf-8")
    people = [f"P{number:02d}" for number in range(1, len(GRADES) + 1)]
    lines = ["participant_id,measure,rater_id,trial,value"]
    for person, (lee, sam) in zip(people, GRADES, strict=True):
        lines += [f"{person},half_kneeling_lunge,lee,1,{lee}", f"{person},half_kneeling_lunge,sam,1,{sam}"]
    (tmp_path / "data" / "measurements.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    rows = "\n".join(["participant_id", *people])
    (tmp_path / "data" / "participants.csv").write_text(rows + "\n", encoding="utf-8")
    (tmp_path / "data" / "raters.csv").write_text("rater_id\nlee\nsam\n", encoding="utf-8")
    return tmp_path


def quadratic_kappa(grades: np.ndarray) -> float:
    """Cohen (1968, Psychol. Bull. 70, 213–220): one minus observed over expected squared disagreement, by hand."""
    observed = np.mean((grades[:, 0] - grades[:, 1]) ** 2)
    expected = np.mean((grades[:, 0][:, None] - grades[:, 1][None, :]) ** 2)
    return float(1.0 - observed / expected)


def test_grades_are_reported_as_agreement(study: Path) -> None:
    written = write_report(study)
    document = json.loads((study / "results" / "results.json").read_text(encoding="utf-8"))
    numbers = document["answers"]["reliability.half_kneeling_lunge"]["numbers"]
    same = float(np.mean(GRADES[:, 0] == GRADES[:, 1]))
    assert any(value == pytest.approx(same, rel=1e-12) for value in numbers.values() if value is not None)
    assert any(value == pytest.approx(quadratic_kappa(GRADES), rel=1e-12) for value in numbers.values() if value)
    page = written.page.read_text(encoding="utf-8")
    assert "kappa" in page
    assert "standard error of measurement" not in page.split("How well is it measured?")[1].split("What was planned")[0]
