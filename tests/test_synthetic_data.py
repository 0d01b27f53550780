"""The committed studies are what the simulator writes, byte for byte, and the real one is the published table."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studykit.data.checks.checking import check_study
from studykit.protocol import load_protocol
from studykit.simulate import TrialTruth, simulate_trial
from studykit.simulate.trial import COVARIATE, MEASURE, rater_names
from studykit.simulate.writing import MAKERS

ROOT = Path(__file__).parent.parent
COMMITTED = ROOT / "synthetic_data"
GONIOMETER = COMMITTED / "knee_goniometer"
PUBLISHED = ROOT / "tests" / "reference" / "data" / "eliasziw_goniometer_1994.csv"


def files_of(folder: Path) -> dict[str, bytes]:
    """Relative path -> bytes of every file that belongs to a study, without its results."""
    paths = (path for path in sorted(folder.rglob("*")) if path.is_file())
    named = {path.relative_to(folder).as_posix(): path for path in paths}
    return {name: path.read_bytes() for name, path in named.items() if not name.startswith("results/")}


@pytest.fixture(scope="module")
def remade(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("remade")
    command = [sys.executable, "-W", "error", "-m", "studykit.simulate", str(folder)]
    subprocess.run(command, check=True, cwd=ROOT, capture_output=True)
    return folder


@pytest.mark.parametrize("name", sorted(MAKERS))
def test_one_command_remakes_the_committed_bytes(remade: Path, name: str) -> None:
    made, committed = files_of(remade / name), files_of(COMMITTED / name)
    assert sorted(made) == sorted(committed)
    assert [path for path in made if made[path] != committed[path]] == []


def test_protocol_of_the_ferry_trial_says_what_the_truth_says() -> None:
    protocol = load_protocol(COMMITTED / "ferry_trial" / "study.toml")
    truth = TrialTruth.load(COMMITTED / "ferry_trial" / "truth.toml")
    assert truth == TrialTruth()
    assert protocol.study.made_up
    assert list(protocol.arms) == [arm.key for arm in truth.arms]
    for arm in truth.arms:
        dose = protocol.arms[arm.key].dose
        if dose is None:
            assert arm.days_per_week == 0
            continue
        assert (dose.hold_s, dose.repetitions) == (arm.hold_s, arm.repetitions)
        assert (dose.sessions_per_day, dose.days_per_week) == (arm.sessions_per_day, arm.days_per_week)
        assert dose.weeks == truth.weeks
    planned = {visit.key: visit.week for visit in protocol.visits if visit.key != truth.sitting_visit}
    assert planned == dict(zip(truth.visit_keys, truth.visit_weeks, strict=True))
    assert protocol.reliability is not None
    assert protocol.reliability.visit == truth.sitting_visit
    assert list(protocol.raters) == list(rater_names(truth))
    assert list(protocol.measures) == [MEASURE]
    assert list(protocol.covariates) == [COVARIATE]


def test_goniometer_study_is_the_published_table() -> None:
    protocol = load_protocol(GONIOMETER / "study.toml")
    assert not protocol.study.made_up
    assert "Physical Therapy 74, 777-788" in protocol.study.source
    published = pd.read_csv(PUBLISHED)
    ours = pd.read_csv(GONIOMETER / "data" / "measurements.csv")
    assert len(ours) == len(published) == 29 * 2 * 3
    expected = {
        (f"P{row.subject:02d}", {"R1": "goniometer_1", "R2": "goniometer_2"}[row.rater], row.trial): row.angle
        for row in published.itertuples()
    }
    keys = zip(ours["participant_id"], ours["rater_id"], ours["trial"], strict=True)
    assert dict(zip(keys, ours["value"], strict=True)) == expected
    assert list(protocol.raters) == sorted(ours["rater_id"].unique())


@pytest.mark.parametrize("name", ["ferry_trial", "knee_goniometer"])
def test_clean_studies_have_no_finding_of_any_severity(name: str) -> None:
    checked = check_study(COMMITTED / name)
    assert checked.study is not None
    assert checked.findings.empty
    assert checked.log.empty
    assert checked.rows_used == checked.rows_in


def test_ferry_trial_comes_back_from_its_files_as_it_was_made() -> None:
    truth = TrialTruth()
    made = simulate_trial(truth, rng=np.random.default_rng(truth.seed))
    study = check_study(COMMITTED / "ferry_trial").study
    assert study is not None
    for name, table in made.items():
        pd.testing.assert_frame_equal(study.table(name), table)
