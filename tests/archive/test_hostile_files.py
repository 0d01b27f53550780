"""Each way in which a file can be made to do harm is refused in a sentence that names it; nothing is written."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from small_studies import closed, hashed_again, opened, plain_zip, reliability_folder

from studykit.archive import reading_safely, reproduce, seal_study
from studykit.archive.names import TOP
from studykit.archive.plain_json import read_json
from studykit.archive.reading_safely import read_seal
from studykit.errors import CallError, DataError, StudykitError

Entry = tuple[zipfile.ZipInfo | str, bytes]


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    return opened(seal_study(reliability_folder(tmp_path_factory.mktemp("good") / "study")))


@pytest.fixture
def entries(good: dict[str, bytes]) -> list[Entry]:
    return [(f"{TOP}/{name}", content) for name, content in good.items()]


def refusal(seal: Path) -> str:
    """The sentence with which a seal is refused; it is an error when anything is left behind."""
    before = set(seal.parent.rglob("*"))
    with pytest.raises(StudykitError) as told:
        reproduce(seal, to=seal.parent / "again")
    assert set(seal.parent.rglob("*")) == before
    return str(told.value)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("../outside.txt", "leads out of its folder"),
        (f"{TOP}/data/../../outside.txt", "leads out of its folder"),
        ("/etc/outside.txt", "absolute path"),
        ("\\\\server\\share\\x", "absolute path"),
        ("C:/outside.txt", "names a drive"),
        ("c:outside.txt", "names a drive"),
        (f"{TOP}\\data\\x.csv", "backslash"),
        (f"{TOP}//data/x.csv", "empty part"),
        (f"{TOP}/./x.csv", "a dot"),
        (f"{TOP}/data /x.csv", "ends in a dot or a blank"),
        (f"{TOP}/data./x.csv", "ends in a dot or a blank"),
        (f"{TOP}/results.json:stream", "colon"),
        (f"{TOP}/\u202egnp.exe", "cannot be seen"),
        (f"{TOP}/a\nb", "cannot be seen"),
        (f"{TOP}/data/tables/extra.csv", "belongs to no seal"),
        (f"{TOP}/data/run.py", "belongs to no seal"),
        (f"{TOP}/data/study.pkl", "belongs to no seal"),
        ("elsewhere/data/study.toml", "belongs to no seal"),
        (f"{TOP}/inner.zip", "belongs to no seal"),
        (f"{TOP}/aux/", "belongs to no seal"),
    ],
)
def test_a_name_that_a_seal_does_not_have_is_refused(
    entries: list[Entry], tmp_path: Path, name: str, words: str
) -> None:
    assert words in refusal(plain_zip([*entries, (zipfile.ZipInfo(name), b"")], tmp_path / "seal.zip"))


def test_a_name_with_a_hidden_end_is_refused(entries: list[Entry], tmp_path: Path) -> None:
    """The standard library cuts a name at a zero byte; the name as it stands in the file is looked at."""
    seal = plain_zip([*entries, (f"{TOP}/bagit.txt_evil", b"")], tmp_path / "seal.zip")
    seal.write_bytes(seal.read_bytes().replace(b"bagit.txt_evil", b"bagit.txt\x00evil"))
    assert "cannot be seen" in refusal(seal)


@pytest.mark.parametrize(
    ("mode", "words"),
    [
        (0o120777, "is a link"),
        (0o020666, "a device"),
        (0o060660, "a device"),
        (0o010644, "a device"),
        (0o140755, "a device"),
    ],
)
def test_links_devices_pipes_and_sockets_are_refused(
    entries: list[Entry], tmp_path: Path, mode: int, words: str
) -> None:
    entry = zipfile.ZipInfo(f"{TOP}/data/README.txt")
    entry.create_system, entry.external_attr = 3, mode << 16
    changed = [(entry, b"/etc/passwd") if name == entry.filename else (name, content) for name, content in entries]
    assert words in refusal(plain_zip(changed, tmp_path / "seal.zip"))


@pytest.mark.parametrize(
    "twin",
    [
        f"{TOP}/data/study.toml",
        f"{TOP}/data/STUDY.TOML",
        f"{TOP}/data/ſtudy.toml",  # the long s, which becomes an s in capitals
        f"{TOP}/data/study\uff0etoml",  # a wide full stop, which one normal form makes a plain one
    ],
)
@pytest.mark.filterwarnings("ignore:Duplicate name")  # the standard library warns while the trap is being built
def test_names_that_some_system_takes_for_one_are_refused(entries: list[Entry], tmp_path: Path, twin: str) -> None:
    assert "twice" in refusal(plain_zip([*entries, (twin, b"x")], tmp_path / "seal.zip"))


def test_accents_in_two_forms_are_one_name(entries: list[Entry], tmp_path: Path) -> None:
    both = [(f"{TOP}/caf\u00e9", b"x"), (f"{TOP}/cafe\u0301", b"x")]
    assert "twice" in refusal(plain_zip([*entries, *both], tmp_path / "seal.zip"))


def test_a_bomb_by_ratio_is_refused_before_it_is_unpacked(entries: list[Entry], tmp_path: Path) -> None:
    swollen = [(name, content + b"\n" * 50_000_000 if "README" in str(name) else content) for name, content in entries]
    seal = plain_zip(swollen, tmp_path / "seal.zip", zipfile.ZIP_DEFLATED)
    assert seal.stat().st_size < 200_000  # 50 MB in less than 0.2 MB
    assert "more than 100 times its size" in refusal(seal)


def test_a_bomb_by_count_is_refused(entries: list[Entry], tmp_path: Path) -> None:
    many = [(f"{TOP}/data/tables/t{number}.csv", b"") for number in range(5_000)]
    assert "at most 64" in refusal(plain_zip([*entries, *many], tmp_path / "seal.zip"))


def test_a_bomb_by_size_is_refused(entries: list[Entry], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With a lower limit, so that the test does not write 256 MB: once for the file and once for what is in it."""
    seal = plain_zip(entries, tmp_path / "seal.zip")
    monkeypatch.setattr(reading_safely, "MOST_BYTES", seal.stat().st_size - 1)
    assert "a seal has at most" in refusal(seal)
    packed = plain_zip(entries, tmp_path / "seal.zip", zipfile.ZIP_DEFLATED)
    monkeypatch.setattr(reading_safely, "MOST_BYTES", packed.stat().st_size)
    assert "would unpack to" in refusal(packed)


