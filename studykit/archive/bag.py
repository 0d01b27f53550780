"""The outer form of a seal: a BagIt bag (RFC 8493) of named bytes, in a zip that is the same on every machine.

Nothing is compressed: two releases of a compressor need not give the same bytes, storing always does.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from datetime import date
from hashlib import sha256

from studykit.archive.names import BAG, BAG_INFO, MANIFEST, PAYLOAD, TAG_MANIFEST, TOP
from studykit.errors import DataError

FIRST_ZIP_DAY = (1980, 1, 1, 0, 0, 0)
_PLAIN_FILE = 0o100644 << 16
_UNIX = 3


def bag_of(payload: Mapping[str, bytes], *, dated: date, software: str) -> dict[str, bytes]:
    """Every file of the bag under its name: the payload below data/ and the four tag files, sorted."""
    files = {f"{PAYLOAD}/{name}": content for name, content in payload.items()}
    size = sum(len(content) for content in files.values())
    tags = {
        BAG: b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
        BAG_INFO: (
            f"Bag-Software-Agent: {software}\nBagging-Date: {dated.isoformat()}\nPayload-Oxum: {size}.{len(files)}\n"
        ).encode(),
        MANIFEST: manifest(files),
    }
    return dict(sorted({**files, **tags, TAG_MANIFEST: manifest(tags)}.items()))


def manifest(files: Mapping[str, bytes]) -> bytes:
    """One line a file, in the order of names: SHA-256, two blanks, name."""
    return "".join(f"{sha256(files[name]).hexdigest()}  {name}\n" for name in sorted(files)).encode()


def zip_of(files: Mapping[str, bytes]) -> bytes:
    """A zip whose bytes depend on names and contents alone: sorted, stored, one date, one mode, no extras."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as archive:
        for name in sorted(files):
            entry = zipfile.ZipInfo(f"{TOP}/{name}", FIRST_ZIP_DAY)
            entry.compress_type = zipfile.ZIP_STORED
            entry.create_system = _UNIX
            entry.external_attr = _PLAIN_FILE
            archive.writestr(entry, files[name])
    return packed.getvalue()


def changed_files(files: Mapping[str, bytes]) -> tuple[str, ...]:
    """What does not fit the bag's own manifests, a sentence each; empty when every file is as it was sealed.

    Raises:
        DataError: a manifest cannot be read.
    """
    told = []
    for name, covered in ((TAG_MANIFEST, _tags(files)), (MANIFEST, _payload(files))):
        listed = _read_manifest(name, files[name])
        told += [f"{each} is listed in {name} and is not there." for each in sorted(listed.keys() - covered.keys())]
        told += [f"{each} is there and is not listed in {name}." for each in sorted(covered.keys() - listed.keys())]
        told += [
            f"{each} was changed after it was sealed: its SHA-256 is not the one in {name}."
            for each in sorted(listed.keys() & covered.keys())
            if listed[each] != sha256(covered[each]).hexdigest()
        ]
    return tuple(told) + _wrong_oxum(files)


def _payload(files: Mapping[str, bytes]) -> dict[str, bytes]:
    return {name: content for name, content in files.items() if name.startswith(f"{PAYLOAD}/")}


def _tags(files: Mapping[str, bytes]) -> dict[str, bytes]:
    return {name: content for name, content in files.items() if "/" not in name and name != TAG_MANIFEST}


def _read_manifest(name: str, content: bytes) -> dict[str, str]:
    listed: dict[str, str] = {}
    for number, line in enumerate(_text(name, content).splitlines(), start=1):
        digest, gap, path = line.partition("  ")
        if not gap or len(digest) != 64 or not path or path in listed:
            raise DataError(f"Line {number} of {name} cannot be read; this is not a seal as the kit writes it.")
        listed[path] = digest.lower()
    return listed


def _wrong_oxum(files: Mapping[str, bytes]) -> tuple[str, ...]:
    payload = _payload(files)
    counted = f"Payload-Oxum: {sum(map(len, payload.values()))}.{len(payload)}"
    if counted in _text(BAG_INFO, files[BAG_INFO]).splitlines():
        return ()
    return (f"{BAG_INFO} states another size or number of files than the seal holds.",)


def _text(name: str, content: bytes) -> str:
    try:
        return content.decode()
    except UnicodeDecodeError:
        raise DataError(f"{name} is not plain text; this is not a seal as the kit writes it.") from None
