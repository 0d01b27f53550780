"""A name, a birth date and a record number are put into the input and looked for in everything that comes out.

Two files show values by design, because a person cannot mend a cell without seeing it: findings.csv and import_log.csv,
and with them the rows in set_aside/. They stay on the computer of the study. Everything else is looked through here:
what the commands print, the report, the numbers, the findings to share, the seal and what is reproduced from it.
"""

from __future__ import annotations

import base64
import io
import re
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from small_studies import ANGLES_DEG, PROTOCOL, opened, reliability_folder

from studykit.cli import main

CANARIES = ("Zebedee Quillfeather", "14.05.1962", "MRN00482913")
PARTS = ("Quillfeather", "Zebedee", "14.05.1962", "1962-05-14", "MRN00482913", "00482913")
SHOWS_VALUES = {"findings.csv", "import_log.csv", "set_aside"}
READINGS = ("participant_id", "measure", "rater_id", "trial", "value", "note", "Surname")


def study_with_canaries(folder: Path, *, in_codes: bool, spoilt: bool = False) -> Path:
    """Canaries in a note, in a column that the protocol ignores, in words, and on request in the codes of people."""
    codes = [f"P{person}" for person in range(1, 9)]
    if in_codes:
        codes[:3] = CANARIES
    rows = [READINGS]
    for person, angles in enumerate(ANGLES_DEG):
        for rater, angle in enumerate(angles, start=1):
            note = CANARIES[person % 3]
            rows.append((codes[person], "knee_flexion_prone", f"r{rater}", 1, angle, note, CANARIES[0]))  # type: ignore[arg-type]
    if spoilt:
        rows[4] = (codes[1], "knee_flexion_prone", "r2", 1, CANARIES[1], CANARIES[0], CANARIES[0])  # type: ignore[assignment]
        rows.append((CANARIES[2], "knee_flexion_prone", CANARIES[0], "two", 9999, "", ""))  # type: ignore[arg-type]
    people = [("participant_id", "site"), *((code, CANARIES[n % 3]) for n, code in enumerate(codes))]
    raters = [("rater_id", "profession"), ("r1", "nurse"), ("r2", CANARIES[0])]
    protocol = f'{PROTOCOL}\n[intake.tables.measurements]\nignore = ["Surname"]\n'
    return reliability_folder(folder, protocol=protocol, measurements=rows, participants=people, raters=raters)


def assert_no_canary(content: bytes | str, where: str) -> None:
    """Also inside what is packed: zips (Word, sheets, seals), base64 and compressed streams are opened first."""
    raw = content if isinstance(content, bytes) else content.encode()
    for form in opened_up(raw):
        text = form.decode("utf-8", "replace") + form.decode("utf-16-le", "replace")
        for canary in PARTS:
            assert canary not in text, f"{canary} is in {where}"


def opened_up(raw: bytes) -> Iterator[bytes]:
    """The bytes themselves and everything packed in them, however deep."""
    yield raw
    for inner in (*members(raw), *embedded(raw)):
        yield from opened_up(inner)


def members(raw: bytes) -> list[bytes]:
    """Names and contents of the members of a zip, and the compressed streams of a PDF."""
    if raw.startswith(b"PK\x03\x04"):
        with zipfile.ZipFile(io.BytesIO(raw)) as packed:
            return [part for name in packed.namelist() for part in (name.encode(), packed.read(name))]
    if raw.startswith(b"%PDF"):
        streams = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", raw, re.DOTALL)
        return [zlib.decompress(stream) for stream in streams if stream.startswith((b"x\x9c", b"x\xda", b"x^"))]
    return []


def embedded(raw: bytes) -> list[bytes]:
    """Pictures written as base64, and the compressed texts of PNG files."""
    packed = [base64.b64decode(found) for found in re.findall(rb"base64,([A-Za-z0-9+/=]{40,})", raw)]
    for png in [each for each in (raw, *packed) if each.startswith(b"\x89PNG")]:
        for found in re.finditer(b"zTXt|iTXt|tEXt", png):
            tail = png[found.start() : found.start() + 4096]
            packed.append(tail)
            start = tail.find(b"x\x9c")
            if start >= 0:
                packed.append(zlib.decompressobj().decompress(tail[start:]))
    return packed


def assert_nothing_in_folder(folder: Path) -> None:
    found = [path for path in folder.rglob("*") if not SHOWS_VALUES & set(path.relative_to(folder).parts)]
    assert found
    for path in found:
        assert_no_canary(str(path.relative_to(folder)), "the name of a file")
        if path.is_file():
            assert_no_canary(path.read_bytes(), path.name)