def test_entries_that_share_their_bytes_are_refused(good: dict[str, bytes], tmp_path: Path) -> None:
    """The directory of the zip lists one stored file under every name, as overlapping bombs do."""
    seal = plain_zip([(f"{TOP}/{name}", content) for name, content in good.items()], tmp_path / "seal.zip")
    with zipfile.ZipFile(seal, "a") as archive:
        largest = max(archive.infolist(), key=lambda entry: entry.file_size)
        for entry in archive.infolist():
            entry.header_offset, entry.CRC = largest.header_offset, largest.CRC
            entry.file_size = entry.compress_size = largest.file_size
        archive._didModify = True
    assert "is refused" in refusal(seal)


def test_a_size_that_lies_is_refused(entries: list[Entry], tmp_path: Path) -> None:
    seal = plain_zip(entries, tmp_path / "seal.zip", zipfile.ZIP_DEFLATED)
    with zipfile.ZipFile(seal, "a") as archive:
        for entry in archive.infolist():
            entry.file_size += 7
        archive._didModify = True
    assert "is refused" in refusal(seal)


def test_something_before_or_behind_the_zip_is_refused(entries: list[Entry], tmp_path: Path) -> None:
    seal = plain_zip(entries, tmp_path / "seal.zip")
    content = seal.read_bytes()
    seal.write_bytes(b"#!/bin/sh\necho run me\n" + content)
    assert "before or behind" in refusal(seal)
    seal.write_bytes(content)
    with zipfile.ZipFile(seal, "a") as archive:
        archive.comment = b"read me"
    assert "before or behind" in refusal(seal)


@pytest.mark.parametrize("kept", [0.0, 0.1, 0.5, 0.9, 0.999])
def test_a_truncated_file_is_refused(entries: list[Entry], tmp_path: Path, kept: float) -> None:
    content = plain_zip(entries, tmp_path / "seal.zip").read_bytes()
    (tmp_path / "seal.zip").write_bytes(content[: int(kept * len(content))])
    assert "no zip or a damaged one" in refusal(tmp_path / "seal.zip")


