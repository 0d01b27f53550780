"""[planning] tables as people write them in a hurry: every impossible wish ends in a sentence, none in a traceback."""

from __future__ import annotations

from pathlib import Path

import pytest

from studykit.cli import main
from studykit.commands.speaking import CALLED_WRONGLY, CLEAN, PROBLEMS
from studykit.planning.sealed_list import LIST
from studykit.starting import start_study

PLAN = "participants = 24\nsmallest_difference = 8.0\nspread = { participant = 9.0, trial = 2.5 }\n"


def replaced(key: str, value: str) -> str:
    return "[planning]\n" + "".join(
        f"{key} = {value}\n" if line.startswith(key) else f"{line}\n" for line in PLAN.splitlines()
    )


def added(lines: str) -> str:
    return f"[planning]\n{PLAN}{lines}\n"


def wish(lines: str) -> str:
    return f"[planning.reliability]\n{lines}\n"


@pytest.fixture(scope="module")
def started(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wishes") / "trial"
    start_study(folder, design="trial")
    return folder


@pytest.fixture
def folder(started: Path, tmp_path: Path) -> Path:
    """A study folder that holds a protocol alone."""
    made = tmp_path / "study"
    made.mkdir()
    (made / "study.toml").write_bytes((started / "study.toml").read_bytes())
    return made


def write(folder: Path, more: str) -> None:
    protocol = folder / "study.toml"
    protocol.write_text(f"{protocol.read_text(encoding='utf-8')}\n{more}", encoding="utf-8")


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (replaced("participants", '"24"'), "it must be a whole number without quotation marks"),
        (replaced("participants", "0"), "participants in [planning] is 0; it must be 4 or more"),
        (replaced("participants", "-5"), "is -5; it must be 4 or more"),
        (replaced("participants", "24.5"), "it must be a whole number"),
        (replaced("participants", "1000000000"), "it must be 20000 or less"),
        (replaced("smallest_difference", '"8 deg"'), "it must be a number without quotation marks"),
        (replaced("smallest_difference", "nan"), "is nan; it must be an ordinary number"),
        (replaced("smallest_difference", "-inf"), "is -inf; it must be an ordinary number"),
        (replaced("smallest_difference", "1e300"), "it must be 1000 or less"),
        (replaced("smallest_difference", "1e-12"), "finer than any instrument reads"),
        (replaced("spread", "3"), "spread in [planning] is 3; it must be a table of its own"),
        (replaced("spread", "{ participant = 1e-200, trial = 2.5 }"), "it must be 0.001 or more"),
        (replaced("spread", "{ participant = -9.0, trial = 2.5 }"), "is -9; it must be 0.001 or more"),
        (replaced("spread", "{ participant = 9.0, trail = 2.5 }"), 'did you mean "trial"?'),
        (added("lost_by = { week_12 = 1.01 }"), "is 1.01; it must be less than 1"),
        (added('lost_by = { week_12 = "10%" }'), 'is "10%"; it must be a number without quotation marks'),
        (added("lost_by = { week_99 = 0.1 }"), '"week_99" in lost_by is not a planned visit'),
        (added("power = 1.0"), "it must be less than 1"),
        (added("power = 80"), "it must be less than 1"),
        (added("power = 0.01"), "power under [planning] is 0.01, no more than alpha (0.05)"),
        (added("alpha = 0"), "alpha in [planning] is not a key that the protocol knows"),
        (added("ratio = { foo = 2 }"), "is not an arm of this study"),
        (added("limbs = 3"), "it must be 2 or less"),
        (added("[planning.change.stretch]\nweek_12 = 1e9"), "it must be 1000 or less"),
        (added("[planning.simulation]\nseed = -1"), "seed in [planning.simulation] is -1; it must be 0 or more"),
        (added("[planning.simulation]\nmost_trials = 0"), "it must be 100 or more"),
        (added("[planning.compare]\nparticipants = [0]"), "item 1 is 0; it must be 4 or more"),
        (added("[planning.allocation]\nentries = 0"), "it must be 1 or more"),
        (added('[planning.allocation]\nstrata = { site = ["a", "a"] }'), 'hold "a" twice; write each word once'),
        (wish("icc = 1.0\nicc_width = 0.1"), "icc in [planning.reliability] is 1; it must be less than 1"),
        (wish("icc = 0.7\nicc_width = -0.1"), "it must be more than 0"),
        (wish("difference_sd = 1e-9\nlimit_width = 1e9"), "it must be 0.001 or more"),
    ],
)
def test_a_table_that_cannot_be_meant_is_refused_in_a_sentence(folder: Path, capsys, more: str, words: str) -> None:
    write(folder, more)
    assert main(["plan", str(folder), "--workers", "1"]) == PROBLEMS
    said = capsys.readouterr()
    assert words in said.err
    assert said.out == ""
    assert not (folder / "results").exists()


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (
            "icc = 0.7\nicc_width = 1e-6",
            "Interval of an ICC of 0.7, 1e-06 wide: more than 1000000 targets would be needed",
        ),
        ("icc = 0.7\nicc_to_beat = 0.69999", "ICC of 0.7 shown to be above 0.69999, power 80%: more than 1000000"),
        (
            "kappa = 0.9\nkappa_width = 0.001\nshare_positive = 0.001",
            "Interval of a kappa of 0.9, 0.001 wide: more than",
        ),
    ],
)
def test_a_wish_that_nothing_grants_is_named(folder: Path, capsys, more: str, words: str) -> None:
    write(folder, wish(more))
    assert main(["plan", str(folder)]) == PROBLEMS
    assert words in capsys.readouterr().out


def test_allocating_carelessly_ends_in_sentences(folder: Path, tmp_path: Path, capsys) -> None:
    write(folder, added('[planning.allocation]\nmethod = "minimisation"\nstrata = { site = ["north", "south"] }'))
    call, secret = ["allocate", str(folder), "--secret"], tmp_path / "secret"

    def refused(code: int, words: str, *more: str) -> None:
        assert main([*call, *more]) == code
        assert words in capsys.readouterr().err

    refused(CALLED_WRONGLY, "No folder for list and seed was named", "")
    (tmp_path / "file").write_text("", encoding="utf-8")
    refused(CALLED_WRONGLY, "is no folder; name one for list and seed", str(tmp_path / "file"))
    assert main([*call, str(secret)]) == CLEAN
    following = [str(secret), "--level", "site=north", "--next"]
    for code in ("", "P 1", "a,b\nc", "=SUM(A1)"):
        refused(CALLED_WRONGLY, "cannot be used as a participant's code", *following, code)
    refused(CALLED_WRONGLY, "site is given twice, as north and as south", *following, "P1", "--level", "site=south")
    refused(CALLED_WRONGLY, "shoe is no column that is balanced", *following, "P1", "--level", "shoe=3")
    refused(PROBLEMS, "Nobody has been allocated yet", str(secret), "--balance", str(tmp_path / "out"))
    assert not (tmp_path / "out").exists()
    whole = (secret / LIST).read_bytes()
    (secret / LIST).write_bytes(whole + b"P1,nord,stretch\n")
    refused(PROBLEMS, "1 of 1 entries of", *following, "P2")
    (secret / LIST).write_bytes(whole + b"P1,north,stretch")
    refused(PROBLEMS, "does not end with a whole line", *following, "P2")
    (secret / LIST).unlink()
    refused(PROBLEMS, "is not there; look for the list", *following, "P2")
