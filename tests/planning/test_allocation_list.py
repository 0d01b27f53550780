"""Lists that are committed to, allocated from and shown: nothing is overwritten, everything can be made again."""

from __future__ import annotations

import hashlib
import json
import stat
import sys
import tomllib
from pathlib import Path

import pandas as pd
import pytest

from studykit.cli import main
from studykit.commands.speaking import CALLED_WRONGLY, CLEAN, PROBLEMS
from studykit.errors import CallError, DataError, DesignError
from studykit.planning.allocation import allocation_list, allocation_rules
from studykit.planning.sealed_list import (
    COMMITMENT,
    LIST,
    SECRET,
    allocate_next,
    commit_allocation,
    reveal_allocation,
)
from studykit.starting import start_study
from tests.planning.planned_studies import planned_protocol

STRATA = '[planning.allocation]\nstrata = { site = ["north", "south"], sex = ["female", "male"] }\n'
BLOCKS = STRATA + "entries = 20\nblock_sizes = [3, 6]\n"
MINIMISED = STRATA + 'method = "minimisation"\n'
RATIO = "ratio = { none = 1, stretch_1 = 2 }"


@pytest.fixture
def blocks():
    """Rules of blocks in four strata, one to two."""
    return allocation_rules(planned_protocol(more=RATIO, tables=BLOCKS))


@pytest.fixture
def minimised():
    """Rules of minimisation over two columns."""
    return allocation_rules(planned_protocol(tables=MINIMISED))


@pytest.fixture
def places(tmp_path: Path) -> tuple[Path, Path]:
    """A study folder and a secret one beside it."""
    (tmp_path / "study").mkdir()
    return tmp_path / "study", tmp_path / "secret"


def test_a_list_has_a_code_for_every_entry_of_every_stratum(blocks):
    made = allocation_list(blocks, 5)
    assert len(made) == 80
    assert made["code"].is_unique
    assert made["code"].iloc[[0, 19, 20, 79]].tolist() == ["A001", "A020", "B001", "D020"]
    assert made.groupby(["site", "sex"], sort=False).size().tolist() == [20, 20, 20, 20]


def test_the_seed_alone_decides(blocks):
    assert allocation_list(blocks, 5).equals(allocation_list(blocks, 5))
    assert not allocation_list(blocks, 5)["arm"].equals(allocation_list(blocks, 6)["arm"])


def test_committed_list_is_shown_as_it_was(blocks, places):
    folder, secret = places
    made = commit_allocation(blocks, folder, secret)
    document = json.loads((folder / COMMITMENT).read_text())
    hidden = tomllib.loads((secret / SECRET).read_text())
    # The hash by hand: nonce, a line feed, the bytes of the list.
    by_hand = hashlib.sha256(hidden["nonce"].encode() + b"\n" + (secret / LIST).read_bytes()).hexdigest()
    assert document["sha256"] == made.sha256 == by_hand
    assert len(hidden["nonce"]) == 64
    assert hidden["seed"] not in (folder / COMMITMENT).read_text()
    assert reveal_allocation(blocks, folder, secret).equals(allocation_list(blocks, int(hidden["seed"])))


@pytest.mark.skipif(sys.platform == "win32", reason="permissions of files are those of POSIX")
def test_the_secret_is_for_its_owner_alone(blocks, places):
    folder, secret = places
    commit_allocation(blocks, folder, secret)
    for name in (SECRET, LIST):
        assert stat.S_IMODE((secret / name).stat().st_mode) == 0o600


def test_two_lists_have_different_seeds_and_nonces(blocks, tmp_path: Path):
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        commit_allocation(blocks, tmp_path / name, tmp_path / f"secret_{name}")
    found = [tomllib.loads((tmp_path / f"secret_{name}" / SECRET).read_text()) for name in ("one", "two")]
    assert found[0]["seed"] != found[1]["seed"]
    assert found[0]["nonce"] != found[1]["nonce"]


