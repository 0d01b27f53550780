"""Which release note explains a number that moved since it was sealed."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from fnmatch import fnmatchcase
from functools import cache
from importlib import resources
from typing import Any

_VERSION = re.compile(r"\d{1,4}(?:\.\d{1,4}){1,3}")


@cache
def release_notes() -> Mapping[str, Any]:
    """Version -> its note, as release_notes.toml holds them."""
    text = resources.files("studykit.archive").joinpath("release_notes.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def version_order(version: str) -> tuple[int, ...] | None:
    """A version as numbers that can be compared; None when it is no plain version."""
    return tuple(int(part) for part in version.split(".")) if _VERSION.fullmatch(version) else None


def explained(
    keys: Iterable[str], *, sealed_by: str, installed: str, notes: Mapping[str, Any] | None = None
) -> dict[str, str]:
    """Key -> the notes of all releases after `sealed_by`, up to `installed`, that speak of this number.

    A key that no note speaks of is not in the answer; nothing is explained when a version cannot be read or the seal
    is not older.
    """
    known = release_notes() if notes is None else notes
    first, last = version_order(sealed_by), version_order(installed)
    if first is None or last is None or first >= last:
        return {}
    between = {name: note for name, note in known.items() if first < (version_order(name) or first) <= last}
    found: dict[str, str] = {}
    for key in keys:
        told = [
            f"{name}: {moved['why']}"
            for name, note in between.items()
            for moved in note["moved"]
            if fnmatchcase(key, moved["numbers"])
        ]
        if told:
            found[key] = " ".join(told)
    return found
