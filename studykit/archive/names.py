"""Where each part lies in a seal. A seal holds these names and no others; no name that a file brings is ever used."""

from __future__ import annotations

from typing import Final

from studykit.vocabulary import COLUMNS

TOP: Final = "study_seal"
"""The one folder in the zip; it bears no name of a study or of a computer."""
PAYLOAD: Final = "data"
"""The folder of a BagIt bag that holds what was packed."""

PROTOCOL: Final = "study.toml"
RESULTS: Final = "results.json"
ENVIRONMENT: Final = "environment.json"
SEALING: Final = "sealing.json"
PACKAGE: Final = "datapackage.json"
CRATE: Final = "ro-crate-metadata.json"
README: Final = "README.txt"
TABLES: Final = {f"tables/{table}.csv": table for table in COLUMNS}
"""Path of each table in the payload -> table."""

ALWAYS: Final = frozenset({PROTOCOL, RESULTS, ENVIRONMENT, SEALING, PACKAGE, CRATE, README, "tables/measurements.csv"})
"""Parts that every seal has."""

BAG: Final = "bagit.txt"
BAG_INFO: Final = "bag-info.txt"
MANIFEST: Final = "manifest-sha256.txt"
TAG_MANIFEST: Final = "tagmanifest-sha256.txt"
TAGS: Final = (BAG, BAG_INFO, MANIFEST, TAG_MANIFEST)

EVERY_NAME: Final = frozenset({*TAGS, *(f"{PAYLOAD}/{name}" for name in (*ALWAYS, *TABLES))})
"""Every name that a bag of this kind may hold."""
