"""Study folders that are small enough to be sealed hundreds of times, and seals taken apart and put together again."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from studykit.archive.bag import manifest, zip_of
from studykit.archive.names import MANIFEST, TAG_MANIFEST, TOP

PROTOCOL = """
raters = ["r1", "r2"]

[study]
title = "Two raters and one knee"
question = "Do two raters read the same angle?"
design = "reliability"
primary_measure = "knee_flexion_prone"
made_up = true

[measures.knee_flexion_prone]
two_sided = false

[reliability]
rated_by = "every rater"
"""
ANGLES_DEG = ((118, 120), (124, 123.5), (131, 134), (109, 110.25), (127, 127), (140, 138), (116, 119.5), (122, 121))


def reliability_folder(folder: Path, *, protocol: str = PROTOCOL, **tables: Sequence[Sequence[object]]) -> Path:
    """Eight people, two raters, one reading each; further tables, or other ones, as rows with the headings first."""
    readings = [("participant_id", "measure", "rater_id", "trial", "value")]
    for person, angles in enumerate(ANGLES_DEG, start=1):
        for rater, angle in enumerate(angles, start=1):
            readings.append((f"P{person}", "knee_flexion_prone", f"r{rater}", 1, angle))  # type: ignore[arg-type]
    people = [("participant_id",), *((f"P{person}",) for person in range(1, len(ANGLES_DEG) + 1))]
    raters = [("rater_id",), ("r1",), ("r2",)]
    (folder / "data").mkdir(parents=True)
    (folder / "study.toml").write_text(protocol, encoding="utf-8")
    for name, rows in {"measurements": readings, "participants": people, "raters": raters, **tables}.items():
        with (folder / "data" / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows(rows)
    return folder


def opened(seal: Path) -> dict[str, bytes]:
    """Name in the bag -> content, by the standard library alone."""
    with zipfile.ZipFile(seal) as archive:
        return {entry.filename.removeprefix(f"{TOP}/"): archive.read(entry) for entry in archive.infolist()}


def closed(files: Mapping[str, bytes], seal: Path) -> Path:
    """Pack files as they are, manifests included, whether these fit or not."""
    seal.write_bytes(zip_of(files))
    return seal


def hashed_again(files: Mapping[str, bytes]) -> dict[str, bytes]:
    """The same files with manifests that fit them, as somebody would make who wants a change to pass unseen."""
    payload = {name: content for name, content in files.items() if name.startswith("data/")}
    oxum = f"Payload-Oxum: {sum(map(len, payload.values()))}.{len(payload)}"
    info = files["bag-info.txt"].decode(errors="replace").splitlines()
    lines = [oxum if line.startswith("Payload-Oxum") else line for line in info]
    tags = {"bagit.txt": files["bagit.txt"], "bag-info.txt": ("\n".join(lines) + "\n").encode()}
    tags[MANIFEST] = manifest(payload)
    return {**payload, **tags, TAG_MANIFEST: manifest(tags)}


def plain_zip(
    entries: Sequence[tuple[zipfile.ZipInfo | str, bytes]], seal: Path, method: int = zipfile.ZIP_STORED
) -> Path:
    """A zip with these entries in this order, whatever they are called."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", method) as archive:
        for entry, content in entries:
            archive.writestr(entry, content)
    seal.write_bytes(packed.getvalue())
    return seal