def zipped(content: bytes) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("inside", content)
    return buffer.getvalue()


def test_the_search_itself_finds_canaries() -> None:
    for hidden in (
        f"x{CANARIES[0]}x".encode(),
        b"data:image/png;base64," + base64.b64encode(f"a long text that holds {CANARIES[2]}".encode()),
        b"\x89PNG....zTXtComment\0\0" + zlib.compress(CANARIES[0].encode()),
        zipped(zipped(CANARIES[0].encode() * 99)),
        b"%PDF-1.4 stream\n" + zlib.compress(CANARIES[1].encode()) + b"\nendstream",
    ):
        with pytest.raises(AssertionError, match="is in here"):
            assert_no_canary(hidden, "here")


@pytest.mark.parametrize(("in_codes", "spoilt"), [(False, False), (True, True)])
def test_no_canary_in_anything_that_may_be_shared(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], in_codes: bool, spoilt: bool
) -> None:
    study = study_with_canaries(tmp_path / "study", in_codes=in_codes, spoilt=spoilt)
    main(["report", str(study)])
    assert_nothing_in_folder(study / "results")
    printed = capfd.readouterr()
    assert "Traceback" not in printed.out + printed.err
    assert_no_canary(printed.out + printed.err, "what report prints")
    assert main(["seal", str(study)]) == 1
    refused = capfd.readouterr()
    assert "measurements.note: free text in" in refused.err
    assert_no_canary(refused.out + refused.err, "the refusal")
    assert not (study / "seal.zip").exists()
    out = ["--leave-out", "measurements.note", "--leave-out", "participants.site", "--leave-out", "raters.profession"]
    assert main(["seal", str(study), *out, "--new-key", str(tmp_path / "key"), "--to", str(tmp_path / "s.zip")]) == 0
    assert main(["reproduce", str(tmp_path / "s.zip"), "--to", str(tmp_path / "again")]) == 0
    printed = capfd.readouterr()
    assert_no_canary(printed.out + printed.err, "what seal and reproduce print")
    for name, content in opened(tmp_path / "s.zip").items():
        assert_no_canary(content, name)
    assert_no_canary((tmp_path / "s.zip").read_bytes(), "the zip")
    assert_nothing_in_folder(tmp_path / "again")


def test_a_check_of_spoilt_data_prints_no_canary_and_no_traceback(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    study = study_with_canaries(tmp_path / "study", in_codes=True, spoilt=True)
    assert main(["check", str(study)]) == 1
    printed = capfd.readouterr()
    assert "Traceback" not in printed.out + printed.err
    assert_no_canary(printed.out + printed.err, "what check prints")
    assert "is not repeated here" in printed.out  # and the place is named all the same
    assert "row 5, column value" in printed.out
    shareable = (study / "results" / "findings_shareable.csv").read_bytes()
    assert_no_canary(shareable, "the findings to share")


def test_a_key_inside_the_study_folder_is_refused(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    study = reliability_folder(tmp_path / "study")
    (study / "key").write_text("k" * 40, encoding="ascii")
    assert main(["seal", str(study), "--pseudonyms", str(study / "key")]) == 2
    assert "inside the study folder" in capfd.readouterr().err
    (tmp_path / "link").symlink_to(study / "key")
    assert main(["seal", str(study), "--pseudonyms", str(tmp_path / "link")]) == 2
    assert main(["seal", str(study), "--new-key", str(study / "new.key")]) == 2
    (tmp_path / "large").write_bytes(b"x" * 20_000)
    assert main(["seal", str(study), "--pseudonyms", str(tmp_path / "large")]) == 2
    assert not (study / "seal.zip").exists()


def test_a_new_key_is_private_random_and_never_overwritten(tmp_path: Path) -> None:
    study = reliability_folder(tmp_path / "study")
    assert main(["seal", str(study), "--new-key", str(tmp_path / "one")]) == 0
    assert main(["seal", str(study), "--new-key", str(tmp_path / "two")]) == 0
    one, two = (tmp_path / "one").read_bytes(), (tmp_path / "two").read_bytes()
    assert one != two
    assert re.fullmatch(rb"[0-9a-f]{64}\n", one)  # 32 random bytes
    assert (tmp_path / "one").stat().st_mode & 0o077 == 0
    assert main(["seal", str(study), "--new-key", str(tmp_path / "one")]) == 2
    assert (tmp_path / "one").read_bytes() == one
