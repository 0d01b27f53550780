"""Thousands of spoilt seals: each is refused in words or reproduced, and nothing is ever written outside the target."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from mutated_seals import mutated
from small_studies import opened, reliability_folder

from studykit.archive import reproduce, seal_study
from studykit.archive.reproduce import PAGE, STUDY_FOLDER, TABLE
from studykit.errors import StudykitError
from studykit.provenance import installed_versions

MOST_IN_THE_SUITE = 210
ALL = 5_000
CLAIMS = {"data/environment.json", "data/sealing.json", "data/README.txt", "data/ro-crate-metadata.json"}
"""Parts that state what nobody can compute again (a platform, what was done before sealing), and what repeats them."""


@pytest.fixture(autouse=True)
def _versions_looked_up_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The versions of the packages do not change within a test, and looking them up takes longer than the answers."""
    versions = installed_versions()
    monkeypatch.setattr("studykit.data.study.installed_versions", lambda: versions)


def put_to_the_test(folder: Path, numbers: range) -> Counter[str]:
    """Reproduce each mutation; count what came of it."""
    study = reliability_folder(folder / "study")
    seal = seal_study(study, to=folder / "good.zip")
    files, content = opened(seal), seal.read_bytes()
    arena = folder / "arena"
    arena.mkdir()
    (arena / "inner").mkdir()
    outside = tree(folder) | {"arena", "arena/inner", "arena/inner/mutant.zip"}
    outcomes: Counter[str] = Counter()
    for number in numbers:
        mutant = arena / "inner" / "mutant.zip"
        kind = mutated(files, content, number, mutant)
        outcome = outcome_of(mutant, arena / "inner" / "again", files)
        outcomes[f"{kind}: {outcome}"] += 1
        new = tree(folder) - outside
        assert all(name.startswith("arena/inner/again") for name in new), (number, new)
        assert outcome == "refused" or written_inside(arena / "inner" / "again"), number
        remove(arena / "inner" / "again")
    return outcomes


def outcome_of(mutant: Path, target: Path, good: dict[str, bytes]) -> str:
    """What came of it; any error but a sentence for a person ends the test."""
    try:
        again = reproduce(mutant, to=target)
    except StudykitError as refusal:
        told = str(refusal)
    else:
        told = ""
    if told:
        assert "Traceback" not in told
        assert not target.exists()
        return "refused"
    if not again.agrees:
        assert again.problems or "differs" in set(again.frame["verdict"])
        return "shown not to agree"
    now = opened(mutant)
    assert {name for name in good if now.get(name) != good[name]} <= CLAIMS | {
        "manifest-sha256.txt",
        "tagmanifest-sha256.txt",
        "bag-info.txt",
    }
    return "agrees"


def tree(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*")}


def written_inside(target: Path) -> bool:
    return {path.name for path in target.iterdir()} == {PAGE, TABLE, STUDY_FOLDER}


def remove(target: Path) -> None:
    for path in sorted(target.rglob("*"), reverse=True):
        path.rmdir() if path.is_dir() else path.unlink()
    if target.exists():
        target.rmdir()


def test_hundreds_of_mutated_seals_are_refused_or_reproduced(tmp_path: Path) -> None:
    outcomes = put_to_the_test(tmp_path, range(MOST_IN_THE_SUITE))
    assert sum(outcomes.values()) == MOST_IN_THE_SUITE
    assert outcomes["bytes: refused"] > 0.9 * MOST_IN_THE_SUITE / 7  # a flipped byte breaks the zip's own sums
    assert outcomes["rehashed: refused"] + outcomes["rehashed: shown not to agree"] > 0.8 * 2 * MOST_IN_THE_SUITE / 7


@pytest.mark.slow
def test_five_thousand_mutated_seals_are_refused_or_reproduced(tmp_path: Path) -> None:
    outcomes = put_to_the_test(tmp_path, range(ALL))
    assert sum(outcomes.values()) == ALL
    (tmp_path / "outcomes.txt").write_text("\n".join(f"{count} {kind}" for kind, count in sorted(outcomes.items())))