def test_a_wrong_sum_in_the_zip_itself_is_refused(entries: list[Entry], tmp_path: Path) -> None:
    seal = plain_zip(entries, tmp_path / "seal.zip")
    seal.write_bytes(seal.read_bytes().replace(b"P1,knee_flexion_prone,r1,1,118", b"P1,knee_flexion_prone,r1,1,119"))
    assert "damaged" in refusal(seal)


def test_an_archive_inside_is_refused(good: dict[str, bytes], tmp_path: Path) -> None:
    inner = plain_zip([("x", b"x")], tmp_path / "inner.zip").read_bytes()
    changed = hashed_again({**good, "data/tables/raters.csv": inner})
    assert "is an archive itself" in refusal(closed(changed, tmp_path / "seal.zip"))


@pytest.mark.parametrize("missing", ["data/results.json", "manifest-sha256.txt", "data/tables/measurements.csv"])
def test_a_missing_part_is_refused(good: dict[str, bytes], tmp_path: Path, missing: str) -> None:
    rest = {name: content for name, content in good.items() if name != missing}
    assert f"the first: {missing}" in refusal(closed(rest, tmp_path / "seal.zip"))


def test_an_encrypted_part_and_a_foreign_method_are_refused(entries: list[Entry], tmp_path: Path) -> None:
    assert "packed in a way" in refusal(plain_zip(entries, tmp_path / "seal.zip", zipfile.ZIP_LZMA))
    seal = plain_zip(entries, tmp_path / "seal.zip")
    with zipfile.ZipFile(seal, "a") as archive:
        archive.infolist()[0].flag_bits |= 1
        archive._didModify = True
    assert "encrypted" in refusal(seal)


@pytest.mark.parametrize(
    ("part", "content", "words"),
    [
        ("results.json", b"{" * 100_000, "deep"),
        ("results.json", b'{"a":' * 5_000 + b"1" + b"}" * 5_000, "deep"),
        ("results.json", b"[" + b'"x",' * 6_000_000 + b'"x"]', "more than 20,000,000 bytes"),
        ("results.json", b'{"answers": {"a": {"numbers": {"x": NaN}}}}', "NaN"),
        ("results.json", b'{"answers": {"a": {"numbers": {"x": -Infinity}}}}', "Infinity"),
        ("results.json", b'{"answers": {"a": {"numbers": {"x": 1e999}}}}', "too large"),
        ("results.json", b'{"x": ' + b"9" * 5_000 + b"}", "18 digits"),
        ("results.json", b'{"x": 1, "x": 2}', "twice"),
        ("results.json", b"[1, 2]", "does not hold an object"),
        ("results.json", b"{}", "form in which the kit writes results"),
        ("results.json", b'"' + b"\\" * 1_000_001, "no JSON"),
        ("results.json", b"\xff\xfe{}", "not UTF-8"),
        ("environment.json", b"{}", "which version"),
        ("environment.json", b'{"studykit": "0.1.0\\u0000"}', "which version"),
        ("sealing.json", b'{"dates": "tomorrow"}', "how dates are given"),
        ("study.toml", b"a = " + b"[" * 10_000, "deep"),
        ("study.toml", b"# " + b"x" * 1_100_000, "larger than"),
        ("study.toml", b"x = " + b"9" * 5_000, "study.toml"),
        ("study.toml", b"\x00\x01", "study.toml"),
        ("tables/measurements.csv", b"\x00" * 100, "cannot be recomputed"),
        ("tables/measurements.csv", b'"' + b"a,\n" * 10_000, "cannot be recomputed"),
    ],
)
def test_huge_deep_and_broken_parts_are_refused(
    good: dict[str, bytes], tmp_path: Path, part: str, content: bytes, words: str
) -> None:
    """With manifests that fit, so that only the reading of the part itself stands in the way."""
    told = refusal(closed(hashed_again({**good, f"data/{part}": content}), tmp_path / "seal.zip"))
    assert words in told


