"""What a seal is made of: its bytes, its standards, and what reads them besides the kit."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import zipfile
from datetime import date
from pathlib import Path

import bagit
import pytest
from rocrate.rocrate import ROCrate
from small_studies import PROTOCOL, opened, reliability_folder

from studykit.archive import new_key, seal_study
from studykit.archive.names import TOP
from studykit.data import check_study
from studykit.errors import CallError, DataError
from studykit.protocol import parse_protocol, protocol_sha256
from studykit.report.numbers import results_document

ROOT = Path(__file__).parents[2]
FERRY_CHOICES = {
    "dates": "study days",
    "leave_out": [
        "events.description",
        "flow.reason",
        "participants.sex",
        "participants.site",
        "participants.height_cm",
        "participants.mass_kg",
        "participants.walking_h_per_week",
    ],
    "coarsen": {"participants.age_years": 10},
}


@pytest.fixture(scope="module")
def ferry_seal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The made-up trial with all seven tables, sealed with study days and pseudonyms."""
    place = tmp_path_factory.mktemp("ferry")
    shutil.copytree(ROOT / "synthetic_data" / "ferry_trial", place / "study")
    key = new_key(place / "secret.key")
    return seal_study(place / "study", to=place / "ferry.zip", pseudonyms=key, **FERRY_CHOICES)


def test_two_runs_give_the_same_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = seal_study(reliability_folder(tmp_path / "one")).read_bytes()
    monkeypatch.setenv("TZ", "Pacific/Kiritimati")
    time.tzset()
    second = seal_study(reliability_folder(tmp_path / "two words"), to=tmp_path / "other.zip").read_bytes()
    monkeypatch.undo()
    time.tzset()
    assert first == second


def test_the_order_in_which_a_system_lists_files_does_not_matter(tmp_path: Path) -> None:
    """A second interpreter whose listings come backwards, with another hash seed, stands for another file system."""
    study = reliability_folder(tmp_path / "study")
    here = seal_study(study, to=tmp_path / "here.zip").read_bytes()
    backwards = (
        "import os, sys\n"
        "from pathlib import Path\n"
        "plain = os.listdir\n"
        "os.listdir = lambda *a: sorted(plain(*a), reverse=True)\n"
        "inner = Path.iterdir\n"
        "Path.iterdir = lambda self: iter(sorted(inner(self), reverse=True))\n"
        "from studykit.archive import seal_study\n"
        f"seal_study(Path({str(study)!r}), to=Path({str(tmp_path / 'there.zip')!r}))\n"
    )
    environment = {**os.environ, "PYTHONHASHSEED": "12345"}
    subprocess.run([sys.executable, "-c", backwards], check=True, cwd=ROOT, env=environment)
    assert (tmp_path / "there.zip").read_bytes() == here


MEMORY = Path("/dev") / "shm"


@pytest.mark.skipif(not os.access(MEMORY, os.W_OK), reason="no file system in memory on this machine")
def test_a_second_file_system_gives_the_same_bytes(tmp_path: Path) -> None:
    """A file system in memory lists files in another order and keeps other times than one on a disk."""
    here = seal_study(reliability_folder(tmp_path / "study"), to=tmp_path / "here.zip").read_bytes()
    with tempfile.TemporaryDirectory(dir=MEMORY) as memory:
        there = Path(memory)
        assert os.statvfs(there).f_fsid != os.statvfs(tmp_path).f_fsid
        assert seal_study(reliability_folder(there / "study"), to=there / "there.zip").read_bytes() == here


def test_date_comes_from_the_caller_or_source_date_epoch_and_never_from_today(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = reliability_folder(tmp_path / "study")
    monkeypatch.delenv("SOURCE_DATE_EPOCH", raising=False)
    assert b"Bagging-Date: 1980-01-01" in opened(seal_study(study))["bag-info.txt"]
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "86400")  # the second day of 1970, by the definition of the epoch
    assert b"Bagging-Date: 1970-01-02" in opened(seal_study(study))["bag-info.txt"]
    files = opened(seal_study(study, dated=date(2026, 3, 1)))
    assert b"Bagging-Date: 2026-03-01" in files["bag-info.txt"]
    root = json.loads(files["data/ro-crate-metadata.json"])["@graph"][1]
    assert root["datePublished"] == "2026-03-01"
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "yesterday")
    with pytest.raises(CallError, match="whole number of seconds"):
        seal_study(study)


