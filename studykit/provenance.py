"""Where a result comes from: the protocol, the data and the software that made it."""

from __future__ import annotations

import hashlib
import platform
from dataclasses import dataclass
from functools import cache
from importlib import metadata
from typing import Any

import pandas as pd

from studykit import __version__

NUMERIC_PACKAGES = (
    "numpy",
    "scipy",
    "pandas",
    "pandera",
    "pydantic",
    "statsmodels",
    "formulaic",
    "matplotlib",
)


@dataclass(frozen=True, slots=True)
class Provenance:
    """What must be the same for a number to come out the same.

    Attributes:
        data_sha256: hash of the rows that were used (`hash_of_frames`).
        protocol_sha256: canonical hash of the protocol; empty for a plain frame without a study.
        versions: name and version of the kit, of Python and of each package that computes.
        seed: seed of any random numbers; None when the result uses none.
    """

    data_sha256: str
    protocol_sha256: str = ""
    versions: tuple[tuple[str, str], ...] = ()
    seed: int | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "data_sha256": self.data_sha256,
            "protocol_sha256": self.protocol_sha256,
            "versions": dict(self.versions),
            "seed": self.seed,
        }


@cache
def installed_versions() -> tuple[tuple[str, str], ...]:
    """The kit, Python and every package that takes part in a number, with their versions."""
    own = [("studykit", __version__), ("python", platform.python_version())]
    return (*own, *((name, metadata.version(name)) for name in NUMERIC_PACKAGES))


def hash_of_frames(frames: dict[str, pd.DataFrame]) -> str:
    """SHA-256 over the named frames: names sorted, columns in order, cells as text to 17 significant digits.

    Each frame is preceded by its name and its length, so that no row can pass for the start of another frame. The hash
    depends on the order of rows and on nothing of the machine.
    """
    digest = hashlib.sha256()
    for name in sorted(frames):
        frame = frames[name]
        text = frame.to_csv(index=False, float_format="%.17g", date_format="%Y-%m-%d", lineterminator="\n").encode()
        digest.update(f"{name} {len(text)}\n".encode())
        digest.update(text)
    return digest.hexdigest()


def of_frame(frame: pd.DataFrame, *, seed: int | None = None) -> Provenance:
    """Provenance of a result made from a plain frame, without a protocol."""
    return Provenance(hash_of_frames({"frame": frame}), versions=installed_versions(), seed=seed)
