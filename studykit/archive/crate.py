"""ro-crate-metadata.json: what each part of a seal is, in the words of RO-Crate 1.2 (JSON-LD)."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from hashlib import sha256
from typing import Any, Final

from studykit.archive.names import CRATE, ENVIRONMENT, PACKAGE, PROTOCOL, README, RESULTS, SEALING, TABLES
from studykit.data.study import Study

SPECIFICATION: Final = "https://w3id.org/ro/crate/1.2"
FRICTIONLESS: Final = "https://specs.frictionlessdata.io/data-package/"
TERMS: Final = (
    "No licence is given here. Ask the authors of the study before you publish anything made from these data, and try "
    "to recognise nobody in them."
)
ABOUT: Final = {
    PROTOCOL: ("The protocol: what was decided, with every default and measure written out", "application/toml"),
    RESULTS: ("Every number of the study at full precision, computed from the tables here", "application/json"),
    ENVIRONMENT: ("Versions of the software, platform and seeds of random numbers", "application/json"),
    SEALING: ("What was done to the data before they were sealed", "application/json"),
    PACKAGE: ("The tables and their columns described as a Frictionless data package", "application/json"),
    README: ("What this is and how to use it, in plain language", "text/plain"),
}


def crate_of(study: Study, parts: Mapping[str, bytes], environment: Mapping[str, Any], dated: date) -> dict[str, Any]:
    """The crate's graph: the descriptor, the study as its root, one entity a file, and the software."""
    names = sorted(parts)
    software = {
        "@id": "#studykit",
        "@type": "SoftwareApplication",
        "name": "studykit",
        "version": str(environment["studykit"]),
        "softwareVersion": str(environment["studykit"]),
    }
    run = {
        "@id": "#computation",
        "@type": "CreateAction",
        "name": "Every number was computed from the protocol and the tables",
        "instrument": {"@id": "#studykit"},
        "object": [{"@id": PROTOCOL}, *({"@id": name} for name in names if name in TABLES)],
        "result": {"@id": RESULTS},
    }
    return {
        "@context": f"{SPECIFICATION}/context",
        "@graph": [
            {
                "@id": CRATE,
                "@type": "CreativeWork",
                "conformsTo": {"@id": SPECIFICATION},
                "about": {"@id": "./"},
            },
            {
                "@id": "./",
                "@type": "Dataset",
                "name": study.protocol.study.title,
                "description": study.protocol.study.question,
                "datePublished": dated.isoformat(),
                "license": TERMS,
                "hasPart": [{"@id": name} for name in names],
                "mentions": {"@id": "#computation"},
            },
            *(_file(name, parts[name]) for name in names),
            software,
            run,
        ],
    }


def _file(name: str, content: bytes) -> dict[str, Any]:
    about, kind = ABOUT.get(name, (f"The table {TABLES.get(name)}: checked rows", "text/csv"))
    entity: dict[str, Any] = {
        "@id": name,
        "@type": "File",
        "name": about,
        "encodingFormat": kind,
        "contentSize": str(len(content)),
        "sha256": sha256(content).hexdigest(),
    }
    return entity | ({"conformsTo": {"@id": FRICTIONLESS}} if name == PACKAGE else {})