@pytest.mark.parametrize("there", [COMMITMENT, SECRET, LIST])
def test_nothing_is_overwritten(blocks, places, there: str):
    folder, secret = places
    secret.mkdir()
    path = (folder if there == COMMITMENT else secret) / there
    path.write_text("mine")
    with pytest.raises(CallError, match="is there already"):
        commit_allocation(blocks, folder, secret)
    assert [*folder.iterdir(), *secret.iterdir()] == [path]
    assert path.read_text() == "mine"


@pytest.mark.parametrize("inside", ["", "secret", "data/../secret/deep"])
def test_a_secret_inside_the_study_is_refused(blocks, places, inside: str):
    folder, _ = places
    with pytest.raises(CallError, match="lies in the study folder"):
        commit_allocation(blocks, folder, folder / inside)
    assert list(folder.iterdir()) == []


def test_a_link_into_the_study_is_refused(blocks, places, tmp_path: Path):
    folder, _ = places
    (tmp_path / "link").symlink_to(folder, target_is_directory=True)
    with pytest.raises(CallError, match="lies in the study folder"):
        commit_allocation(blocks, folder, tmp_path / "link" / "secret")


def test_a_changed_list_secret_or_protocol_is_found(blocks, places):
    folder, secret = places
    commit_allocation(blocks, folder, secret, seed=11)
    text = (secret / LIST).read_bytes()
    (secret / LIST).write_bytes(text.replace(b"none", b"stretch_1", 1))
    with pytest.raises(DataError, match="do not have the hash that was committed to"):
        reveal_allocation(blocks, folder, secret)
    (secret / LIST).write_bytes(text)
    hidden = (secret / SECRET).read_text()
    (secret / SECRET).write_text(hidden.replace('seed = "11"', 'seed = "12"'))
    with pytest.raises(DataError, match="do not follow from the seed"):
        reveal_allocation(blocks, folder, secret)
    (secret / SECRET).write_text("nothing")
    with pytest.raises(DataError, match="is not a secret"):
        reveal_allocation(blocks, folder, secret)
    (secret / SECRET).write_text(hidden)
    other = allocation_rules(planned_protocol(more=RATIO, tables=STRATA + "entries = 20\nblock_sizes = [6]\n"))
    with pytest.raises(DataError, match="block sizes of the protocol is not what"):
        reveal_allocation(other, folder, secret)
    (folder / COMMITMENT).write_text("{}")
    with pytest.raises(DataError, match="is no commitment"):
        reveal_allocation(blocks, folder, secret)


PEOPLE = [("P1", "north", "female"), ("P2", "south", "male"), ("P3", "north", "male"), ("P4", "north", "female")]


def test_minimisation_one_by_one_can_be_made_again(minimised, places):
    folder, secret = places
    commit_allocation(minimised, folder, secret, seed=3)
    arms = [allocate_next(minimised, folder, secret, who, {"site": site, "sex": sex}) for who, site, sex in PEOPLE * 1]
    found = reveal_allocation(minimised, folder, secret)
    assert found["arm"].tolist() == arms
    assert found["participant_id"].tolist() == ["P1", "P2", "P3", "P4"]
    with pytest.raises(CallError, match="P2 was allocated already"):
        allocate_next(minimised, folder, secret, "P2", {"site": "north", "sex": "male"})
    with pytest.raises(CallError, match="site of this participant is 'east'; planned are north, south"):
        allocate_next(minimised, folder, secret, "P5", {"site": "east", "sex": "male"})
    with pytest.raises(CallError, match="sex of this participant is missing"):
        allocate_next(minimised, folder, secret, "P5", {"site": "north"})
    assert len(reveal_allocation(minimised, folder, secret)) == 4
    flipped = found.copy()
    flipped.loc[2, "arm"] = next(arm for arm in minimised.arms if arm != arms[2])
    (secret / LIST).write_text(flipped.to_csv(index=False))
    with pytest.raises(DataError, match="first: P3"):
        reveal_allocation(minimised, folder, secret)


