"""One changed digit is caught and named; what agrees is shown to agree; older seals are explained."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pandas as pd
import pytest
from small_studies import closed, hashed_again, opened, reliability_folder

from studykit import __version__
from studykit.archive import Reproduction, reproduce, seal_study
from studykit.cli import main
from studykit.data import check_study
from studykit.errors import DataError


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    return opened(seal_study(reliability_folder(tmp_path_factory.mktemp("good") / "study")))


def again(files: dict[str, bytes], folder: Path) -> Reproduction:
    return reproduce(closed(files, folder / "seal.zip"), to=folder / "again")


def exchanged(files: dict[str, bytes], part: str, before: bytes, after: bytes) -> dict[str, bytes]:
    content = files[f"data/{part}"]
    assert before in content
    return {**files, f"data/{part}": content.replace(before, after, 1)}


def test_every_number_comes_out_again(good: dict[str, bytes], tmp_path: Path) -> None:
    outcome = again(good, tmp_path)
    assert outcome.agrees
    assert not outcome.problems
    assert set(outcome.frame["verdict"]) == {"same"}
    assert set(outcome.frame["digits_in_common"]) == {17}
    sealed = json.loads(good["data/results.json"])
    count = sum(len(entry["numbers"]) for entry in sealed["answers"].values()) + 3 * len(sealed["rows"])
    assert len(outcome.frame) == count
    assert outcome.headline == f"All {count} numbers came out again, digit for digit."


def test_the_study_is_unpacked_as_a_folder_that_can_be_worked_with(good: dict[str, bytes], tmp_path: Path) -> None:
    outcome = again(good, tmp_path)
    checked = check_study(outcome.study)
    assert checked.study is not None
    assert checked.study.data_sha256 == json.loads(good["data/results.json"])["provenance"]["data_sha256"]
    assert main(["check", str(outcome.study)]) == 0


def test_one_changed_digit_in_the_data_is_named(good: dict[str, bytes], tmp_path: Path) -> None:
    changed = exchanged(
        good, "tables/measurements.csv", b"P3,knee_flexion_prone,r1,1,131", b"P3,knee_flexion_prone,r1,1,132"
    )
    outcome = again(changed, tmp_path)
    assert not outcome.agrees
    assert any("data/tables/measurements.csv was changed after it was sealed" in told for told in outcome.problems)
    moved = outcome.frame[outcome.frame["verdict"] == "differs"]
    assert moved["key"].str.contains("icc").any()  # the numbers that moved are named, not only the file
    hidden = again(hashed_again(changed), tmp_path)  # manifests made to fit
    assert not hidden.agrees
    assert any("tables are not the ones" in told for told in hidden.problems)
    assert hidden.frame.equals(outcome.frame)


def test_a_changed_cell_on_which_no_number_depends_is_caught_as_well(tmp_path: Path) -> None:
    raters = [("rater_id", "experience_years"), ("r1", 4), ("r2", 11)]
    files = opened(seal_study(reliability_folder(tmp_path / "study", raters=raters)))
    changed = hashed_again(exchanged(files, "tables/raters.csv", b"r2,11", b"r2,12"))
    outcome = again(changed, tmp_path)
    assert set(outcome.frame["verdict"]) == {"same"}
    assert not outcome.agrees
    assert any("tables are not the ones" in told for told in outcome.problems)


def test_one_changed_digit_in_the_protocol_is_named(good: dict[str, bytes], tmp_path: Path) -> None:
    changed = exchanged(good, "study.toml", b"confidence = 0.95", b"confidence = 0.94")
    outcome = again(changed, tmp_path)
    assert any("data/study.toml was changed after it was sealed" in told for told in outcome.problems)
    assert outcome.frame.loc[outcome.frame["verdict"] == "differs", "key"].str.contains("low|high").any()
    hidden = again(hashed_again(changed), tmp_path)
    assert any("protocol is not the one" in told for told in hidden.problems)
    silent = exchanged(good, "study.toml", b"smallest_group = 5", b"smallest_group = 6")  # moves no number
    assert any("protocol is not the one" in told for told in again(hashed_again(silent), tmp_path).problems)


def test_one_changed_digit_in_the_results_is_named_by_its_key(good: dict[str, bytes], tmp_path: Path) -> None:
    found = re.search(rb'"(icc[a-z_0-9]*)": (0\.\d+)', good["data/results.json"])
    assert found
    digits = found[2]
    last = str((int(digits[5:6]) + 1) % 10).encode()
    changed = exchanged(good, "results.json", found[0], found[0].replace(digits, digits[:5] + last + digits[6:]))
    for files in (changed, hashed_again(changed)):
        outcome = again(files, tmp_path)
        moved = outcome.frame[outcome.frame["verdict"] == "differs"]
        assert len(moved) == 1
        assert moved["key"].iloc[0].endswith(found[1].decode())
        assert moved["digits_in_common"].iloc[0] <= 4  # the fourth decimal was changed
        assert moved["key"].iloc[0] in outcome.headline
        assert not outcome.agrees


def test_a_digit_far_behind_the_point_agrees_and_is_still_shown(good: dict[str, bytes], tmp_path: Path) -> None:
    """A relative change of 1e-9 is within the tolerance: such a seal may come from another machine."""
    results = json.loads(good["data/results.json"])
    key, entry = next(iter(results["answers"].items()))
    name = next(name for name, value in entry["numbers"].items() if value and abs(value) > 0.1)
    entry["numbers"][name] *= 1 + 1e-9
    changed = hashed_again(
        {**good, "data/results.json": (json.dumps(results, indent=1, ensure_ascii=False) + "\n").encode()}
    )
    outcome = again(changed, tmp_path)
    line = outcome.frame.set_index("key").loc[f"answers.{key}.{name}"]
    assert line["verdict"] == "agrees"
    assert line["digits_in_common"] in (8, 9)


def test_changed_words_are_caught(good: dict[str, bytes], tmp_path: Path) -> None:
    changed = exchanged(good, "results.json", b'"headline": "', b'"headline": "Certainly: ')
    outcome = again(hashed_again(changed), tmp_path)
    assert any("headline" in told for told in outcome.problems)
    changed = exchanged(good, "README.txt", b"no diagnosis", b"a diagnosis")
    assert any(
        "README.txt is not what the kit writes" in told for told in again(hashed_again(changed), tmp_path).problems
    )


def test_a_number_taken_out_or_put_in_is_named(good: dict[str, bytes], tmp_path: Path) -> None:
    results = json.loads(good["data/results.json"])
    key, entry = next(iter(results["answers"].items()))
    gone = next(iter(entry["numbers"]))
    del entry["numbers"][gone]
    entry["numbers"]["invented"] = 1.5
    outcome = again(hashed_again({**good, "data/results.json": json.dumps(results).encode()}), tmp_path)
    verdicts = outcome.frame.set_index("key")["verdict"]
    assert verdicts[f"answers.{key}.{gone}"] == "only computed now"
    assert verdicts[f"answers.{key}.invented"] == "only in the seal"
    assert not outcome.agrees


def test_rows_that_break_a_rule_cannot_come_from_a_seal(good: dict[str, bytes], tmp_path: Path) -> None:
    changed = exchanged(good, "tables/measurements.csv", b"r1,1,131", b"r1,1,9131")
    with pytest.raises(DataError, match="1 rows of measurements break a rule"):
        again(hashed_again(changed), tmp_path)


def by_an_older_kit(files: dict[str, bytes], factor: float) -> dict[str, bytes]:
    """A seal as version 0.0.9 would have left it: its version everywhere, and every MDC another."""
    results = json.loads(files["data/results.json"])
    results["provenance"]["versions"]["studykit"] = "0.0.9"
    for entry in results["answers"].values():
        entry["numbers"] = {
            name: value * factor if name.startswith("mdc") and value is not None else value
            for name, value in entry["numbers"].items()
        }
    environment = json.loads(files["data/environment.json"]) | {"studykit": "0.0.9"}
    parts = {"data/results.json": results, "data/environment.json": environment}
    return hashed_again({**files, **{name: json.dumps(part).encode() for name, part in parts.items()}})


def test_numbers_that_moved_since_an_older_version_are_explained_by_a_release_note(
    good: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    notes = {__version__: {"said": "x", "moved": [{"numbers": "answers.*.mdc*", "why": "The MDC counts both limbs."}]}}
    monkeypatch.setattr("studykit.archive.release_notes.release_notes", lambda: notes)
    outcome = again(by_an_older_kit(good, 1.5), tmp_path)
    moved = outcome.frame[outcome.frame["verdict"] == "differs"]
    assert len(moved) > 0
    assert moved["key"].str.contains("mdc").all()
    assert set(moved["explanation"]) == {f"{__version__}: The MDC counts both limbs."}
    assert not outcome.agrees  # explained is not the same as reproduced
    page = outcome.page.read_text(encoding="utf-8")
    assert "sealed by studykit 0.0.9" in page
    assert "The MDC counts both limbs." in page


def test_an_older_seal_in_which_nothing_moved_agrees(good: dict[str, bytes], tmp_path: Path) -> None:
    outcome = again(by_an_older_kit(good, 1.0), tmp_path)
    assert outcome.agrees
    assert outcome.sealed_by == "0.0.9"
    assert "No number moved between the two" in outcome.page.read_text(encoding="utf-8")


def test_table_and_page_show_every_number(good: dict[str, bytes], tmp_path: Path) -> None:
    outcome = again(good, tmp_path)
    table = pd.read_csv(outcome.table)
    assert list(table.columns) == ["key", "sealed", "recomputed", "digits_in_common", "verdict", "explanation"]
    assert len(table) == len(outcome.frame)
    page = outcome.page.read_text(encoding="utf-8")
    for answer, entry in json.loads(good["data/results.json"])["answers"].items():
        start = page.index(f"<caption>answers.{answer}</caption>")
        table_of_answer = page[start : page.index("</table>", start)]
        for name in entry["numbers"]:
            assert f">{name}</th>" in table_of_answer
    assert "one part in a million" in page
    for forbidden in ("<script", "http://", "https://", "<link", "@import", "url("):
        assert forbidden not in page


def test_a_second_run_replaces_the_first_and_nothing_else(good: dict[str, bytes], tmp_path: Path) -> None:
    first = again(good, tmp_path)
    (first.page.parent / "study" / "left.txt").touch()
    second = again(good, tmp_path)
    assert sorted(path.name for path in second.page.parent.iterdir()) == [
        "reproduction.csv",
        "reproduction.html",
        "study",
    ]
    assert not (second.study / "left.txt").exists()
    assert first.page.read_bytes() == second.page.read_bytes()


def test_commands_seal_and_reproduce_with_their_exit_codes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    study = reliability_folder(tmp_path / "study")
    assert main(["seal", str(study), "--new-key", str(tmp_path / "key"), "--to", str(tmp_path / "s.zip")]) == 0
    assert main(["reproduce", str(tmp_path / "s.zip")]) == 0
    assert "came out again" in capsys.readouterr().out
    assert (tmp_path / "s_reproduced" / "reproduction.html").is_file()
    changed = exchanged(opened(tmp_path / "s.zip"), "results.json", b'"in": 16', b'"in": 17')
    assert main(["reproduce", str(closed(changed, tmp_path / "t.zip")), "--to", str(tmp_path / "t")]) == 1
    (tmp_path / "u.zip").write_bytes(b"no zip")
    assert main(["reproduce", str(tmp_path / "u.zip")]) == 1
    assert main(["reproduce", str(tmp_path / "s.zip"), "--to", str(study)]) == 2
    assert main(["seal", str(tmp_path / "no_study")]) == 2
    assert main(["seal", str(study), "--bands", "participants.age_years"]) == 2
    assert main(["seal", str(study), "--pseudonyms", str(tmp_path / "no_key")]) == 2
    shown = capsys.readouterr()
    assert "Traceback" not in shown.out + shown.err


def test_a_study_with_study_days_and_pseudonyms_comes_out_again(tmp_path: Path) -> None:
    source = Path(__file__).parents[2] / "synthetic_data" / "clinic_audit"
    shutil.copytree(source, tmp_path / "study")
    left = [f"{table}.{name}" for table, name in (("events", "description"), ("participants", "sex"))]
    left += ["participants.height_cm", "participants.mass_kg"]
    words = [word for name in left for word in ("--leave-out", name)]
    bands = ["--bands", "participants.age_years=20"]
    to = ["--to", str(tmp_path / "s.zip")]
    assert (
        main(["seal", str(tmp_path / "study"), "--study-days", "--new-key", str(tmp_path / "k"), *words, *bands, *to])
        == 0
    )
    outcome = reproduce(tmp_path / "s.zip", to=tmp_path / "again")
    assert outcome.agrees
    first = opened(tmp_path / "s.zip")["data/tables/measurements.csv"].decode().splitlines()
    assert "measured_day" in first[0]
    assert all(line.startswith("p1_") for line in first[1:])
