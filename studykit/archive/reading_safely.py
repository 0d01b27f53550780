"""A zip from a stranger -> named bytes in memory, or one sentence that says why not.

Nothing is unpacked to disk here, and no name from the file is ever used as a path: a seal has a fixed list of names,
and everything else is refused. The checks before that list exist so that the sentence names what was tried.
"""

from __future__ import annotations

import re
import stat
import struct
import unicodedata
import zipfile
import zlib
from pathlib import Path
from typing import Final

from studykit.archive.names import ALWAYS, EVERY_NAME, PAYLOAD, TAGS, TOP
from studykit.errors import DataError

MOST_BYTES: Final = 256_000_000
"""Of the file, and of everything in it together; a study with a million readings seals to about 90 MB."""
MOST_ENTRIES: Final = 64
MOST_RATIO: Final = 100
"""Tables of repeated words shrink to a twentieth at most; a hundredth is a bomb."""
SMALL_ENOUGH: Final = 1_000_000
"""Below this size the ratio does not matter."""
_KNOWN_METHODS: Final = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_ARCHIVE_STARTS: Final = (b"PK\x03\x04", b"PK\x05\x06", b"\x1f\x8b", b"7z\xbc\xaf", b"Rar!", b"\xfd7zXZ", b"BZh")
_ENCRYPTED: Final = 0x1
_DRIVE = re.compile(r"[A-Za-z]:")
_UNSEEN = re.compile(r"[\x00-\x1f\x7f-\x9f\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff]")
_BROKEN: Final = (
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    EOFError,
    NotImplementedError,
    RuntimeError,
    UnicodeError,
    ValueError,
    OverflowError,
    MemoryError,
    OSError,
)
"""All that the zip reader is known to raise on files that were damaged on the way or on purpose."""


def read_seal(file: Path) -> dict[str, bytes]:
    """Name in the bag -> content, for every file of a seal.

    Raises:
        DataError: the file cannot be read as a seal, or holds anything that a seal never holds.
    """
    size = _size_of(file)
    if size > MOST_BYTES:
        raise _refused(file, f"it has {size:,} bytes, and a seal has at most {MOST_BYTES:,}")
    try:
        with zipfile.ZipFile(file) as archive:
            entries = archive.infolist()
            _check_entries(file, entries, archive, size)
            files = {
                entry.filename.removeprefix(f"{TOP}/"): _content(file, archive, entry)
                for entry in entries
                if not entry.is_dir()
            }
    except _BROKEN as trouble:
        raise _refused(file, f"it is no zip or a damaged one ({_reason(trouble)})") from None
    _check_complete(file, files)
    return files


def _size_of(file: Path) -> int:
    try:
        found = file.stat()
    except (OSError, ValueError):
        raise DataError(f"There is no file {file}.") from None
    if not stat.S_ISREG(found.st_mode):
        raise DataError(f"{file} is no ordinary file; give the .zip that 'studykit seal' wrote.")
    return found.st_size


def _check_entries(file: Path, entries: list[zipfile.ZipInfo], archive: zipfile.ZipFile, size: int) -> None:
    if not entries:
        raise _refused(file, "it holds nothing")
    if len(entries) > MOST_ENTRIES:
        raise _refused(file, f"it holds {len(entries):,} entries, and a seal has at most {MOST_ENTRIES}")
    if archive.comment or min(entry.header_offset for entry in entries) != 0:
        raise _refused(file, "there is something before or behind the zip")
    whole = sum(entry.file_size for entry in entries)
    if whole > MOST_BYTES:
        raise _refused(file, f"it would unpack to {whole:,} bytes; at most {MOST_BYTES:,} are read")
    if sum(entry.compress_size for entry in entries) > size:
        raise _refused(file, "its entries overlap")
    for entry in entries:
        _check_name(file, entry)
        _check_kind(file, entry)
    _check_names_differ(file, entries)
    for entry in entries:
        _check_known(file, entry)


