"""README is true to the word: its commands, its picture, its table, its code."""

from __future__ import annotations

import re

from readme_parts import PICTURE, README, ROOT, TABLE, picture_and_table

import studykit

TEXT = README.read_text(encoding="utf-8")


def test_picture_and_table_are_those_of_the_demo() -> None:
    picture, table = picture_and_table()
    shown = TABLE.search(TEXT)
    assert shown is not None
    assert shown.group(0) == table
    assert PICTURE.read_text(encoding="utf-8") == picture
    assert f"({PICTURE.relative_to(ROOT).as_posix()})" in TEXT


def test_the_two_commands_stand_first_and_in_order() -> None:
    blocks = re.findall(r"^```sh\n(.*?)^```$", TEXT, re.MULTILINE | re.DOTALL)
    assert len(blocks) == 2
    assert "studykit report synthetic_data/knee_goniometer" in blocks[0]
    assert "requirements.lock" in blocks[0]
    assert "pytest" in blocks[1]


def test_python_of_the_readme_runs() -> None:
    (code,) = re.findall(r"^```python\n(.*?)^```$", TEXT, re.MULTILINE | re.DOTALL)
    study = studykit.open_study(ROOT / "synthetic_data" / "knee_goniometer")
    frame = study.table("measurements").groupby(["participant_id", "rater_id"], as_index=False)["value"].mean()
    names = {"frame": frame}
    exec(code, names)  # noqa: S102 - the code block of our own README
    assert 0.9 < names["agreement"].value < 1.0
    assert list(names["coefficients"]["term"]) == ["Intercept"]


def test_every_file_and_command_that_is_named_exists() -> None:
    for name in re.findall(r"`((?:notebooks|synthetic_data|tests)/[\w./]*)`", TEXT):
        if "results" not in name:
            assert (ROOT / name).exists(), name
    for name in re.findall(r"studykit\.(\w+)\(", TEXT):
        assert name in studykit.__all__
