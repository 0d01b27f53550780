"""environment.json and the dates of a seal: with which software the numbers were made, and never the day of today."""

from __future__ import annotations

import os
import platform
from datetime import UTC, date, datetime
from typing import Any, Final

from studykit.errors import CallError
from studykit.provenance import installed_versions

FORMAT: Final = "studykit-environment/1"
NO_DATE: Final = date(1980, 1, 1)
"""Stands where a date must stand and nobody gave one; the first day that a zip can hold."""


def environment(results: dict[str, Any]) -> dict[str, Any]:
    """Versions, platform and seeds behind a results document.

    The platform is named by system and processor only: the name of a computer or of a user belongs to nobody else.
    """
    versions = dict(installed_versions())
    kit, python = versions.pop("studykit"), versions.pop("python")
    seeds = {key: entry["provenance"]["seed"] for key, entry in results["answers"].items()}
    return {
        "format": FORMAT,
        "studykit": kit,
        "python": python,
        "platform": {"system": platform.system(), "machine": platform.machine()},
        "packages": versions,
        "seeds": {key: seed for key, seed in seeds.items() if seed is not None},
    }


def date_of_seal(dated: date | None) -> date:
    """The date that a seal bears: the one given, else SOURCE_DATE_EPOCH, else the first day that a zip can hold.

    Raises:
        CallError: SOURCE_DATE_EPOCH is no count of seconds.
    """
    if dated is not None:
        return dated
    seconds = os.environ.get("SOURCE_DATE_EPOCH")
    if not seconds:
        return NO_DATE
    try:
        return datetime.fromtimestamp(int(seconds), tz=UTC).date()
    except (ValueError, OverflowError, OSError):
        raise CallError(f"SOURCE_DATE_EPOCH is {seconds!r}; it must be a whole number of seconds since 1970.") from None