def test_json_of_the_worst_kind_takes_no_longer_than_its_size(tmp_path: Path) -> None:
    """Millions of quotation marks that never close, each behind a backslash, must not take quadratic time."""
    with pytest.raises(DataError, match="no JSON"):
        read_json(b'{"' + b'\\"' * 3_000_000, name="results.json")


@pytest.mark.parametrize("cell", ["=1+1", "+cmd|x", "-2+3", "@SUM(A1)", "=HYPERLINK(A1)"])
def test_a_cell_that_begins_a_formula_is_named_and_never_reaches_the_table(
    good: dict[str, bytes], tmp_path: Path, cell: str
) -> None:
    """In the tables it is refused by name; as the key of a number it is written as text."""
    raters = f"rater_id,profession\nr1,{cell}\nr2,nurse\n".encode()
    seal = closed(hashed_again({**good, "data/tables/raters.csv": raters}), tmp_path / "tables.zip")
    again = reproduce(seal, to=tmp_path / "again")
    assert not again.agrees
    assert any("begin like a formula" in problem for problem in again.problems)
    results = json.loads(good["data/results.json"])
    first = next(iter(results["answers"]))
    results["answers"][first]["numbers"][cell] = 1.0
    results["rows"][cell] = {"in": 1}
    changed = hashed_again({**good, "data/results.json": json.dumps(results).encode()})
    again = reproduce(closed(changed, tmp_path / "results.zip"), to=tmp_path / "again")
    assert not again.agrees
    for line in again.table.read_text(encoding="utf-8-sig").splitlines():
        assert not line.strip('"').startswith(("=", "+", "-", "@"))


def test_a_page_is_text_whatever_the_seal_calls_its_numbers(good: dict[str, bytes], tmp_path: Path) -> None:
    results = json.loads(good["data/results.json"])
    first = next(iter(results["answers"]))
    results["answers"][first]["numbers"]["<script>alert(1)</script>"] = 1.0
    changed = hashed_again({**good, "data/results.json": json.dumps(results).encode()})
    again = reproduce(closed(changed, tmp_path / "seal.zip"), to=tmp_path / "again")
    page = again.page.read_text(encoding="utf-8")
    assert "<script" not in page
    assert "&lt;script&gt;" in page


def test_things_that_are_no_files_are_refused(tmp_path: Path) -> None:
    for place in (tmp_path, Path("/dev/zero"), tmp_path / "nothing.zip", tmp_path / ("x" * 5_000)):
        with pytest.raises(DataError):
            read_seal(place)
    (tmp_path / "empty.zip").write_bytes(zipped_nothing())
    with pytest.raises(DataError, match="holds nothing"):
        read_seal(tmp_path / "empty.zip")


def zipped_nothing() -> bytes:
    """A zip without entries: the end-of-directory record alone."""
    return b"PK\x05\x06" + b"\x00" * 18


@pytest.mark.parametrize("prepare", [lambda to: to.write_text("x"), lambda to: (to.mkdir(), (to / "mine").touch())])
def test_a_target_that_holds_something_else_is_left_alone(
    good: dict[str, bytes], tmp_path: Path, prepare: Callable[[Path], object]
) -> None:
    target = tmp_path / "precious"
    prepare(target)
    with pytest.raises(CallError):
        reproduce(closed(good, tmp_path / "seal.zip"), to=target)
    assert target.exists()


def test_a_link_as_target_is_not_followed(good: dict[str, bytes], tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(CallError):
        reproduce(closed(good, tmp_path / "seal.zip"), to=tmp_path / "link")
    assert not any((tmp_path / "elsewhere").iterdir())


def test_a_seal_that_was_zipped_again_by_other_software_is_accepted(entries: list[Entry], tmp_path: Path) -> None:
    """Compressed, with entries for folders and without modes, as common tools write: nothing of that matters."""
    folders: list[Entry] = [(f"{TOP}/{name}", b"") for name in ("", "data/", "data/tables/")]
    seal = plain_zip([*folders, *reversed(entries)], tmp_path / "seal.zip", zipfile.ZIP_DEFLATED)
    assert reproduce(seal, to=tmp_path / "again").agrees