def test_minimisation_balances_the_columns(minimised, places):
    folder, secret = places
    commit_allocation(minimised, folder, secret, seed=8)
    for number in range(40):
        levels = {"site": ("north", "south")[number % 5 == 0], "sex": ("female", "male")[number % 3 == 0]}
        allocate_next(minimised, folder, secret, f"P{number}", levels)
    found = reveal_allocation(minimised, folder, secret)
    for column in ("site", "sex"):
        counts = pd.crosstab(found[column], found["arm"])
        # By chance alone groups of 8 to 32 people would differ by 2.3 to 4.5 on average.
        assert counts.diff(axis=1).iloc[:, -1].abs().max() <= 4


def test_designs_without_a_choice_are_refused(places):
    folder, secret = places
    with pytest.raises(DesignError, match="does not say how many"):
        allocation_rules(planned_protocol().model_copy(update={"planning": None}))
    with pytest.raises(DesignError, match="name at least one"):
        allocation_rules(planned_protocol(tables='[planning.allocation]\nmethod = "minimisation"\n'))
    many = ", ".join(f'"s{place}"' for place in range(30))
    with pytest.raises(DesignError, match="30 lists"):
        allocation_rules(planned_protocol(tables=f"[planning.allocation]\nstrata = {{ site = [{many}] }}\n"))
    blocks = allocation_rules(planned_protocol())
    with pytest.raises(CallError, match="one by one under minimisation"):
        allocate_next(blocks, folder, secret, "P1", {})


def _study(tmp_path: Path, tables: str) -> Path:
    folder = tmp_path / "trial"
    start_study(folder, design="trial")
    protocol = folder / "study.toml"
    plan = "[planning]\nparticipants = 12\nsmallest_difference = 5\nspread = { participant = 6, trial = 2 }\n"
    few = "[planning.simulation]\nhalf_width = 0.1\nmost_trials = 100\n"
    protocol.write_text(protocol.read_text(encoding="utf-8") + plan + few + tables, encoding="utf-8")
    return folder


def test_the_command_from_commitment_to_list(tmp_path: Path, capsys):
    folder, secret = _study(tmp_path, BLOCKS.replace("[3, 6]", "[4, 6]")), tmp_path / "secret"
    assert main(["allocate", str(folder), "--secret", str(secret)]) == CLEAN
    said = capsys.readouterr().out
    hidden = tomllib.loads((secret / SECRET).read_text())
    assert "Made 80 entries in 4 lists." in said
    assert json.loads((folder / COMMITMENT).read_text())["sha256"] in said
    assert main(["allocate", str(folder), "--secret", str(secret)]) == CALLED_WRONGLY
    assert "is there already" in capsys.readouterr().err
    assert main(["allocate", str(folder), "--secret", str(secret), "--show"]) == CLEAN
    said += capsys.readouterr().out
    assert "the one that was committed to" in said
    assert "site: north" in said
    assert (folder / LIST).read_bytes() == (secret / LIST).read_bytes()
    assert main(["allocate", str(folder), "--secret", str(secret), "--show"]) == CALLED_WRONGLY
    capsys.readouterr()
    assert main(["plan", str(folder), "--workers", "1"]) == CLEAN
    everything = said + capsys.readouterr().out
    for path in folder.rglob("*"):
        if path.suffix in {".html", ".json", ".toml", ".md", ".csv"}:
            everything += path.read_text(encoding="utf-8")
    assert hidden["seed"] not in everything
    assert hidden["nonce"] not in everything


def test_the_command_one_by_one(tmp_path: Path, capsys):
    folder, secret = _study(tmp_path, MINIMISED), str(tmp_path / "secret")
    assert main(["allocate", str(folder), "--secret", secret]) == CLEAN
    call = ["allocate", str(folder), "--secret", secret, "--next", "P1", "--level", "site=north", "--level", "sex=male"]
    capsys.readouterr()
    assert main(call) == CLEAN
    assert capsys.readouterr().out.startswith("P1: ")
    assert main(call) == CALLED_WRONGLY
    assert main(["allocate", str(folder), "--secret", secret, "--level", "site=north"]) == CALLED_WRONGLY
    assert main([*call[:-1], "sex"]) == CALLED_WRONGLY
    assert main(["allocate", str(folder), "--secret", str(tmp_path / "other"), "--show"]) == PROBLEMS
