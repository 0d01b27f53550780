"""Seals that went wrong by chance or on purpose, made from a good one; each mutation is given by its number alone."""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
from small_studies import hashed_again, plain_zip

from studykit.archive.names import TOP

INSERTS = (
    b"=cmd|' /C calc'!A0",
    b"\x00",
    b"\xff\xfe",
    "\ufeff".encode(),
    b"NaN",
    b"Infinity",
    b"1e999",
    b"-0",
    b"9" * 400,
    b"[" * 300,
    b'{"a":' * 300,
    b'"',
    b"\n",
    b"\r",
    b",",
    b"\\",
    b"../../etc/passwd",
    b"PK\x03\x04",
    b"__import__('os')",
    b"2026-02-30",
    b"true",
    b"null",
)
NAMES = (
    "../outside.txt",
    "/outside.txt",
    "C:\\outside.txt",
    "data\\x.csv",
    "data/tables/extra.csv",
    "data/run.py",
    "x",
)


def mutated(files: dict[str, bytes], seal: bytes, number: int, target: Path) -> str:
    """Write mutation `number` of a seal and say of which kind it is."""
    rng = np.random.default_rng([20261124, number])
    kinds: tuple[tuple[str, Callable[..., None]], ...] = (
        ("bytes", _flip_bytes),
        ("cut", _cut),
        ("spliced", _splice),
        ("entries", _edit_entries),
        ("unhashed", _edit_without_hashes),
        ("rehashed", _edit_with_hashes),
        ("rehashed", _edit_with_hashes),
    )
    kind, mutate = kinds[number % len(kinds)]
    mutate(files, seal, rng, target)
    return kind


def _flip_bytes(_files: dict[str, bytes], seal: bytes, rng: np.random.Generator, target: Path) -> None:
    content = bytearray(seal)
    for place in rng.integers(0, len(content), rng.integers(1, 9)):
        content[place] ^= int(rng.integers(1, 256))
    target.write_bytes(bytes(content))


def _cut(_files: dict[str, bytes], seal: bytes, rng: np.random.Generator, target: Path) -> None:
    first, last = sorted(rng.integers(0, len(seal) + 1, 2))
    target.write_bytes(seal[:last] if rng.random() < 0.7 else seal[first:last])


def _splice(_files: dict[str, bytes], seal: bytes, rng: np.random.Generator, target: Path) -> None:
    place, length = int(rng.integers(0, len(seal))), int(rng.integers(0, 64))
    middle = INSERTS[rng.integers(len(INSERTS))] if rng.random() < 0.5 else rng.bytes(int(rng.integers(0, 64)))
    target.write_bytes(seal[:place] + middle + seal[place + length :])


def _edit_entries(files: dict[str, bytes], _seal: bytes, rng: np.random.Generator, target: Path) -> None:
    """Add, drop, rename or repeat entries, or give one another kind; the manifests are made to fit."""
    changed = dict(files)
    name = str(rng.choice(sorted(changed)))
    what = int(rng.integers(0, 5))
    if what == 0 and name.startswith("data/"):
        del changed[name]
    if what == 1:
        changed[f"data/{NAMES[rng.integers(len(NAMES))]}"] = b"x"
    fitted = hashed_again(changed)
    entries: list[tuple[zipfile.ZipInfo | str, bytes]] = [(f"{TOP}/{each}", fitted[each]) for each in sorted(fitted)]
    if what == 2:
        entries.append((f"{TOP}/{NAMES[rng.integers(len(NAMES))]}", b"x"))
    if what == 3:
        entry = zipfile.ZipInfo(f"{TOP}/{name}")
        entry.create_system = 3
        entry.external_attr = int(rng.choice([0o120777, 0o020666, 0o060666, 0o010644, 0o140777])) << 16
        entries = [(entry, content) if each == f"{TOP}/{name}" else (each, content) for each, content in entries]
    if what == 4:
        rng.shuffle(entries)  # type: ignore[arg-type]
    method = zipfile.ZIP_DEFLATED if rng.random() < 0.5 else zipfile.ZIP_STORED
    plain_zip(entries, target, method)


def _edit_without_hashes(files: dict[str, bytes], _seal: bytes, rng: np.random.Generator, target: Path) -> None:
    name = str(rng.choice(sorted(files)))
    changed = {**files, name: _edited(files[name], rng)}
    plain_zip([(f"{TOP}/{each}", changed[each]) for each in sorted(changed)], target)


def _edit_with_hashes(files: dict[str, bytes], _seal: bytes, rng: np.random.Generator, target: Path) -> None:
    changed = dict(files)
    payload = [name for name in sorted(files) if name.startswith("data/")]
    for _ in range(int(rng.integers(1, 3))):
        name = payload[rng.integers(len(payload))]
        changed[name] = _edited(changed[name], rng)
    fitted = hashed_again(changed)
    plain_zip([(f"{TOP}/{each}", fitted[each]) for each in sorted(fitted)], target)


def _edited(content: bytes, rng: np.random.Generator) -> bytes:
    """One edit of a text: a digit, a sign, a line out, a line twice, two lines exchanged, something put in."""
    what = int(rng.integers(0, 7))
    digits = [place for place, sign in enumerate(content) if 48 <= sign <= 57]
    if what <= 1 and digits:
        place = digits[rng.integers(len(digits))]
        return (
            content[:place] + str((content[place] - 48 + int(rng.integers(1, 10))) % 10).encode() + content[place + 1 :]
        )
    lines = content.split(b"\n")
    first, second = (int(line) for line in rng.integers(0, len(lines), 2))
    if what == 2:
        return b"\n".join(lines[:first] + lines[first + 1 :])
    if what == 3:
        return b"\n".join([*lines[:first], lines[second], *lines[first:]])
    if what == 4:
        lines[first], lines[second] = lines[second], lines[first]
        return b"\n".join(lines)
    place = int(rng.integers(0, len(content) + 1))
    if what == 5:
        return content[:place] + INSERTS[rng.integers(len(INSERTS))] + content[place:]
    return content[:place] + content[place + int(rng.integers(1, 20)) :]
