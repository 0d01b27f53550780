"""The front door takes what a notebook hands it: a folder as text, and names that are there."""

from __future__ import annotations

from pathlib import Path

import pytest

import studykit
from studykit.errors import CallError, ProtocolError


def test_a_folder_may_be_given_as_text(tmp_path: Path) -> None:
    folder = str(tmp_path / "mine")
    assert studykit.start_study(folder, design="reliability")
    protocol = studykit.load_protocol(f"{folder}/study.toml")
    assert protocol.study.design == "reliability"
    assert studykit.check_study(folder).rows_in["participants"] == 0


def test_a_folder_that_is_not_there_is_told_in_a_sentence(tmp_path: Path) -> None:
    for door in (studykit.open_study, studykit.check_study, studykit.write_report):
        with pytest.raises(ProtocolError, match="nowhere"):
            door(str(tmp_path / "nowhere"))


def test_a_seal_takes_text_as_well(tmp_path: Path) -> None:
    folder = str(tmp_path / "mine")
    studykit.start_study(folder, design="reliability")
    with pytest.raises(CallError, match="key"):
        studykit.seal_study(folder, pseudonyms=str(tmp_path / "no_key"))


def test_every_name_of_the_front_door_opens() -> None:
    for name in studykit.__all__:
        assert getattr(studykit, name) is not None
    with pytest.raises(AttributeError, match="it has"):
        studykit.nothing  # noqa: B018 - the access is the test