def _check_name(file: Path, entry: zipfile.ZipInfo) -> None:
    """Refuse a name that would lead out of a folder or that means different things on different systems."""
    name = entry.orig_filename
    parts = name.removesuffix("/").split("/")
    reasons = {
        "holds a sign that cannot be seen": bool(_UNSEEN.search(name)),
        "is an absolute path": name.startswith(("/", "\\")),
        "names a drive": bool(_DRIVE.match(name)),
        "holds a backslash": "\\" in name,
        "leads out of its folder": ".." in parts,
        "has an empty part or a part that is a dot": any(part in {"", "."} for part in parts),
        "has a part that ends in a dot or a blank": any(part[-1:] in {".", " "} for part in parts if part != ".."),
        "holds a colon": ":" in name,
    }
    for reason, holds in reasons.items():
        if holds:
            raise _refused(file, f"the name {_shown(name)} {reason}")


def _check_kind(file: Path, entry: zipfile.ZipInfo) -> None:
    mode = entry.external_attr >> 16
    kind = stat.S_IFMT(mode)
    if kind == stat.S_IFLNK:
        raise _refused(file, f"{_shown(entry.filename)} is a link")
    if kind not in (0, stat.S_IFREG, stat.S_IFDIR):
        raise _refused(file, f"{_shown(entry.filename)} is a device or another thing that is no file")
    if entry.flag_bits & _ENCRYPTED:
        raise _refused(file, f"{_shown(entry.filename)} is encrypted")
    if entry.compress_type not in _KNOWN_METHODS:
        raise _refused(file, f"{_shown(entry.filename)} is packed in a way that a seal does not use")
    if entry.file_size > SMALL_ENOUGH and entry.file_size > MOST_RATIO * max(entry.compress_size, 1):
        raise _refused(file, f"{_shown(entry.filename)} would unpack to more than {MOST_RATIO} times its size")


def _check_names_differ(file: Path, entries: list[zipfile.ZipInfo]) -> None:
    """Names that some system takes for one: the same, or the same but for capitals or the form of their accents."""
    seen: set[str] = set()
    for entry in entries:
        name = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", entry.filename).casefold())
        if name in seen:
            raise _refused(file, f"the name {_shown(entry.filename)} stands in it twice")
        seen.add(name)


def _check_known(file: Path, entry: zipfile.ZipInfo) -> None:
    folders = {f"{TOP}/", f"{TOP}/{PAYLOAD}/", f"{TOP}/{PAYLOAD}/tables/"}
    if entry.is_dir():
        if entry.filename not in folders or entry.file_size:
            raise _refused(file, f"the folder {_shown(entry.filename)} belongs to no seal")
    elif entry.filename.removeprefix(f"{TOP}/") not in EVERY_NAME or not entry.filename.startswith(f"{TOP}/"):
        raise _refused(file, f"{_shown(entry.filename)} belongs to no seal")


def _content(file: Path, archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> bytes:
    with archive.open(entry) as opened:
        content = opened.read(entry.file_size + 1)
    if len(content) != entry.file_size:
        raise _refused(file, f"{_shown(entry.filename)} has another size than the zip says")
    if content.startswith(_ARCHIVE_STARTS):
        raise _refused(file, f"{_shown(entry.filename)} is an archive itself")
    return content


def _check_complete(file: Path, files: dict[str, bytes]) -> None:
    missing = sorted({*TAGS, *(f"{PAYLOAD}/{name}" for name in ALWAYS)} - files.keys())
    if missing:
        raise _refused(file, f"{len(missing)} parts of a seal are missing, the first: {missing[0]}")


def _refused(file: Path, reason: str) -> DataError:
    return DataError(f"{file.name} is refused: {reason}. Nothing was unpacked; ask for the file again.")


def _shown(name: str) -> str:
    return repr(name[:80])


def _reason(trouble: BaseException) -> str:
    text = trouble.strerror if isinstance(trouble, OSError) and trouble.strerror else str(trouble)
    return ascii(text[:120]).strip("'\"") or type(trouble).__name__
