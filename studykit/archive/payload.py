"""Every part of a seal from a study: the same function packs it and, at the other end, says what should be in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from hashlib import sha256
from typing import Any, Final

from studykit.archive.canonical import canonical_protocol
from studykit.archive.crate import crate_of
from studykit.archive.names import CRATE, ENVIRONMENT, PACKAGE, PROTOCOL, README, RESULTS, SEALING
from studykit.archive.readme import readme_of
from studykit.archive.tables import csv_tables, data_package
from studykit.data.sharing.shareable import CALENDAR, STUDY_DAYS, Sharing
from studykit.data.study import Study
from studykit.errors import DataError
from studykit.report.numbers import as_json

SEALING_FORMAT: Final = "studykit-sealing/1"


@dataclass(frozen=True, slots=True)
class Packed:
    """The parts that are not computed from the study: results.json, environment.json, sealing.json and the date."""

    results: dict[str, Any]
    environment: dict[str, Any]
    sealing: dict[str, Any]
    dated: date


def sealing_of(original: Study, sharing: Sharing) -> dict[str, Any]:
    """What was done to a study before it was sealed, and the hashes of what it was before."""
    provenance = original.provenance()
    return {
        "format": SEALING_FORMAT,
        "dates": sharing.dates,
        "pseudonyms": sharing.key is not None,
        "left_out": sorted(sharing.leave_out),
        "bands": dict(sorted(sharing.coarsen.items())),
        "looked_at": sorted(sharing.looked_at),
        "smallest_group": original.protocol.privacy.smallest_group,
        "before_sealing": {
            "data_sha256": provenance.data_sha256,
            "protocol_sha256": provenance.protocol_sha256,
            "rows_in": dict(original.rows_in),
            "rows_set_aside": dict(original.rows_set_aside),
        },
    }


def dates_of(sealing: Mapping[str, Any]) -> str:
    """How the tables of a seal give their dates.

    Raises:
        DataError: sealing.json does not say it.
    """
    dates = sealing.get("dates")
    if sealing.get("format") != SEALING_FORMAT or dates not in (CALENDAR, STUDY_DAYS):
        raise DataError(f"{SEALING} in the seal does not say how dates are given; this kit cannot read it.")
    return str(dates)


def payload_of(study: Study, packed: Packed) -> dict[str, bytes]:
    """Name -> bytes of every part of the payload.

    Raises:
        DataError: a cell of the tables begins like a formula.
    """
    dates = dates_of(packed.sealing)
    tables = csv_tables(study, dates)
    hashes = {path: sha256(content).hexdigest() for path, content in tables.items()}
    parts = {
        PROTOCOL: canonical_protocol(study.protocol).encode(),
        **tables,
        RESULTS: as_json(packed.results).encode(),
        ENVIRONMENT: as_json(packed.environment).encode(),
        SEALING: as_json(packed.sealing).encode(),
        PACKAGE: as_json(data_package(study, tables, hashes, dates)).encode(),
        README: readme_of(study, packed.sealing, packed.environment, tables).encode(),
    }
    return {**parts, CRATE: as_json(crate_of(study, parts, packed.environment, packed.dated)).encode()}