def test_bag_is_valid_for_an_independent_reader(ferry_seal: Path, tmp_path: Path) -> None:
    """bagit 1.9 (Library of Congress) checks RFC 8493: manifests, tag manifest, Oxum, completeness."""
    with zipfile.ZipFile(ferry_seal) as archive:
        archive.extractall(tmp_path)
    bag = bagit.Bag(str(tmp_path / TOP))
    bag.validate()
    assert bag.version_info == (1, 0)
    assert bag.algorithms == ["sha256"]
    assert bag.info["Payload-Oxum"].endswith(f".{len(list(bag.payload_files()))}")


def test_crate_is_read_by_an_independent_reader(ferry_seal: Path, tmp_path: Path) -> None:
    """rocrate 0.16 opens the payload as an RO-Crate 1.2 and finds every file described, with the study as its root."""
    with zipfile.ZipFile(ferry_seal) as archive:
        archive.extractall(tmp_path)
    payload = tmp_path / TOP / "data"
    crate = ROCrate(str(payload))
    assert crate.version == "1.2"
    assert crate.name == "Calf stretching on the ferries: how long and how often?"
    described = {entity.id for entity in crate.data_entities}
    there = {path.relative_to(payload).as_posix() for path in payload.rglob("*") if path.is_file()}
    assert described == there - {"ro-crate-metadata.json"}
    assert {crate.dereference("./")[name] for name in ("datePublished",)} == {"1980-01-01"}
    assert crate.dereference("./")["license"]


VALIDATE = """
import json, sys
from frictionless import Package
report = Package(sys.argv[1]).validate()
errors = [task.errors for task in report.tasks]
print(json.dumps([report.valid, len(report.tasks), report.flatten(["title", "message"])[:5]]))
"""


def frictionless_says(package: Path) -> tuple[bool, int, list[list[str]]]:
    """Validate in a process of its own: frictionless 5.21 warns about its own dependencies, and warnings are errors."""
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", VALIDATE, package.name],
        check=True,
        capture_output=True,
        text=True,
        cwd=package.parent,
    )
    valid, tables, errors = json.loads(done.stdout.splitlines()[-1])
    return bool(valid), int(tables), errors


def test_tables_are_a_valid_data_package(ferry_seal: Path, tmp_path: Path) -> None:
    """frictionless reads every table by its schema: types, required cells, words, ranges, keys and hashes."""
    with zipfile.ZipFile(ferry_seal) as archive:
        archive.extractall(tmp_path)
    package = tmp_path / TOP / "data" / "datapackage.json"
    assert frictionless_says(package) == (True, 7, [])
    table = package.parent / "tables" / "diary.csv"
    table.write_text(table.read_text(encoding="utf-8").replace(",30,", ",soon,", 1), encoding="utf-8")
    valid, _, errors = frictionless_says(package)
    assert not valid
    assert any("Type" in title for title, _ in errors)  # the schema is really looked at


def test_schema_describes_study_days_units_words_and_keys(ferry_seal: Path) -> None:
    package = json.loads(opened(ferry_seal)["data/datapackage.json"])
    tables = {resource["name"]: resource["schema"] for resource in package["resources"]}
    fields = {(table, field["name"]): field for table, schema in tables.items() for field in schema["fields"]}
    assert fields["measurements", "measured_day"]["type"] == "integer"
    assert ("participants", "height_cm") not in fields  # left out, so it is not there at all
    assert fields["participants", "age_years"]["unit"] == "years"
    assert fields["measurements", "side"]["constraints"]["enum"] == ["left", "right"]
    assert fields["measurements", "warmed_up"]["trueValues"] == ["yes"]
    assert tables["participants"]["primaryKey"] == "participant_id"
    assert tables["measurements"]["foreignKeys"][0]["reference"]["resource"] == "participants"


def test_seal_holds_no_program_and_nothing_of_this_computer(ferry_seal: Path, tmp_path: Path) -> None:
    files = opened(ferry_seal)
    assert {Path(name).suffix for name in files} == {".txt", ".csv", ".json", ".toml"}
    whole = b"\n".join(files.values())
    for of_this_computer in (os.uname().nodename, str(Path.home()), str(ferry_seal.parent), str(ROOT)):
        assert not re.search(rb"(?<!\w)" + re.escape(of_this_computer.encode()) + rb"(?!\w)", whole)
    key = (ferry_seal.parent / "secret.key").read_text(encoding="ascii").strip()
    assert key.encode() not in whole
    with zipfile.ZipFile(ferry_seal) as archive:
        entries = archive.infolist()
    assert {entry.date_time for entry in entries} == {(1980, 1, 1, 0, 0, 0)}
    assert {entry.compress_type for entry in entries} == {zipfile.ZIP_STORED}
    assert [entry.filename for entry in entries] == sorted(entry.filename for entry in entries)


