"""A legend leads back from what was shown to the codes of the study, and lies where nobody takes it along."""

from __future__ import annotations

import csv
import stat
from pathlib import Path

import pytest
from shared_studies import people, study_of

from studykit.data.sharing.legend import check_place_of_legend, pseudonyms_of, write_legend
from studykit.data.sharing.shareable import Sharing, shareable
from studykit.data.study import Study
from studykit.errors import CallError

KEY = b"k" * 32


def small_study() -> Study:
    return study_of(
        participants=people(3),
        raters={"rater_id": ["r1", "r2"]},
        measurements={"participant_id": ["P1", "P2", "Q9"], "rater_id": ["r1", "r3", None]},
    )


def rows_of(file: Path) -> list[dict[str, str]]:
    with file.open(encoding="utf-8", newline="") as opened:
        return list(csv.DictReader(opened))


def test_every_code_of_the_shared_tables_is_in_the_legend_once() -> None:
    study = small_study()
    legend = pseudonyms_of(study, KEY)
    shared = shareable(study, Sharing(key=KEY))
    for column in ("participant_id", "rater_id"):
        seen = {code for frame in shared.tables.values() if column in frame for code in frame[column].dropna()}
        assert seen <= set(legend[column].values())
        assert len(set(legend[column].values())) == len(legend[column])
    people = study.tables["participants"]["participant_id"]
    assert set(people) <= set(legend["participant_id"])


def test_a_legend_reads_back_and_only_its_owner_can_read_it(tmp_path: Path) -> None:
    file = tmp_path / "legend.csv"
    write_legend({"participant_id": {'Q "7", x': "p1_abc"}, "rater_id": {"R1": "p1_def"}}, file)
    assert rows_of(file) == [
        {"column": "participant_id", "in_the_study": 'Q "7", x', "shown_as": "p1_abc"},
        {"column": "rater_id", "in_the_study": "R1", "shown_as": "p1_def"},
    ]
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_a_legend_is_refused_where_it_would_travel_or_overwrite(tmp_path: Path) -> None:
    study = tmp_path / "study"
    study.mkdir()
    with pytest.raises(CallError, match="inside the study folder"):
        check_place_of_legend(study / "results" / "legend.csv", study)
    (tmp_path / "there.csv").write_text("x", encoding="utf-8")
    with pytest.raises(CallError, match="exists already"):
        check_place_of_legend(tmp_path / "there.csv", study)
    with pytest.raises(CallError, match="There is no folder"):
        check_place_of_legend(tmp_path / "no" / "legend.csv", study)
    check_place_of_legend(tmp_path / "new.csv", study)