def test_sealed_numbers_are_those_of_the_report(tmp_path: Path) -> None:
    """Nothing was changed before sealing, so the sealed results are the report's, digit for digit."""
    from studykit.answers import answer  # heavy, and needed here alone

    study = reliability_folder(tmp_path / "study")
    sealed = json.loads(opened(seal_study(study))["data/results.json"])
    checked = check_study(study)
    assert checked.study is not None
    document = results_document(checked, answer(checked.study))
    assert sealed["answers"] == document["answers"]
    assert sealed["rows"] == document["rows"]
    assert sealed["provenance"]["data_sha256"] == checked.study.data_sha256


def test_readme_says_what_it_is_in_plain_language(ferry_seal: Path) -> None:
    page = opened(ferry_seal)["data/README.txt"].decode()
    for sentence in (
        "studykit reproduce FILE.zip",
        "Made-up data",
        "Dates are study days",
        "keyed pseudonyms; the key is not in here",
        "participants.age_years is the middle of a band 10 wide",
        "It bears no signature",
        "no diagnosis and no treatment advice",
    ):
        assert sentence in " ".join(page.split())
    assert max(map(len, page.splitlines())) <= 100


def test_sealed_protocol_decides_the_same_and_needs_no_catalogue(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = opened(seal_study(reliability_folder(tmp_path / "study")))["data/study.toml"].decode()
    planned = protocol_sha256(parse_protocol(PROTOCOL))
    assert protocol_sha256(parse_protocol(text)) == planned
    monkeypatch.setattr("studykit.protocol.catalogue.shipped_measures", dict)
    assert protocol_sha256(parse_protocol(text)) == planned  # also when a later catalogue says something else


def test_a_target_among_the_data_or_nowhere_is_refused(tmp_path: Path) -> None:
    study = reliability_folder(tmp_path / "study")
    with pytest.raises(CallError, match="among the data"):
        seal_study(study, to=study / "data" / "seal.zip")
    with pytest.raises(CallError, match="There is no folder"):
        seal_study(study, to=tmp_path / "nowhere" / "seal.zip")
    assert seal_study(study, to=tmp_path) == tmp_path / "seal.zip"


def test_a_cell_that_begins_like_a_formula_is_not_sealed(tmp_path: Path) -> None:
    people = [("participant_id", "site"), *((f"P{n}", "=1+1") for n in range(1, 9))]
    study = reliability_folder(tmp_path / "study", participants=people)
    with pytest.raises(DataError, match=r"8 cells of participants\.site begin like a formula") as refusal:
        seal_study(study)
    assert "=1+1" not in str(refusal.value)
    assert not (study / "seal.zip").exists()
    assert seal_study(study, leave_out=["participants.site"]).is_file()


def test_a_study_that_cannot_be_checked_is_not_sealed(tmp_path: Path) -> None:
    study = reliability_folder(tmp_path / "study")
    (study / "data" / "measurements.csv").unlink()
    with pytest.raises(DataError, match="studykit check"):
        seal_study(study)


def test_a_legend_of_the_pseudonyms_is_written_outside_the_study(tmp_path: Path) -> None:
    study = reliability_folder(tmp_path / "study")
    with pytest.raises(CallError, match="without a key there are none"):
        seal_study(study, legend=tmp_path / "legend.csv")
    key = new_key(tmp_path / "key")
    sealed = seal_study(study, to=tmp_path / "seal.zip", pseudonyms=key, legend=tmp_path / "legend.csv")
    lines = (tmp_path / "legend.csv").read_text(encoding="utf-8").splitlines()[1:]
    shown = {line.split(",")[2] for line in lines if line.startswith("participant_id,")}
    people = opened(sealed)["data/tables/participants.csv"].decode().splitlines()[1:]
    assert {line.split(",")[0] for line in people} == shown
    with pytest.raises(CallError, match="never overwritten"):
        seal_study(study, pseudonyms=key, legend=tmp_path / "legend.csv")
